"""Records that can not be judged: each is refused in one sentence, with exit code 2."""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest
from commands import invoke
from playback_units import Unit
from scipy.interpolate import CubicSpline
from scipy.signal import resample
from two_channel_records import RATE_HZ, through, white_noise

from antecurve.files.design_file import read_design
from antecurve.files.sound import sound_bytes
from antecurve.networks.compiled import transfer_coefficients

PINNED = Path(__file__).parents[1] / "golden" / "pinned" / "plain" / "design.json"
SAMPLES = 60_000
MIDST = np.arange(SAMPLES) > SAMPLES // 2

GAP = slice(30_000, 32_000)

SENTENCES = {
    "one channel": "record.wav: received 'one channel where two are needed'",
    "equal channels": "record.wav: received 'two channels that hold the same signal'",
    "silent output": "record.wav: output: received 'silence'; check the leads",
    "silent stimulus": "record.wav: stimulus: received 'silence'; check the leads",
    "swapped": "fits only the other way round'; name the other channel as stimulus",
    "a low rate": "sampling rate: received '32 kHz'; too low for a band up to 20 kHz",
    "a clipped output": "output: received 'a clipped record, flat at 0.35 for ",
    "a clipped input": "stimulus: received 'a clipped record, flat at 0.4",
    "clocks far apart": "no frequency at which the output follows the stimulus'; check channels",
    "clocks that drift": "clocks that drift: the delay goes to and fro by 1.8 µs'; play and",
    "samples lost": "received 'an interrupted record: the output jumps",
    "zeros for samples": "received 'a dropout of 0.021 s at 0.31 s'; close other programs",
    "a lead that falls out": "an interrupted record: from about 0.31 s on it does not follow",
    "another signal": "check channels, leads and levels, and that one clock plays and records",
}
"""What is said of each.  Of 0.3 samples to and fro 2.2 µs are the root mean square, and 1.8 µs
without the stretch that is farthest off."""


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, np.ndarray, np.ndarray]:
    """A folder with a design; the generator's EMF and the unit's output of white noise."""
    folder = tmp_path_factory.mktemp("bad")
    shutil.copyfile(PINNED, folder / "design.json")
    design = read_design(folder / "design.json")
    load = design.job.loading
    network = transfer_coefficients(
        design.network.topology,
        design.network.values,
        source_resistance=load.source_resistance,
        load_resistance=load.load_resistance,
        load_capacitance=load.load_capacitance,
    )
    above, below = Unit(low_corner_hz=2.0).polynomials()

    def bench_response(frequency: np.ndarray) -> np.ndarray:
        s = 2j * np.pi * frequency
        return network.response(frequency) * np.polyval(above, s) / np.polyval(below, s)

    rng = np.random.default_rng(1)
    stimulus = white_noise(np.arange(SAMPLES) / RATE_HZ, rng)
    output = through(stimulus, bench_response, 1e-3)
    stimulus, output = (0.5 * x / np.abs(x).max() for x in (stimulus, output))
    return folder, stimulus, output + 3e-4 * rng.standard_normal(SAMPLES)


def at_places(samples: np.ndarray, places: np.ndarray) -> np.ndarray:
    """Samples between samples, by the trigonometric polynomial eight times as dense."""
    dense = CubicSpline(np.arange(8 * SAMPLES) / 8.0, resample(samples, 8 * SAMPLES))
    return dense(np.clip(places, 0, SAMPLES - 1))


def damaged(kind: str, stimulus: np.ndarray, output: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    places = np.arange(float(SAMPLES))
    if kind == "clocks far apart":
        return stimulus, at_places(output, 1.004 * places)
    if kind == "clocks that drift":
        return stimulus, at_places(output, places + 0.3 * np.sin(4 * np.pi * places / SAMPLES))
    return {
        "equal channels": (stimulus, 0.5 * stimulus),
        "silent output": (stimulus, 0.0 * output),
        "silent stimulus": (0.0 * stimulus, output),
        "swapped": (output, stimulus),
        "a low rate": (stimulus, output),
        "a clipped output": (stimulus, np.clip(output, -0.35, 0.35)),
        "a clipped input": (np.clip(stimulus, -0.4, 0.4), output),
        "samples lost": (np.delete(stimulus, GAP), np.delete(output, GAP)),
        "zeros for samples": _without(stimulus, output),
        "a lead that falls out": (stimulus, np.where(MIDST, 1e-4 * stimulus[::-1], output)),
        "another signal": (stimulus[::-1], output),
    }[kind]


def _without(stimulus: np.ndarray, output: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    kept = np.ones(SAMPLES)
    kept[GAP] = 0.0
    return kept * stimulus, kept * output


@pytest.mark.sweep(6)
@pytest.mark.parametrize("kind", SENTENCES)
def test_a_bad_record_is_refused_in_a_sentence(
    kind: str,
    bench: tuple[Path, np.ndarray, np.ndarray],
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """One line on standard error; no folder is begun, and the record stays as it was."""
    folder, stimulus, output = bench
    monkeypatch.chdir(folder)
    columns = stimulus if kind == "one channel" else np.stack(
        damaged(kind, stimulus, output), axis=1
    )  # fmt: skip
    written = sound_bytes(columns, rate_hz=32e3 if kind == "a low rate" else RATE_HZ)
    Path("record.wav").write_bytes(written)
    told = invoke(
        capsys, "judge", "record.wav", "--design", "design.json", "--stimulus", "1",
        "--stimulus-at", "emf", "-o", "verdict",
    )  # fmt: skip
    assert told.code == 2 and told.out == ""
    assert SENTENCES[kind] in told.err and told.err.count("\n") == 1
    assert Path("record.wav").read_bytes() == written and not Path("verdict").exists()
