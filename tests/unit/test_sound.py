"""Steps of a measurement with a loopback in place of a sound interface."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable, Generator
from contextlib import nullcontext
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from loopback import RATE_HZ, Loopback
from numpy.typing import NDArray
from scipy.signal import lfilter

from antecurve.cli.main import _ending
from antecurve.errors import DropoutError, InputError
from antecurve.files.measured_unit import MeasurementPlan, measure_unit
from antecurve.files.measurement import MeasurementFolder
from antecurve.files.sound import read_sound
from antecurve.signals.request import SignalRequest
from antecurve.signals.signal import make_signal
from antecurve.sound import portaudio
from antecurve.sound.bench import Bench, take_resistances
from antecurve.sound.ramp import ramp_levels, ramped_level
from antecurve.sound.resistances import Resistances, resistances_by
from antecurve.sound.stimulus import stimulus_by_reference

Floats = NDArray[np.float64]
SWEEP = SignalRequest("sweep", RATE_HZ, 1.0, (-6.0,))


def bench_of(interface: Loopback, folder: Path, ask: Callable[[str], None]) -> Bench:
    """A bench that keeps its records in a folder."""
    inputs = tuple(range(1, interface.inputs + 1))
    return Bench(interface, 1, inputs, ask, lambda text: None, MeasurementFolder(folder).keep)


def plan_of(known_ohm: float | None = None, reference: Path | None = None) -> MeasurementPlan:
    """A measurement by a sweep of a second."""
    stated = Resistances(50.0, None, "as designed")
    return MeasurementPlan(SWEEP, 1, (1,), stated, known_ohm, reference, "2026-11-28", "test")


def test_the_ramp_begins_at_minus_40_db() -> None:
    assert ramp_levels(highest_db=-6.0)[0] == -40.0
    assert ramp_levels(highest_db=-6.0)[-1] == -6.0
    assert ramp_levels(highest_db=-50.0) == (-50.0,)


def test_the_ramp_stops_before_the_input_clips() -> None:
    interface = Loopback(lambda x: 10.0 * x)  # 20 dB: full scale at -20 dB
    said: list[str] = []
    level_db = ramped_level(interface, SWEEP, say=said.append)
    # 20 dB up, by the path.
    assert said == [f"At {level_db:g} dB the input is at {level_db + 20.0:.1f} dB re full scale."]
    assert -28.0 <= level_db < -20.0
    assert max(interface.peaks) <= 10 ** (-20.0 / 20.0) * (1 + 1e-6)


def test_the_ramp_stops_where_the_unit_clips() -> None:
    interface = Loopback(lambda x: np.clip(10.0 * x, -0.2, 0.2))  # at -34 dB
    said: list[str] = []
    assert ramped_level(interface, SWEEP, say=said.append) < -34.0
    assert len(said) == 1 and "no longer rises with what is played" in said[0]
    assert ramped_level(Loopback(), SWEEP, say=said.append) == -6.0 and len(said) == 1
    assert max(interface.peaks) <= 10 ** (-28.0 / 20.0)


def test_a_ramp_that_hears_nothing_or_clips_at_once_is_refused() -> None:
    with pytest.raises(InputError, match="silence"):
        ramped_level(Loopback(lambda x: 0.0 * x, noise=1e-4), SWEEP)
    with pytest.raises(InputError, match="clipped at -40 dB"):
        ramped_level(Loopback(lambda x: 1000.0 * x), SWEEP)


@pytest.mark.parametrize(("source", "load"), [(50.0, 10e3), (150.0, 47e3), (600.0, 5e3)])
def test_both_resistances_by_one_resistor(source: float, load: float, tmp_path: Path) -> None:
    """Voltage dividers, written anew: straight, 1 kilohm in series, 1 kilohm across."""
    known, interface = 1e3, Loopback()
    shunt = load * known / (load + known)
    gains = iter((
        load / (source + load), load / (source + known + load), shunt / (source + shunt)
    ))  # fmt: skip

    def connect(_: str) -> None:
        gain = next(gains)
        interface.path = lambda x: gain * x

    told = take_resistances(bench_of(interface, tmp_path, connect), known_ohm=known, level_db=-10.0)
    # Noise of 1e-6 in half a second moves a ratio by 1e-7; the sum by that times S/R = 48.
    assert told.source_ohm == pytest.approx(source, rel=1e-3)
    assert told.input_ohm == pytest.approx(load, rel=1e-3)


def test_readings_that_no_resistances_explain_are_refused() -> None:
    with pytest.raises(InputError, match="each must lower the level"):
        resistances_by(known_ohm=1e3, straight=1.0, in_series=1.1, across=0.9)
    with pytest.raises(InputError, match="no output and input give such readings"):
        resistances_by(known_ohm=1e3, straight=1.0, in_series=0.5, across=0.5)


def test_an_interruption_keeps_what_was_recorded(tmp_path: Path) -> None:
    signal = make_signal(SWEEP)
    bench = bench_of(Loopback(interrupted_at=60_000), tmp_path, lambda text: None)
    with pytest.raises(KeyboardInterrupt):
        bench.taken("unit", signal)
    record, rate = read_sound(tmp_path / "unit-interrupted.wav")
    assert (len(record), rate) == (62_400, RATE_HZ)
    # The 32 bits of the file.
    assert np.abs(record[1000:, 0] - signal.samples[:61_400]).max() < 1e-5


@pytest.mark.parametrize("losses", [2, 3])
def test_what_an_interface_loses_is_played_again(losses: int, tmp_path: Path) -> None:
    class Losing(Loopback):
        def exchange(self, played: Floats) -> Generator[Floats, None, None]:
            yield from super().exchange(played)
            if len(self.peaks) <= losses:
                raise DropoutError("sound interface", "1 dropouts", "measure again")

    signal, interface, said = make_signal(SWEEP), Losing(), list[str]()
    bench = replace(bench_of(interface, tmp_path, said.append), say=said.append)
    if losses == 3:
        with pytest.raises(DropoutError):
            bench.taken("unit", signal)
    else:
        bench.taken("unit", signal)
    assert said == ["The interface lost samples. Playing once more."] * 2
    kept = "unit-interrupted.wav" if losses == 3 else "unit.wav"
    record, _ = read_sound(tmp_path / kept)
    assert len(record) == len(signal.samples) + 11_000  # of the last time, and of that alone


def test_the_stimulus_holds_what_the_interface_does_to_it() -> None:
    signal = make_signal(SWEEP)
    taps = (0.6, 0.25, 0.1)
    record = lfilter(taps, [1.0], np.concatenate([np.zeros(777), signal.samples, np.zeros(99)]))
    stimulus = stimulus_by_reference(
        record + 0.01, signal.samples, rate_hz=RATE_HZ, factor=2.0, name="reference"
    )
    expected = 2.0 * lfilter(taps, [1.0], signal.samples)
    shift = int(np.argmax(np.correlate(stimulus[:60_000], expected[:60_000][5:-5], "valid"))) - 5
    assert abs(shift) <= 1
    assert np.abs(np.roll(stimulus, -shift) - expected).max() < 1e-3


def test_records_and_reference_are_kept_and_a_reference_serves_again(tmp_path: Path) -> None:
    asked: list[str] = []
    first, second = tmp_path / "first", tmp_path / "second"
    unit = measure_unit(
        bench_of(Loopback(), first, asked.append), plan_of(), MeasurementFolder(first)
    )
    assert unit.capture == first / "unit.wav"
    assert {p.name for p in first.iterdir()} == {
        "bypass.wav", "measurement.json", "stimulus.wav", "unit.wav",
    }  # fmt: skip
    assert "bypassed" in asked[0] and "to the network" in asked[1]
    again = plan_of(reference=first)
    measure_unit(bench_of(Loopback(), second, asked.append), again, MeasurementFolder(second))
    assert len(asked) == 3 and "to the network" in asked[2]
    assert (second / "measurement.json").read_text() == (first / "measurement.json").read_text()


class _Library:
    """A sound system that opens twice, stops at once each time, and complains as PortAudio does."""

    class PortAudioError(Exception):
        """What the package raises of PortAudio's complaints."""

    def __init__(self) -> None:
        self.opened = 0

    def Stream(self, *, callback: Callable[..., None], **_: object) -> object:
        self.opened += 1
        os.write(2, b"Expression 'err' failed in 'pa_linux_alsa.c', line: 3355\n")
        if self.opened > 2:
            raise self.PortAudioError("Error opening Stream: Device unavailable")
        heard, status = np.ones((4800, 1)), SimpleNamespace(input_overflow=0, output_underflow=0)
        for _block in range(3 - self.opened):
            callback(heard, np.zeros((4800, 1)), 4800, None, status)
        return nullcontext(SimpleNamespace(latency=(0.1, 0.1), active=False))


def test_an_interface_that_is_unplugged_is_told_in_one_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """What the sound system prints is kept as a note; the longest of three tries stays."""
    library = _Library()
    monkeypatch.setattr(portaudio, "_library", lambda: library)
    bench = Bench(
        portaudio.PortAudioInterface(RATE_HZ), 1, (1,), lambda text: None, lambda text: None,
        MeasurementFolder(tmp_path).keep,
    )  # fmt: skip
    with pytest.raises(InputError, match="Device unavailable; check its plug") as failed:
        bench.taken("unit", make_signal(SWEEP))
    assert "line: 3355" in failed.value.__notes__[0] and library.opened == 3
    assert capfd.readouterr().err == ""
    os.write(2, b"heard again\n")
    assert capfd.readouterr().err == "heard again\n"
    record, _ = read_sound(tmp_path / "unit-interrupted.wav")
    assert len(record) == 2 * 4800
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    said, code = _ending(failed.value)
    assert code == 2 and "the details are in" in said
