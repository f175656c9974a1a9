"""Records of which samples were lost, without a cue that tells.

The thresholds of `antecurve.judge.interruption` were set on other draws than these.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from playback_units import CONDITIONS, Unit, known_exactly
from scipy.signal import cheby1, ellip, freqs
from two_channel_records import RATE_HZ, SIGNALS, two_channel_record

from antecurve.errors import InputError
from antecurve.files.recordings import ReadingOptions, read_recording
from antecurve.judge.capture import ObservationSettings
from antecurve.judge.sweep_phase import refuse_unlike_phase
from antecurve.judge.two_channel import TwoChannelRecord

SETTINGS = ObservationSettings(50e3, CONDITIONS.curve, known_exactly())
LOST = 480  # samples of 96 kHz: 5 ms


@pytest.mark.sweep(1)
@pytest.mark.parametrize("signal", ["white noise", "pink noise", "music"])
def test_samples_lost_on_one_channel_are_told(signal: str) -> None:
    record = two_channel_record(Unit(), np.random.default_rng(74), signal=signal, seconds=2.0)
    at = record.volts.size // 2
    volts = np.concatenate([np.delete(record.volts, slice(at, at + LOST)), np.zeros(LOST)])
    lost = TwoChannelRecord(RATE_HZ, record.stimulus, volts, stimulus_at="emf", name="lost")
    with pytest.raises(InputError, match=r"interrupted record: \+5 ms are missing"):
        lost.observation(SETTINGS)


@pytest.fixture(scope="module", params=["log sweep", "sine steps"])
def sweep(request: pytest.FixtureRequest) -> TwoChannelRecord:
    return two_channel_record(
        Unit(), np.random.default_rng(71), signal=request.param, quiet_s=0.2, noise_db=-50.0
    )


def sweep_time_s(signal: str, frequency_hz: float) -> float:
    """When a sweep of two seconds, after 0.2 s, reaches a frequency, by its definition."""
    if signal == "log sweep":
        return 0.2 + 2.0 * np.log(frequency_hz / 10.0) / np.log(4000.0)
    return 0.2 + 2.0 * 6.0 * np.log2(frequency_hz / 15.0) / 68.0


@pytest.mark.sweep(4)
@pytest.mark.parametrize(
    ("frequency_hz", "lost"),
    [(30, 480), (60, 48), (120, 4800), (1e3, 480), (8e3, 48)],
)
def test_samples_that_a_sweep_lost_are_told(
    sweep: TwoChannelRecord, frequency_hz: float, lost: int
) -> None:
    """Half a millisecond to 50 ms are lost on one channel when the sweep is at a frequency."""
    at = round(sweep_time_s(sweep.name, frequency_hz) * RATE_HZ)
    volts = np.delete(sweep.volts, slice(at, at + lost))
    volts = np.concatenate([volts, 1e-4 * np.random.default_rng(1).standard_normal(lost)])
    gap = TwoChannelRecord(RATE_HZ, sweep.stimulus, volts, stimulus_at="emf", name="lost")
    with pytest.raises(InputError, match="an interrupted record: "):
        gap.observation(SETTINGS)


def test_a_jump_amid_steps_is_told() -> None:
    """A fifth of a millisecond lost turns 60 Hz by 4 degrees; its click stands in other bands."""
    record = two_channel_record(
        Unit(), np.random.default_rng(5), signal="sine steps", quiet_s=0.2, noise_db=-60.0
    )
    at = round(sweep_time_s("sine steps", 60.0) * RATE_HZ) + 192
    volts = np.append(np.delete(record.volts, slice(at, at + 20)), np.zeros(20))
    gap = TwoChannelRecord(RATE_HZ, record.stimulus, volts, stimulus_at="emf", name="lost")
    with pytest.raises(InputError, match="an interrupted record: the output jumps"):
        gap.observation(SETTINGS)


@pytest.mark.parametrize(("frequency_hz", "lost"), [(30, 20), (30, 48)])
def test_a_short_gap_below_40_hz_is_told(frequency_hz: float, lost: int) -> None:
    """A fifth and a half of a millisecond turn the phase by 2 and 5 degrees: a click tells.

    At the crest of the sine there would be none.
    """
    record = two_channel_record(
        Unit(), np.random.default_rng(75), signal="log sweep", quiet_s=0.2, noise_db=-70.0
    )
    at = round(sweep_time_s("log sweep", frequency_hz) * RATE_HZ) + 101
    volts = np.append(np.delete(record.volts, slice(at, at + lost)), np.zeros(lost))
    gap = TwoChannelRecord(RATE_HZ, record.stimulus, volts, stimulus_at="emf", name="lost")
    with pytest.raises(InputError, match="an interrupted record: "):
        gap.observation(SETTINGS)


@pytest.mark.sweep(2)
@pytest.mark.parametrize("frequency_hz", [250, 3.1e3, 12.3e3])
def test_samples_that_both_channels_lost_are_told(
    sweep: TwoChannelRecord, frequency_hz: float
) -> None:
    """5 ms, no whole number of periods, are missing: both jump, the output by another step."""
    at = round(sweep_time_s(sweep.name, frequency_hz) * RATE_HZ)
    stimulus, volts = (np.delete(x, slice(at, at + LOST)) for x in (sweep.stimulus, sweep.volts))
    gap = TwoChannelRecord(RATE_HZ, stimulus, volts, stimulus_at="emf", name="lost")
    with pytest.raises(InputError, match="an interrupted record: "):
        gap.observation(SETTINGS)


@pytest.mark.sweep(1)
@pytest.mark.parametrize("signal", ["multitone", "music", "pink noise"])
def test_what_both_channels_of_any_signal_lost_is_told(signal: str) -> None:
    """The unit still rings from what is missing: of a multitone that is no noise, but a line."""
    record = two_channel_record(Unit(), np.random.default_rng(76), signal=signal)
    at = record.volts.size // 2
    stimulus, volts = (np.delete(x, slice(at, at + LOST)) for x in (record.stimulus, record.volts))
    gap = TwoChannelRecord(RATE_HZ, stimulus, volts, stimulus_at="emf", name="lost")
    with pytest.raises(InputError, match="an interrupted record: the output jumps"):
        gap.observation(SETTINGS)


@pytest.mark.sweep(1)
@pytest.mark.parametrize(("signal", "runs"), [("log sweep", 3), ("sine steps", 2)])
def test_samples_lost_in_the_last_run_are_told(
    signal: str, runs: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As a whole several sweeps are no sweep; most of the record is right."""
    once = SIGNALS[signal]
    monkeypatch.setitem(
        SIGNALS, "runs", lambda time, rng: np.tile(once(time[: time.size // runs], rng), runs)
    )
    record = two_channel_record(
        Unit(), np.random.default_rng(77), signal="runs", seconds=4.0, quiet_s=0.3
    )
    at = round(0.88 * record.volts.size)
    volts = np.append(np.delete(record.volts, slice(at, at + LOST)), np.zeros(LOST))
    assert record.observation(SETTINGS).estimate.ratio.size > 20
    gap = TwoChannelRecord(RATE_HZ, record.stimulus, volts, stimulus_at="emf", name="lost")
    with pytest.raises(InputError, match="an interrupted record: "):
        gap.observation(SETTINGS)


@pytest.mark.sweep(1)
@pytest.mark.parametrize(
    ("unit", "signal"),
    [
        (Unit(low_corner_hz=250.0, low_order=2), "sine steps"),
        (Unit(high_corner_hz=3000.0), "log sweep"),
        (Unit(turnover_s=1e-3), "sine steps"),
    ],
)
def test_odd_units_are_not_called_interrupted(signal: str, unit: Unit) -> None:
    record = two_channel_record(
        unit, np.random.default_rng(72), signal=signal, quiet_s=0.2, noise_db=-30.0
    )
    assert record.observation(SETTINGS).estimate.ratio.size > 20


@pytest.mark.sweep(3)
@pytest.mark.parametrize("signal", SIGNALS)
def test_whole_records_are_not_called_interrupted(signal: str) -> None:
    quiet_s = 0.2 if signal in ("log sweep", "sine steps") else 0.0
    rng = np.random.default_rng(73)
    record = two_channel_record(
        Unit(), rng, signal=signal, seconds=2.0, noise_db=-30.0, quiet_s=quiet_s
    )
    assert record.observation(SETTINGS).estimate.ratio.size > 20


def test_zeros_amid_a_sound_are_told(tmp_path: Path) -> None:
    record = two_channel_record(Unit(), np.random.default_rng(7), signal="pink noise", seconds=1.0)
    volts = record.volts.copy()
    volts[50_000:52_000] = 0.0
    file = tmp_path / "unit.wav"
    soundfile.write(file, np.stack([record.stimulus, volts], axis=1), int(RATE_HZ), "PCM_24")
    with pytest.raises(InputError, match=r"a dropout of 0\.021 s at 0\.52 s"):
        read_recording(file, ReadingOptions(2, 1))


def test_one_channel_where_two_are_needed(tmp_path: Path) -> None:
    file = tmp_path / "one.wav"
    soundfile.write(file, np.random.default_rng(8).uniform(-0.5, 0.5, 48_000), 48_000)
    with pytest.raises(InputError, match="one channel where two are needed"):
        read_recording(file, ReadingOptions(stimulus=1))


BANDS_HZ = np.geomspace(12.0, 30e3, 130)
S = 2j * np.pi * BANDS_HZ


def low_pass(corner_hz: float, quality: float) -> np.ndarray:
    corner = 2 * np.pi * corner_hz
    return 1.0 / (1.0 + S / (quality * corner) + (S / corner) ** 2)


@pytest.mark.parametrize(
    "response",
    [
        (S / (S + 2 * np.pi * 20)) ** 3,
        low_pass(15.0, 4.0) * (S / (2 * np.pi * 15.0)) ** 2,
        low_pass(20e3, 5.0),
        freqs(*cheby1(6, 0.1, 2 * np.pi * 22e3, analog=True), worN=2 * np.pi * BANDS_HZ)[1],
        freqs(*ellip(8, 0.05, 60, 2 * np.pi * 31e3, analog=True), worN=2 * np.pi * BANDS_HZ)[1],
        -(1.0 + S / (2 * np.pi * 20e3)) * np.exp(-1e-4 * S),
    ],
    ids=["three corners", "Q 4, 15 Hz", "Q 5, 20 kHz", "sixth order", "converter", "zero, late"],
)
@pytest.mark.parametrize("variance", [1e-4, 1e-6])
def test_phases_of_units_go_with_their_levels(response: np.ndarray, variance: float) -> None:
    """Of networks without right-hand zeros (Bode 1945); high orders are scipy.signal's."""
    refuse_unlike_phase(BANDS_HZ, response, np.full(BANDS_HZ.size, variance), name="sweep")


@pytest.mark.parametrize("samples", [1.0, 3.0])
@pytest.mark.parametrize("turns", [1, 2, 5, 10])
@pytest.mark.parametrize("start", [0.0, 0.25])
def test_a_sweep_by_clocks_that_drift_is_told(samples: float, turns: int, start: float) -> None:
    """A delay that goes to and fro over a sweep leaves the level as it is."""
    along = np.log(BANDS_HZ / BANDS_HZ[0]) / np.log(2500.0)
    course = np.sin(2 * np.pi * (turns * along + start))
    drifted = low_pass(60e3, 0.7) * np.exp(-S * (samples / RATE_HZ * course + 1e-5 * along))
    with pytest.raises(InputError, match="the phase of the sweep does not go with its level"):
        refuse_unlike_phase(BANDS_HZ, drifted, np.full(BANDS_HZ.size, 1e-5), name="sweep")
