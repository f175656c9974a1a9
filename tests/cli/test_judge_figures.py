"""judge with played files: figures, their limits, crosstalk and steps of level."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from commands import invoke

from antecurve.files.design_file import design_json
from antecurve.files.sound import sound_bytes
from antecurve.networks.compiled import transfer_coefficients
from antecurve.pipeline import Design


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory, default_design: Design) -> Path:
    """A sweep and steps, played through the default network and an ideal unit of 40 dB."""
    folder = tmp_path_factory.mktemp("figures")
    (folder / "design.json").write_bytes(design_json(default_design))
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


def test_figures_and_limits(
    bench: Path, default_design: Design, capsys: pytest.CaptureFixture[str]
) -> None:
    from scipy.io import wavfile

    rng = np.random.default_rng(7)
    levels = ("--frequency", "1 kHz", "--level", "-40:-2:2", "--seconds", "4")
    for kind, more in (("sweep", ("--level", "-20", "--seconds", "5")), ("sines", levels)):
        done = invoke(capsys, "signal", kind, "-o", str(bench / f"{kind}.wav"), *more)
        assert done.code == 0, done.err
        rate, samples = wavfile.read(bench / f"{kind}.wav")
        output = through(np.pad(samples / 2.0**31, 20_000), rate, default_design)
        output = np.clip(0.5 * output, -0.2, 0.2)
        idle = 1e-3 * output + 1e-5 * rng.standard_normal(output.size)
        output = output + 1e-5 * rng.standard_normal(output.size)
        both = np.stack([output, idle], axis=1)
        (bench / f"{kind}-record.wav").write_bytes(sound_bytes(both, rate_hz=rate))
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
    assert decided["gain"] == decided["crosstalk_1khz"] == "pass"
    assert decided["overload_1khz"] == "fail" and decided["balance"] == "undecided"
    assert record["verdict"] == "fail"
    assert record["findings"][0].startswith("beyond its limit: input at which it clips at 1 kHz")
    assert [c["signal"] for c in record["captures"]] == ["sweep", "sines"]
    folder = bench / "out"
    shown = invoke(capsys, *words, "-o", str(folder))
    assert "gain at 1 kHz" in shown.out and "noise, A-weighted" in shown.out
    assert "Figures beside the response" in (folder / "ship.html").read_text()


def test_steps_alone_are_no_response(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    design = str(bench / "design.json")
    refused = invoke(
        capsys, "judge", str(bench / "sines-record.wav"), "--design", design, "--channel", "1",
        "--stimulus", str(bench / "sines.wav"),
    )  # fmt: skip
    assert refused.code == 2 and "add a capture that reaches over the band" in refused.err
    count = invoke(
        capsys, "judge", "a.wav", "b.wav", "c.wav", "--design", design,
        "--stimulus", "a.wav", "--stimulus", "b.wav",
    )  # fmt: skip
    assert count.code == 2 and "one for all captures, or 3" in count.err
