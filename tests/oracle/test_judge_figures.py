"""Figures of a simulated unit: each against what was put in."""

from __future__ import annotations

import csv
import functools
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from playback_units import CONDITIONS, Unit, by_tolerance, known_exactly
from played_signals import unit_output
from scipy.signal import resample

from antecurve.judge.network_estimate import NetworkEstimate
from antecurve.judge.played_record import InputReference, PlayedRecord
from antecurve.judge.sine_distortion import StepDistortion, overload
from antecurve.judge.two_channel import TwoChannelRecord
from antecurve.judge.unit_figure import UnitFigure
from antecurve.judge.unit_figures import unit_figures, unmeasured_figures
from antecurve.judge.verdict import Verdict
from antecurve.judge.verdicts import judge_unit
from antecurve.signals.alignment import laid_side_by_side
from antecurve.signals.request import SignalRequest
from antecurve.signals.signal import make_signal

DATA = Path(__file__).parents[1] / "data"
RATE_HZ = 48e3
IDEAL = Unit(low_corner_hz=1.0, high_corner_hz=0.0)


def played_record(
    request: SignalRequest, output: np.ndarray, idle: np.ndarray | None = None
) -> PlayedRecord:
    samples = make_signal(request).samples
    beside = laid_side_by_side(
        samples, output, played_hz=request.rate_hz, record_hz=RATE_HZ, name="record"
    )
    record = TwoChannelRecord(RATE_HZ, beside.played, output[beside.inside], stimulus_at="emf")
    other = None if idle is None else idle[beside.inside]
    return PlayedRecord(record, request, beside.first, other)


def figures(
    *records: PlayedRecord,
    network: NetworkEstimate | None = None,
    input_v: float = 5e-3,
    full_scale_v: float | None = None,
    mains_hz: float | None = None,
    own_verdict: bool = False,
) -> dict[str, UnitFigure]:
    """The figures of records.

    Gain and polarity rest on the verdict on the record itself; the others take no more from a
    verdict than its band, which that on another record of the unit has as well.
    """
    through = network or known_exactly()
    if own_verdict:
        verdict = judge_unit(records[0].record, through, conditions=CONDITIONS)
    else:
        verdict = swept_verdict()
    reference = InputReference(input_v, full_scale_v, through)
    measured = unit_figures(records, reference, verdict, mains_hz=mains_hz)
    return {f.name: f for f in measured}


def output_of(request: SignalRequest, **options: float) -> np.ndarray:
    return unit_output(make_signal(request).samples, RATE_HZ, IDEAL, **options)


SWEEP = SignalRequest("sweep", seconds=6.0)
SWEPT = played_record(SWEEP, output_of(SWEEP)).record


@functools.cache
def swept_verdict() -> Verdict:
    return judge_unit(SWEPT, known_exactly(), conditions=CONDITIONS)


def unit_gain_db() -> float:
    """Gain at 1 kHz of what `unit_output` simulates behind the network: 20 dB and the unit's."""
    s = 2j * np.pi * 1000.0
    top, bottom = IDEAL.polynomials()
    return 20.0 + 20.0 * math.log10(abs(np.polyval(top, s) / np.polyval(bottom, s)))


def test_gain_and_polarity() -> None:
    measured = figures(played_record(SWEEP, -output_of(SWEEP, gain=0.5)), own_verdict=True)
    gain = measured["gain"]
    # Known to the noise alone; the curve's own bend within two octaves of 1 kHz is 0.
    assert gain.value == pytest.approx(unit_gain_db() - 6.0206, abs=gain.expanded_uncertainty)
    assert gain.expanded_uncertainty < 0.01
    assert measured["polarity"].value == -1.0


def test_gain_in_volts_beside_a_file_needs_its_full_scale() -> None:
    """A sine of full scale at 2 V rms has a peak of 2.83 V: as many volts a unit of the file."""
    volts = replace(played_record(SWEEP, 2.0 * math.sqrt(2.0) * output_of(SWEEP)),
                    output_in_volts=True)  # fmt: skip
    gain = figures(volts, full_scale_v=2.0, own_verdict=True)["gain"]
    assert gain.value == pytest.approx(unit_gain_db(), abs=gain.expanded_uncertainty)
    unknown = figures(volts)
    assert "gain" not in unknown and "polarity" in unknown
    assert "at full scale" in unmeasured_figures([volts], list(unknown.values()))[0]


def test_gain_is_no_surer_than_the_network() -> None:
    """Parts of 1 % and 2.5 %: the level at 1 kHz of drawn builds scatters by a tenth of a dB."""
    record = played_record(SWEEP, output_of(SWEEP))
    gain = figures(record, network=by_tolerance(), own_verdict=True)["gain"]
    assert 0.05 < gain.expanded_uncertainty < 0.5
    assert gain.own_uncertainty < 0.01


def test_noise_and_hum_re_a_stated_input() -> None:
    """White noise and hum of 60 Hz at the output, re the output at 5 mV."""
    hum = 2e-4
    output = output_of(SWEEP, noise=1e-4)
    time = np.arange(output.size) / RATE_HZ
    output = output + hum * np.sin(2 * np.pi * 60.0 * time)
    measured = figures(played_record(SWEEP, output), full_scale_v=1.0)
    # 5 mV at the input against the unit's gain, full scale of a sine being 1 V.
    at_output = 20 * math.log10(5e-3) + unit_gain_db()
    band = 10 * math.log10(1e-8 * (20e3 - 20.0) / 24e3 + hum**2 / 2.0)
    for name, power_db in (("noise", band), ("hum", 10 * math.log10(hum**2 / 2.0))):
        # full scale: a sine of 1 has a mean square of 1/2.
        expected = power_db - at_output + 10 * math.log10(2.0)
        figure = measured[name]
        assert figure.value == pytest.approx(expected, abs=1.5 * figure.expanded_uncertainty)
        assert figure.expanded_uncertainty < 1.0
    assert "5 mV" in measured["noise"].condition and "60 Hz" in measured["hum"].condition


def test_silence_is_heard_in_a_recorded_stimulus() -> None:
    """Noise of a converter, 80 dB below the peak, and its offset do not hide the silence."""
    output = output_of(SWEEP, noise=3e-4)
    clean = played_record(SWEEP, output)
    noise = np.random.default_rng(4).standard_normal(clean.record.volts.size)
    stimulus = clean.record.stimulus + 1e-4 * np.abs(clean.record.stimulus).max() * noise + 3e-4
    recorded = replace(clean, record=replace(clean.record, stimulus=stimulus))
    measured, expected = figures(recorded)["noise"], figures(clean)["noise"]
    assert measured.value == pytest.approx(expected.value, abs=expected.expanded_uncertainty)
    # Where it would make up more than a thirtieth of the output's power it may be signal.
    loud = clean.record.stimulus + 3e-3 * np.abs(clean.record.stimulus).max() * noise
    assert "noise" not in figures(replace(clean, record=replace(clean.record, stimulus=loud)))


def test_a_weighted_noise_by_the_table() -> None:
    """Tones of the third-octaves of IEC 61672-1:2013, table 3: each falls by what is printed."""
    with (DATA / "a_weighting_table.csv").open() as file:
        rows = {float(r["exact_hz"]): float(r["a_db"]) for r in csv.DictReader(file)}
    for hertz in (100.0, 1000.0, 10000.0):
        output = output_of(SWEEP, noise=1e-7)
        tone = 1e-2 * np.sin(2 * np.pi * hertz * np.arange(output.size) / RATE_HZ)
        measured = figures(played_record(SWEEP, output + tone))
        difference = measured["noise_a_weighted"].value - measured["noise"].value
        # Half of the last digit printed; a tone spreads over 4 Hz, where A changes by 0.01 dB;
        # the tone also moves the figure itself, which both share.
        assert difference == pytest.approx(rows[hertz], abs=0.06)


def test_without_silence_noise_is_not_measured() -> None:
    """The record begins and ends amid the noise that is played: a sentence says what to do."""
    request = SignalRequest("noise", seconds=2.0)
    whole = played_record(request, output_of(request))
    inside = slice(whole.run_first + 2000, whole.run_first + 90_000)
    record = TwoChannelRecord(
        RATE_HZ, whole.record.stimulus[inside], whole.record.volts[inside], stimulus_at="emf"
    )
    cut = PlayedRecord(record, request, whole.first + inside.start)
    measured = figures(cut)
    assert not {"noise", "noise_a_weighted", "hum"} & set(measured)
    (sentence,) = unmeasured_figures([cut], list(measured.values()))
    assert "no record holds 0.2 s of silence" in sentence
    assert unmeasured_figures([whole], list(figures(whole).values())) == ()


@pytest.mark.seldom
def test_no_hum_is_a_bound_and_intervals_hold() -> None:
    """Noise of twenty records: within its 95 % interval in 15 or more (binomial, 1 in 3000)."""
    inside = 0
    request = SignalRequest("sweep", seconds=1.0)
    expected = 10 * math.log10(1e-8 * (20e3 - 20.0) / 24e3) - unit_gain_db() + 10 * math.log10(2.0)
    bounded = 0
    for seed in range(20):
        record = played_record(request, output_of(request, noise=1e-4, seed=seed))
        # Behind a known network a stimulus of full scale is the reference: the network's level.
        level = InputReference(1.0, None, known_exactly()).network_db(1000.0, "emf")
        measured = figures(record)
        noise = measured["noise"]
        inside += abs(noise.value - (expected - level)) <= noise.expanded_uncertainty
        bounded += measured["hum"].bound == "at most"
        none_seen = "no line of the mains stands out" in measured["hum"].condition
        assert none_seen == (measured["hum"].bound == "at most")
    assert inside >= 15
    assert bounded >= 15


@pytest.mark.parametrize("noise", [1e-5, 3e-4])
def test_distortion_of_a_sweep(noise: float) -> None:
    """A square law a x^2 makes a second harmonic of a A/2 at every frequency."""
    output = output_of(SWEEP, noise=0.0)
    bent = output + 0.02 * (output**2 - np.mean(output**2))
    bent = bent + noise * np.random.default_rng(5).standard_normal(bent.size)
    distortion = figures(played_record(SWEEP, bent))["distortion"]
    inner = output[int(2 * RATE_HZ) : int(6 * RATE_HZ)]
    expected = 20 * math.log10(0.02 * np.abs(inner).max() / 2.0)
    # The output is flat to 0.05 dB; the largest of some twenty third octaves counts, which
    # the noise lifts by up to twice its uncertainty.
    reach = 0.3 + 2.0 * distortion.expanded_uncertainty
    assert distortion.value == pytest.approx(expected, abs=reach)
    assert distortion.expanded_uncertainty < 1.0


def test_a_clean_unit_has_a_bound() -> None:
    distortion = figures(played_record(SWEEP, output_of(SWEEP, noise=1e-5)))["distortion"]
    assert distortion.bound == "at most"
    assert distortion.value < -60.0


STEPS = SignalRequest(
    "sines",
    seconds=8.0,
    frequency_hz=(1000.0, 20000.0),
    level_db=tuple(float(v) for v in range(-30, 0)),
)


def test_overload_at_1_and_20_khz() -> None:
    """An output clipped at 0.05: where a sine of that amplitude stands, to half a step."""
    output = output_of(STEPS)
    # Clipped at eight times the rate, then filtered as a converter does.
    fine = np.clip(resample(output, 8 * output.size), -0.05, 0.05)
    noise = 1e-5 * np.random.default_rng(2).standard_normal(output.size)
    clipped = resample(fine, output.size) + noise
    measured = figures(played_record(STEPS, clipped))
    record = played_record(STEPS, output)
    reference = InputReference(5e-3, None, known_exactly())
    for name, hertz in (("overload_1khz", 1e3), ("overload_20khz", 20e3)):
        step = next(s for s in STEPS.steps if s.frequency_hz == hertz)
        inside = record.step_samples(first=step.first, last=step.last)
        middle = record.record.volts[inside][1000:-1000]  # past what rings of the step before
        reached = math.sqrt(2.0) * float(np.std(middle))
        onset = step.level_db + 20 * math.log10(0.05 / reached)
        # 1 % of harmonics stand 0.27 dB above the onset of clipping.
        expected = reference.input_db(onset + 0.27, frequency_hz=hertz, stimulus_at="emf")
        figure = measured[name]
        assert figure.bound == "" and figure.expanded_uncertainty == pytest.approx(0.5)
        assert figure.value == pytest.approx(expected, abs=0.5 + 0.1)
    # Below overload the unit is clean.
    assert measured["distortion"].value < -40.0


def test_a_unit_that_does_not_clip_has_a_bound() -> None:
    measured = figures(played_record(STEPS, output_of(STEPS, noise=1e-5)))
    assert measured["overload_1khz"].bound == "at least"


def test_one_per_cent_of_a_clipped_sine() -> None:
    """The lost gain that stands for 1 % of distortion where harmonics are not recorded."""
    phase = np.linspace(0.0, 2 * np.pi, 200_000, endpoint=False)
    for above_db in np.arange(0.2, 0.8, 0.01):
        sine = np.sin(phase)
        spectrum = np.abs(np.fft.rfft(np.clip(sine, None, 10 ** (-above_db / 20))
                                      .clip(-(10 ** (-above_db / 20)), None)))  # fmt: skip
        if math.sqrt(float(np.sum(spectrum[2:11] ** 2))) / spectrum[1] >= 0.01:
            break
    lost = -20 * math.log10(spectrum[1] / 100_000.0)
    assert above_db == pytest.approx(0.27, abs=0.02)
    assert lost == pytest.approx(0.056, abs=0.005)


def test_overload_needs_four_levels() -> None:
    step = StepDistortion(1000.0, -10.0, 0.1, 1e-4, 9, 0.0, 1e-9, converter_limited=False)
    assert overload([step] * 3, 1000.0) is None


def test_the_interfaces_own_limit_is_a_bound() -> None:
    """A converter that clips first says nothing of the unit but a lower bound."""
    output = np.clip(output_of(STEPS, noise=1e-5), -0.05, 0.05)
    assert figures(played_record(STEPS, output))["overload_1khz"].bound == "at least"


def test_crosstalk_into_an_idle_channel() -> None:
    """A hundredth at 1 kHz, a tenth at 10 kHz, by a capacitance; noise alone is a bound."""
    output = output_of(SWEEP)
    spectrum = np.fft.rfft(output)
    spectrum *= 1e-5 * np.fft.rfftfreq(output.size, 1 / RATE_HZ)
    idle = np.fft.irfft(spectrum, output.size)
    idle = idle + 1e-5 * np.random.default_rng(4).standard_normal(output.size)
    measured = figures(played_record(SWEEP, output, idle))
    # Over a third of an octave, weighted by the sweep's energy, the mean lies within 0.3 dB.
    assert measured["crosstalk_1khz"].value == pytest.approx(-40.0, abs=0.3)
    assert measured["crosstalk_10khz"].value == pytest.approx(-20.0, abs=0.3)
    quiet = 1e-4 * np.random.default_rng(6).standard_normal(output.size)
    assert figures(played_record(SWEEP, output, quiet))["crosstalk_1khz"].bound == "at most"
