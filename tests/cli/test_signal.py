"""The command signal, and judge with the file that was played."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from commands import invoke
from scipy.io import wavfile


@pytest.mark.parametrize("kind", ["square", "sines", "sweep", "multitone", "noise"])
def test_each_kind_is_written(
    kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "signal.wav"
    told = invoke(capsys, "signal", kind, "-o", str(file), "--seconds", "4", "--level", "-20")
    assert told.code == 0, told.err
    assert "Peak -20 dB" in told.out and "destroy tweeters" in told.out
    assert ("in 20.6 µs and ripples" in told.out) == (kind == "square")
    rate, samples = wavfile.read(file)
    assert rate == 48_000 and samples.dtype == "int32"
    assert soundfile.info(file).duration == pytest.approx(6.2, abs=0.01)


def test_json_and_refusals(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = str(tmp_path / "steps.wav")
    words = ("signal", "sines", "-o", file, "--frequency", "1 kHz", "--level", "-30:-20:5")
    record = json.loads(invoke(capsys, *words, "--json").out)
    assert record["level_db"] == [-30.0, -25.0, -20.0] and record["frequency_hz"] == [1000.0]
    listed = (*words[:-1], "-20", "--level", "-30", "--level", "-25", "--json", "--force")
    assert json.loads(invoke(capsys, *listed).out) == record
    assert invoke(capsys, *words).err.count("exists already") == 1
    assert invoke(capsys, *words, "--force").code == 0
    for more, message in (
        (("signal", "square", "-o", "a.mp3"), "ends in .wav"),
        (("signal", "sines", "-o", "a.wav", "--level", "-3:-9:1"), "LOW:HIGH:STEP"),
        (("signal", "sines", "-o", "a.wav", "--level", "-9", "--level", "-9"), "must ascend"),
        (("signal", "sweep", "-o", "a.wav", "--level", "-9", "--level", "-3"), "only sines"),
        (
            ("signal", "sines", "-o", "a.wav", "--seconds", "3"),
            "received '3 s'; 31 steps need 3.1 s",
        ),
        (("signal", "sweep", "-o", "a.wav", "--frequency", "1k"), "received '1000 Hz'"),
        (
            ("signal", "sines", "-o", "a.wav", "--band", "20", "20k"),
            "'20 Hz, 20000 Hz'; sines take",
        ),
        (("signal", "hiss", "-o", "a.wav"), "use one of"),
    ):
        refused = invoke(capsys, *more)
        assert refused.code == 2 and message in refused.err
        assert len(refused.err.strip().splitlines()) == 1


def test_a_square_wave_that_does_not_fit_its_run_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ("signal", "square", "-o", str(tmp_path / "a.wav"), "--seconds", "1", "--frequency")
    told = invoke(capsys, *words, "7.3 Hz")
    assert "Frequency 7 Hz, not 7.3 Hz: a run holds whole periods." in told.out
    assert "Frequency 7 Hz.\n" in invoke(capsys, *words, "7 Hz", "--force").out


def test_a_multitone_says_the_tones_it_has(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Its ends are the outermost lines of the file's own spectrum."""
    file = tmp_path / "tones.wav"
    words = ("signal", "multitone", "-o", str(file), "--rate", "44.1k", "--no-cue", "--force")
    told = invoke(capsys, *words, "--seconds", "1")
    rate, samples = wavfile.read(file)
    run = samples[rate // 2 :][:rate].astype(float)  # behind half a second of silence
    level = np.abs(np.fft.rfft(run))  # whole periods in a second: a line each hertz
    lines = np.flatnonzero(level > level.max() / 300.0)
    assert f"{lines.size} tones from 10 Hz to {lines[-1] / 1e3:.2f} kHz." in told.out
    record = json.loads(invoke(capsys, *words, "--seconds", "1", "--json").out)
    assert record["band_hz"] == pytest.approx([lines[0], lines[-1]])
