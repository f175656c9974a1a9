"""A record of the unit's output alone and the file that was played: verdicts, and bad records."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from playback_units import CONDITIONS, Unit, known_exactly
from played_signals import unit_output
from scipy.interpolate import CubicSpline
from scipy.signal import resample

from antecurve.errors import InputError
from antecurve.files.played_signal import read_played_signal, signal_wav
from antecurve.files.recordings import ReadingOptions, read_recording
from antecurve.files.sound import sound_bytes
from antecurve.judge.verdicts import judge_unit
from antecurve.signals.request import KINDS, SignalRequest
from antecurve.signals.signal import make_signal

UNIT = Unit(treble_s=78e-6, low_corner_hz=2.0)


def played(folder: Path, request: SignalRequest) -> tuple[Path, np.ndarray]:
    made = make_signal(request)
    (folder / "played.wav").write_bytes(signal_wav(made))
    return folder / "played.wav", made.samples


def record(folder: Path, output: np.ndarray, rate_hz: float) -> Path:
    (folder / "record.wav").write_bytes(sound_bytes(output, rate_hz=rate_hz))
    return folder / "record.wav"


@pytest.mark.sweep(1)
@pytest.mark.parametrize("kind", KINDS)
def test_the_unit_is_judged_by_each_kind(kind: str, tmp_path: Path) -> None:
    """The treble's time constant, 4 % off, within its interval; the record begins by itself."""
    file, samples = played(tmp_path, SignalRequest(kind, seconds=4.0))
    path = record(tmp_path, unit_output(samples, 48e3, UNIT), 48e3)
    reading = read_recording(path, ReadingOptions(played=file))
    assert reading.signal == kind
    assert "played.wav played from 700 ms" in reading.understood
    assert "clocks that differ by" not in reading.understood
    verdict = judge_unit(reading.capture, known_exactly(), conditions=CONDITIONS)
    fitted = verdict.value("treble_s")
    # The interval holds in 95 of 100 records; twice its width in all but one of 10,000.
    assert fitted.value == pytest.approx(78e-6, abs=fitted.high - fitted.low)
    assert fitted.high - fitted.low < 4e-6
    assert verdict.overlay is not None and verdict.overlay.polarity == 1


@pytest.mark.seldom
def test_another_sampling_rate(tmp_path: Path) -> None:
    """The file at 48 kHz, its record at 96 kHz as an interface may be set."""
    file, samples = played(tmp_path, SignalRequest("noise", seconds=2.0))
    size = 2 * samples.size
    spectrum = np.fft.rfft(samples)
    twice = 2.0 * np.fft.irfft(np.pad(spectrum, (0, size // 2 + 1 - spectrum.size)), size)
    path = record(tmp_path, unit_output(twice, 96e3, UNIT), 96e3)
    reading = read_recording(path, ReadingOptions(played=file))
    verdict = judge_unit(reading.capture, known_exactly(), conditions=CONDITIONS)
    assert verdict.value("treble_s").value == pytest.approx(78e-6, rel=0.01)


def test_the_cue_decides_where_the_signal_repeats(tmp_path: Path) -> None:
    """A square wave of many periods is like itself at each; the cue tells which is the first."""
    file, samples = played(tmp_path, SignalRequest("square", seconds=2.0))
    for start, told in ((0.1, "100 ms"), (1.2345, "1.23")):
        path = record(tmp_path, unit_output(samples, 48e3, Unit(), before_s=start), 48e3)
        reading = read_recording(path, ReadingOptions(played=file))
        assert f"from {told}" in reading.understood


def test_a_file_without_a_cue_is_aligned_by_its_sound(tmp_path: Path) -> None:
    file, samples = played(tmp_path, SignalRequest("noise", seconds=3.0, cue=False))
    path = record(tmp_path, unit_output(samples, 48e3, Unit(), before_s=0.25), 48e3)
    understood = read_recording(path, ReadingOptions(played=file)).understood
    assert "from 250 ms" in understood
    assert "without a cue: one clock must have played and recorded it" in understood


@pytest.mark.sweep(1)
@pytest.mark.parametrize(("kind", "clock"), [("sweep", -1e-4), ("sweep", 2e-6), ("square", -1e-4)])
def test_a_signal_recorded_by_another_clock_is_judged(
    kind: str, clock: float, tmp_path: Path
) -> None:
    """The record at times stretched by its trigonometric polynomial, four times as dense."""
    file, samples = played(tmp_path, SignalRequest(kind, seconds=4.0))
    output = unit_output(samples, 48e3, UNIT, noise=0.0)
    dense = CubicSpline(np.arange(8 * output.size) / 8.0, resample(output, 8 * output.size))
    stretched = dense(np.minimum(np.arange(output.size) * (1.0 + clock), output.size - 1))
    stretched += 1e-4 * np.random.default_rng(1).standard_normal(output.size)
    reading = read_recording(record(tmp_path, stretched, 48e3), ReadingOptions(played=file))
    assert "clocks that differ by" in reading.understood
    verdict = judge_unit(reading.capture, known_exactly(), conditions=CONDITIONS)
    fitted = verdict.value("treble_s")
    # As in the test of each kind above.
    assert fitted.value == pytest.approx(78e-6, abs=fitted.high - fitted.low)
    assert fitted.high - fitted.low < 1e-6


def test_bad_records_get_a_sentence(tmp_path: Path) -> None:
    file, samples = played(tmp_path, SignalRequest("noise", seconds=3.0))
    output = unit_output(samples, 48e3, Unit())
    cases = {
        "ends before the second cue": output[: output.size // 2],
        "does not hold the cue": np.random.default_rng(3).standard_normal(output.size) * 0.1,
        "an interrupted record": np.delete(output, slice(100_000, 104_800)),
    }
    for message, samples in cases.items():
        path = record(tmp_path, samples, 48e3)
        with pytest.raises(InputError, match=message):
            read_recording(path, ReadingOptions(played=file))
    stereo = np.stack([output, -output], axis=1)
    (tmp_path / "stereo.wav").write_bytes(sound_bytes(stereo, rate_hz=48e3))
    with pytest.raises(InputError, match="channels that differ"):
        read_played_signal(tmp_path / "stereo.wav")


def test_a_file_says_what_it_was_made_from(tmp_path: Path) -> None:
    request = SignalRequest("sines", level_db=(-30.0, -20.0), frequency_hz=(1000.0,), seconds=1.0)
    file, samples = played(tmp_path, request)
    back = read_played_signal(file)
    assert back.request == request
    # Half a step of 32 bits.
    assert np.allclose(back.samples, samples, rtol=0.0, atol=2.0**-31)
