"""The steps of a measurement: what to connect, what is played, what is recorded."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from antecurve.quantities import format_quantity
from antecurve.signals.request import SignalRequest
from antecurve.signals.signal import Signal, make_signal
from antecurve.sound.interface import SoundInterface, recorded_whole
from antecurve.sound.ramp import ramped_level
from antecurve.sound.resistances import Resistances, resistances_by, tone_amplitude

__all__ = ["Bench", "Taken", "take_reference", "take_resistances", "take_unit"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Taken:
    """A signal and the record of it.

    Attributes
    ----------
    signal : Signal
        What was played.
    record : numpy.ndarray of float, shape (samples, inputs)
        What was recorded re full scale.
    """

    signal: Signal
    record: Floats


@dataclass(frozen=True, slots=True)
class Bench:
    """A sound interface and whoever connects it.

    Attributes
    ----------
    interface : SoundInterface
        The interface.
    output : int
        Its output, as it is marked.
    inputs : tuple of int
        Its inputs, as they are marked: for the unit's output, and for the generator if recorded.
    ask : callable
        Tells what to connect, and returns when it is done.
    say : callable
        Tells what goes on.
    keep : callable
        Keeps a record under a name, at once.
    """

    interface: SoundInterface
    output: int
    inputs: tuple[int, ...]
    ask: Callable[[str], None]
    say: Callable[[str], None]
    keep: Callable[[str, Signal, Floats], None]

    def taken(self, name: str, signal: Signal) -> Taken:
        """Play a signal and keep the record, whole or as far as it came.

        Parameters
        ----------
        name : str
            Name of the record.
        signal : Signal
            What is played.

        Returns
        -------
        Taken
            Both.

        Raises
        ------
        InputError
            As in `SoundInterface.exchange`.
        """
        blocks: list[Floats] = []
        before: list[Floats] = []

        def again() -> None:
            before[:] = _longer(before, blocks)
            blocks.clear()
            self.say("The interface lost samples. Playing once more.")

        try:
            record = recorded_whole(self.interface, signal.samples, hear=blocks.append, again=again)
        except BaseException:
            longer = _longer(before, blocks)
            if longer:
                self.keep(f"{name}-interrupted", signal, np.concatenate(longer))
            raise
        self.keep(name, signal, record)
        return Taken(signal, record)


def _longer(one: list[Floats], other: list[Floats]) -> list[Floats]:
    """What was recorded longer."""
    return one if len(one) > len(other) else other


def take_reference(bench: Bench, request: SignalRequest) -> Taken:
    """Record the signal with network and unit bypassed.

    Parameters
    ----------
    bench : Bench
        The bench.
    request : SignalRequest
        The signal, at the highest level allowed.

    Returns
    -------
    Taken
        The reference.

    Raises
    ------
    InputError
        When nothing comes back or it clips.
    """
    inputs = " and ".join(f"input {n}" for n in bench.inputs)
    bench.ask(f"Connect output {bench.output} straight to {inputs}, network and unit bypassed.")
    return _at_its_level(bench, "bypass", request)


def take_unit(bench: Bench, request: SignalRequest) -> Taken:
    """Record the signal through network and unit.

    Parameters
    ----------
    bench : Bench
        The bench.
    request : SignalRequest
        The signal, at the highest level allowed.

    Returns
    -------
    Taken
        The record of the unit.

    Raises
    ------
    InputError
        When nothing comes back or it clips.
    """
    also = "" if len(bench.inputs) == 1 else f", and to input {bench.inputs[1]} as well"
    bench.ask(
        f"Connect output {bench.output} to the network{also}, the network to the unit's input, "
        f"and the unit's output to input {bench.inputs[0]}. Switch the unit on."
    )
    return _at_its_level(bench, "unit", request)


def take_resistances(bench: Bench, *, known_ohm: float, level_db: float) -> Resistances:
    """Measure the resistances of output and input with a known resistor.

    Parameters
    ----------
    bench : Bench
        The bench, its output straight at its first input.
    known_ohm : float
        The known resistor [ohm].
    level_db : float
        Level at which nothing clips [dB re full scale].

    Returns
    -------
    Resistances
        As measured.

    Raises
    ------
    InputError
        When no two resistances explain the readings.
    """
    resistor, first = format_quantity(known_ohm, "ohm"), bench.inputs[0]
    asked = (
        f"Keep output {bench.output} connected straight to input {first}, with nothing else on "
        "either.",
        f"Put the resistor of {resistor} between output {bench.output} and input {first}.",
        f"Connect output {bench.output} straight to input {first} again, and put the resistor "
        f"of {resistor} across input {first}.",
    )
    readings = []
    for text in asked:
        bench.ask(text)
        readings.append(tone_amplitude(bench.interface, level_db=level_db))
    straight, in_series, across = readings
    return resistances_by(
        known_ohm=known_ohm, straight=straight, in_series=in_series, across=across
    )


def _at_its_level(bench: Bench, name: str, request: SignalRequest) -> Taken:
    """The record at the level to which the ramp leads."""
    bench.say("Raising the level from -40 dB.")
    level_db = ramped_level(bench.interface, request, say=bench.say)
    signal = make_signal(replace(request, level_db=(level_db,)))
    bench.say(f"Playing {signal.seconds:.1f} s at {level_db:g} dB re full scale.")
    return bench.taken(name, signal)
