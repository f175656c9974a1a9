"""judge with played files: figures, their limits, crosstalk and steps of level."""

from __future__ import annotations

import hashlib
import json
import math
import re
from pathlib import Path

import numpy as np
import pytest
from commands import invoke

from antecurve.files.design_file import design_json
from antecurve.files.played_signal import signal_wav
from antecurve.files.sound import sound_bytes
from antecurve.networks.compiled import transfer_coefficients
from antecurve.pipeline import Design
from antecurve.signals.request import SignalRequest
from antecurve.signals.signal import make_signal


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory, default_design: Design) -> Path:
    """A sweep and steps, played through the default network and an ideal unit of 40 dB."""
    folder = tmp_path_factory.mktemp("figures")
    (folder / "design.json").write_bytes(design_json(default_design))
    rng = np.random.default_rng(7)
    levels = tuple(float(v) for v in range(-40, 0, 2))
    for request in (
        SignalRequest("sweep", level_db=(-20.0,), seconds=5.0),
        SignalRequest("sines", level_db=levels, frequency_hz=(1000.0,), seconds=4.0),
    ):
        made = make_signal(request)
        (folder / f"{request.kind}.wav").write_bytes(signal_wav(made))
        output = through(np.pad(made.samples, 20_000), request.rate_hz, default_design)
        output = np.clip(0.5 * output, -0.2, 0.2)
        idle = 1e-3 * output + 1e-5 * rng.standard_normal(output.size)
        output = output + 1e-5 * rng.standard_normal(output.size)
        both = np.stack([output, idle], axis=1)
        record = sound_bytes(both, rate_hz=request.rate_hz)
        (folder / f"{request.kind}-record.wav").write_bytes(record)
    return folder


def through(samples: np.ndarray, rate: float, design: Design) -> np.ndarray:
    load = design.job.loading
    network = transfer_coefficients(
        design.network.topology,
        design.network.values,
        source_resistance=load.source_resistance,
        load_resistance=load.load_resistance,
        load_capacitance=load.load_capacitance,
    )
    size = 2 * samples.size
    s = 2j * np.pi * np.maximum(np.fft.rfftfreq(size, 1 / rate), 1e-3)
    # Playback of the disc curve, 0 dB at 1 kHz (IEC 60098:1987).
    unit, at = (
        (1 + x * 318e-6) / ((1 + x * 3180e-6) * (1 + x * 75e-6)) for x in (s, 2j * np.pi * 1e3)
    )
    response = 100.0 * network.response(s.imag / (2 * np.pi)) * unit / abs(at)
    return np.fft.irfft(np.fft.rfft(samples, size) * response, size)[: samples.size]


def test_figures_and_limits(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (bench / "limits.toml").write_text(
        "[limits]\ngain = { least = 33, most = 35 }\nnoise = -60\ncrosstalk_1khz = -50\n"
        "overload_1khz = 40\nbalance = 0.5\n"
    )
    words = (
        "judge", str(bench / "sweep-record.wav"), str(bench / "sines-record.wav"),
        "--design", str(bench / "design.json"), "--channel", "1", "--idle-channel", "2",
        "--stimulus", str(bench / "sweep.wav"), "--stimulus", str(bench / "sines.wav"),
        "--limits", str(bench / "limits.toml"), "--full-scale", "1 V",
    )  # fmt: skip
    told = invoke(capsys, *words, "--json")
    assert told.code == 1, told.err
    record = json.loads(told.out)
    figures = {f["name"]: f for f in record["figures"]}
    # 40 dB less the halving.
    assert figures["gain"]["value"] == pytest.approx(40.0 - 6.02, abs=0.1)
    assert figures["polarity"]["value"] == 1.0
    assert figures["crosstalk_1khz"]["value"] == pytest.approx(-60.0, abs=0.5)
    # The output clips at 0.2: a sine of 0.2/gain at the input, re 5 mV, 1 V rms at full scale.
    network_db = figures["gain"]["value"]
    clipping = 20 * math.log10(0.2 / 10 ** (network_db / 20) / 5e-3) + 0.27
    assert figures["overload_1khz"]["value"] == pytest.approx(clipping, abs=1.1)
    decided = {d["name"]: d["verdict"] for d in record["figure_decisions"]}
    assert decided["crosstalk_1khz"] == "pass"
    assert decided["gain"] == "undecided"  # what the input makes of a volt is not known
    assert decided["overload_1khz"] == "fail" and decided["balance"] == "undecided"
    assert record["verdict"] == "fail"
    assert record["findings"][0].startswith("beyond its limit: input at which it clips at 1 kHz")
    assert [c["signal"] for c in record["captures"]] == ["sweep", "sines"]
    folder = bench / "out"
    alone = (words[0], words[1], *words[3:11], *words[13:])  # the sweep
    shown = invoke(capsys, *alone, "-o", str(folder))
    assert "Gain at 1 kHz" in shown.out and "Noise, A-weighted" in shown.out
    assert "Figures beside the response" in (folder / "test-report.html").read_text()


def test_steps_alone_are_no_response(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    design = str(bench / "design.json")
    refused = invoke(
        capsys, "judge", str(bench / "sines-record.wav"), "--design", design, "--channel", "1",
        "--stimulus", str(bench / "sines.wav"),
    )  # fmt: skip
    assert refused.code == 2 and "add a capture that covers the band" in refused.err
    count = invoke(
        capsys, "judge", "a.wav", "b.wav", "c.wav", "--design", design,
        "--stimulus", "a.wav", "--stimulus", "b.wav",
    )  # fmt: skip
    assert count.code == 2 and "one for all captures, or 3" in count.err


def test_a_batch_has_figures_and_limits(
    bench: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A limit that no noise meets makes the verdict on the batch, dated by the day's date."""
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1780000000")
    units, limits = tmp_path / "units", tmp_path / "limits.toml"
    units.mkdir()
    (units / "one.wav").write_bytes((bench / "sweep-record.wav").read_bytes())
    limits.write_text("[limits]\nnoise = -150\n")
    batch = invoke(
        capsys, "judge", str(units), "--design", str(bench / "design.json"), "--channel", "1",
        "--stimulus", str(bench / "sweep.wav"), "--limits", str(limits), "--json",
    )  # fmt: skip
    (unit,) = json.loads(batch.out)["units"]
    assert batch.code == 1 and unit["verdict"]["verdict"] == "fail"
    assert unit["verdict"]["findings"][0].startswith("beyond its limit: noise")
    assert unit["verdict"]["date"] == "2026-05-28"  # by the standard library: that second, UTC
    assert "polarity" in {figure["name"] for figure in unit["verdict"]["figures"]}


def test_the_record_says_what_a_verdict_rests_on(
    bench: Path, default_design: Design, capsys: pytest.CaptureFixture[str]
) -> None:
    folder, design = bench / "record", bench / "design.json"
    words = (
        "judge", str(bench / "sweep-record.wav"), "--design", str(design), "--channel", "1",
        "--stimulus", str(bench / "sweep.wav"), "--serial", "A 17", "--date", "2026-02-03",
        "--operator", "bench two", "--network-serial", "N 3",
    )  # fmt: skip
    told = invoke(capsys, *words, "-o", str(folder), "--json")
    printed, written = json.loads(told.out), json.loads((folder / "verdict.json").read_text())
    assert printed == written
    assert (written["serial"], written["date"]) == ("A 17", "2026-02-03")
    assert (written["operator"], written["network_serial"]) == ("bench two", "N 3")
    assert written["design"]["form"] == default_design.picked.topology.form
    # By the standard library's own digest.
    assert written["design"]["digest"] == hashlib.sha256(design.read_bytes()).hexdigest()
    (capture,) = written["captures"]
    record = (bench / "sweep-record.wav").read_bytes()
    assert capture["sha256"] == hashlib.sha256(record).hexdigest()
    played = hashlib.sha256((bench / "sweep.wav").read_bytes()).hexdigest()
    assert capture["played"] == {"name": "sweep.wav", "sha256": played}
    assert capture["signal"] == "sweep" and written["software"].startswith("antecurve ")


def test_useless_captures_are_no_result(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Each ends with code 2 and one sentence, and nothing is written."""
    from scipy.io import wavfile

    design, sweep = str(bench / "design.json"), str(bench / "sweep.wav")
    rate, both = wavfile.read(bench / "sweep-record.wav")
    output = both[:, 0] / 2.0**31
    records = {
        "clipped.wav": (np.clip(40.0 * output, -1.0, 1.0), "a clipped record"),
        "short.wav": (output[: output.size // 2], "ends before the second cue"),
        "silent.wav": (np.zeros(output.size), "silence"),
        "gap.wav": (np.delete(output, slice(100_000, 110_000)), "an interrupted record"),
    }
    for name, (samples, message) in records.items():
        (bench / name).write_bytes(sound_bytes(samples, rate_hz=rate))
        told = invoke(
            capsys, "judge", str(bench / name), "--design", design, "--stimulus", sweep,
            "-o", str(bench / "none"),
        )  # fmt: skip
        assert told.code == 2 and message in told.err, told.err
        assert len(told.err.strip().splitlines()) == 1 and not (bench / "none").exists()
    pairs = {
        "equal.wav": (np.stack([output, output], axis=1), ("1",), "hold the same signal"),
        "mono.wav": (output, ("2",), "channels of .*: 1"),
    }  # fmt: skip
    for name, (samples, words, message) in pairs.items():
        (bench / name).write_bytes(sound_bytes(samples, rate_hz=rate))
        told = invoke(capsys, "judge", str(bench / name), "--design", design, "--stimulus", *words)
        assert told.code == 2 and re.search(message, told.err), (name, told.err)


def test_captures_of_two_units_are_no_result(
    bench: Path, default_design: Design, capsys: pytest.CaptureFixture[str]
) -> None:
    """A sweep of one unit beside a sweep of another whose treble is wrong, both surely seen."""
    samples = np.array([20.0 * 10 ** (k / 10.0) for k in range(31)])
    s = 2j * np.pi * samples
    for name, treble in (("one.csv", 75e-6), ("two.csv", 120e-6)):
        load = default_design.job.loading
        network = transfer_coefficients(
            default_design.network.topology,
            default_design.network.values,
            source_resistance=load.source_resistance,
            load_resistance=load.load_resistance,
            load_capacitance=load.load_capacitance,
        )
        unit = (1 + s * 318e-6) / ((1 + s * 3180e-6) * (1 + s * treble))
        level = 20 * np.log10(np.abs(network.response(samples) * unit))
        level = level + 0.01 * np.random.default_rng(8).standard_normal(31)
        rows = "\n".join(f"{f:.4f},{v:.4f}" for f, v in zip(samples, level, strict=True))
        (bench / name).write_text(f"frequency_hz,level_db\n{rows}\n")
    told = invoke(
        capsys, "judge", str(bench / "one.csv"), str(bench / "two.csv"),
        "--design", str(bench / "design.json"),
    )  # fmt: skip
    assert told.code == 2, told.out
    assert "no result: " in told.err and "one unit" in told.err
