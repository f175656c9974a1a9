"""Test signals against formulas and figures published elsewhere."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import CubicSpline
from scipy.signal import chirp, resample, welch
from scipy.special import sici

from antecurve.errors import InputError
from antecurve.signals.alignment import laid_side_by_side
from antecurve.signals.cue import cue_position, cue_waveform
from antecurve.signals.low_crest import low_crest_phases
from antecurve.signals.request import KINDS, SignalRequest
from antecurve.signals.signal import make_signal, run_start
from antecurve.signals.waveforms import played_hz, run_waveform, true_peak


@pytest.mark.parametrize("kind", KINDS)
def test_level_is_the_peak(kind: str) -> None:
    made = make_signal(SignalRequest(kind, level_db=(-20.0,), seconds=4.0))
    # Samples may miss the peak between them, of a sweep or sines by their own rate.
    assert np.abs(made.samples).max() <= 0.1 * (1 + 1e-9)
    assert np.abs(made.samples).max() > 0.09


@pytest.mark.parametrize("clock", [1e-4, -3e-5])
def test_cues_tell_the_difference_of_clocks(clock: float) -> None:
    """A record that is read off the played file's own trigonometric polynomial, eight-fold."""
    samples = make_signal(SignalRequest("noise", seconds=1.0)).samples
    dense = CubicSpline(np.arange(8 * samples.size) / 8.0, resample(samples, 8 * samples.size))
    record = dense(np.arange(samples.size - 100) / (1.0 + clock) + 0.37)
    beside = laid_side_by_side(
        samples, record, played_hz=48e3, record_hz=48e3, name="record", clock_by_cues=True
    )
    # By 1e-8 a delay changes over ten seconds by 1e-7 s: 0.7 degrees at 20 kHz.
    assert beside.clock_ratio == pytest.approx(clock, abs=1e-8)


def test_repetitions_follow_without_a_gap() -> None:
    once = make_signal(SignalRequest("square", seconds=1.0))
    thrice = make_signal(SignalRequest("square", seconds=1.0, repetitions=3))
    assert thrice.samples.size == once.samples.size + 2 * 48_000
    start = run_start(thrice.request)
    runs = thrice.samples[start : start + 3 * 48_000].reshape(3, -1)
    assert np.array_equal(runs[0], runs[2])
    # 200 periods a second: the jump from run to run is one between neighbours within a run.
    assert runs[1][0] - runs[0][-1] == pytest.approx(runs[0][240] - runs[0][239], abs=1e-12)


def test_square_wave_is_a_truncated_fourier_series() -> None:
    """Harmonics 4/(pi n) to 0.45 of the rate and nothing beyond."""
    request = SignalRequest("square", frequency_hz=(500.0,), seconds=1.0)
    spectrum = np.abs(np.fft.rfft(run_waveform(request))) / 24_000
    odd = np.arange(500, 21_600, 1000)
    assert spectrum[odd] * odd == pytest.approx(np.full(odd.size, spectrum[500] * 500), rel=1e-9)
    spectrum[odd] = 0.0
    assert spectrum.max() < 1e-12


def test_what_remains_of_the_edge() -> None:
    """The step of an ideal low-pass: overshoot Si(pi)/pi - 1/2, rise time 0.446/f.

    H. Wilbraham (1848), J. W. Gibbs (1899): 8.949 % of the step; the rise from 10 to 90 % of
    1/2 + Si(2 pi f t)/pi is solved here.
    """
    edge = make_signal(SignalRequest("square", frequency_hz=(20.0,), seconds=1.0)).edge
    assert edge is not None
    step = float(sici(np.pi)[0] / np.pi - 0.5)
    assert edge.overshoot == pytest.approx(step, abs=1e-5)
    turns = np.linspace(0.0, np.pi, 100_001)
    half = np.interp(0.4, sici(turns)[0] / np.pi, turns) / (2.0 * np.pi)
    # The last of 540 harmonics lies up to two of their distances below the limit of the band.
    assert edge.rise_time_s == pytest.approx(2.0 * half / 21_600.0, rel=2e-3)


def test_a_square_wave_has_whole_periods() -> None:
    request = SignalRequest("square", frequency_hz=(23.04,), seconds=10.0)
    assert played_hz(request) == pytest.approx(23.0, abs=0.05 + 1e-9)


def test_sweep_is_scipys_logarithmic_chirp() -> None:
    request = SignalRequest("sweep", band_hz=(20.0, 20e3), seconds=3.0)
    time = np.arange(request.run_samples) / 48e3
    expected = chirp(time, 20.0, 3.0, 20e3, "logarithmic", phi=-90.0)
    middle = slice(300, -300)  # past the fades
    # Phases of 3e4 radian: double precision leaves 1e-10 of them.
    np.testing.assert_allclose(run_waveform(request)[middle], expected[middle], rtol=0.0, atol=1e-8)


def test_noise_falls_by_3_db_an_octave() -> None:
    """Slope of the spectral density by Welch's method: -10 dB per decade."""
    frequency, power = welch(run_waveform(SignalRequest("noise")), 48e3, nperseg=48_000)
    inside = (frequency > 30) & (frequency < 20e3)
    weight = 1.0 / frequency[inside]  # decades count alike
    slope = np.polyfit(
        np.log10(frequency[inside]), 10 * np.log10(power[inside]), 1, w=np.sqrt(weight)
    )
    # Nineteen averages: each of 20,000 lines scatters by 1 dB.
    assert slope[0] == pytest.approx(-10.0, abs=0.2)
    octaves = [
        power[(frequency >= f) & (frequency < 2 * f)].sum() for f in 31.25 * 2.0 ** np.arange(9)
    ]
    assert 10 * np.log10(np.array(octaves) / np.mean(octaves)) == pytest.approx(0.0, abs=0.6)


def _waveform(phases: np.ndarray) -> np.ndarray:
    spectrum = np.zeros(4096, dtype=complex)
    spectrum[1 : phases.size + 1] = np.exp(1j * phases)
    return np.fft.irfft(spectrum)


def _crest_db(waveform: np.ndarray) -> float:
    return 20.0 * float(np.log10(np.abs(waveform).max() / np.sqrt(np.mean(waveform**2))))


def test_crest_factors_as_published() -> None:
    """S. Boyd, "Multitone signals with low crest factor", IEEE Trans. CAS 33 (1986) 1018-1022.

    Newman's phases pi (k - 1)^2/N: about 4.6 dB for large N; the Rudin-Shapiro phases: below
    6 dB surely.  Ours start from Schroeder's and must be lower than either.
    """
    for count in (16, 64, 128):
        order = np.arange(count)
        newman = _crest_db(_waveform(np.pi * order**2 / count))
        ours = _crest_db(_waveform(low_crest_phases(order + 1, np.ones(count))))
        if count >= 64:
            assert newman == pytest.approx(4.6, abs=0.1)  # printed to a tenth
        pair = [np.ones(1), np.ones(1)]
        while pair[0].size < count:
            pair = [np.concatenate(pair), np.concatenate([pair[0], -pair[1]])]
        shapiro = _crest_db(_waveform(np.where(pair[0] > 0, 0.0, np.pi)))
        assert shapiro <= 20 * np.log10(2.0)
        assert 0.0 < ours < min(newman, shapiro) - 1.0
        assert ours < 3.5  # 3.1 to 3.3 dB on one machine; another rounds otherwise


def test_multitone_is_clear_of_hum_and_low_in_crest() -> None:
    """Each octave has the same power: of the tones that are clear of hum, each its share.

    Clipped in turns (Van der Ouderaa and others, 1988), by numpy alone, the same tones keep more.
    """
    request = SignalRequest("multitone", seconds=2.0)
    run = run_waveform(request)
    spectrum = 2.0 * np.abs(np.fft.rfft(run)) / run.size
    lines = np.flatnonzero(spectrum > 1e-6)
    tones = lines * 48e3 / run.size
    assert not set(np.round(tones)) & {50, 60, 100, 120, 150, 180, 200, 240, 250, 300, 960, 1000}
    power = np.histogram(tones, 20.5 * 2.0 ** np.arange(11), weights=spectrum[lines] ** 2)[0]
    # From 41 to 82 Hz hum leaves 70 and 80 Hz alone: what 40 Hz stands for counts below.
    assert 10.0 * np.log10(power[2:] / power[2:].mean()) == pytest.approx(0.0, abs=0.5)
    assert 10.0 * np.log10(power[:2] / power.mean()) == pytest.approx(0.0, abs=1.8)
    crest = make_signal(request).crest_db
    assert crest == pytest.approx(_crest_db(run), abs=0.1)  # a peak lies between samples
    assert crest < 5.1  # 4.8 dB on one machine; another rounds otherwise
    assert true_peak(run) == pytest.approx(1.0)
    period = run[: request.period_samples]
    level = np.abs(np.fft.rfft(period))
    phases = np.random.default_rng(1).uniform(0.0, 2.0 * np.pi, level.size)
    for turn in range(300):
        drawn = np.fft.irfft(level * np.exp(1j * phases))
        most = (0.8 + 0.15 * turn / 300) * np.abs(drawn).max()
        phases = np.angle(np.fft.rfft(np.clip(drawn, -most, most)))
    assert crest < _crest_db(np.fft.irfft(level * np.exp(1j * phases))) - 0.3


def test_steps_stand_at_their_levels() -> None:
    request = SignalRequest(
        "sines", frequency_hz=(1000.0, 5000.0), level_db=(-40.0, -20.0, 0.0), seconds=1.2
    )
    run = run_waveform(request)
    assert len(request.steps) == 6
    for step in request.steps:
        middle = run[step.first + 1000 : step.last - 1000]
        time = np.arange(middle.size) / 48e3
        turn = np.exp(-2j * np.pi * step.frequency_hz * time) * np.hanning(middle.size)
        level = 20 * np.log10(2 * np.abs(turn @ middle) / np.hanning(middle.size).sum())
        assert level == pytest.approx(step.level_db, abs=0.01)


def test_a_cue_is_told_in_noise_and_upside_down() -> None:
    rng = np.random.default_rng(1)
    record = 0.3 * rng.standard_normal(96_000)
    assert cue_position(record, 48e3, rising=True) is None
    record[40_000:44_800] -= cue_waveform(48e3, rising=True)
    assert cue_position(record, 48e3, rising=True) == pytest.approx(40_000, abs=1)
    assert cue_position(record, 48e3, rising=False) is None


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"kind": "triangle"}, "one of square"),
        ({"rate_hz": 8000}, "22,?050"),
        ({"seconds": 1e4}, "600 s"),
        ({"level_db": (1.0,)}, "-100 to 0 dB"),
        ({"level_db": (-20.0, -10.0)}, "only sines"),
        ({"frequency_hz": (30e3,)}, "0.45 of the rate"),
        ({"frequency_hz": (100.0, 200.0)}, "takes one"),
        ({"band_hz": (20.0, 20e3)}, "frequency instead"),
        ({"kind": "noise", "band_hz": (20.0, 30.0)}, "octave wide"),
        ({"kind": "noise", "frequency_hz": (20.0,)}, "band instead"),
        ({"kind": "sines", "seconds": 1.0}, "steps need"),
    ],
)
def test_bad_requests_get_a_sentence(changes: dict[str, object], message: str) -> None:
    with pytest.raises(InputError, match=message):
        SignalRequest(**({"kind": "square"} | changes))
