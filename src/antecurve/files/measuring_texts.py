"""How a unit is measured through a sound interface, as typed: in a terminal, or on a page.

Messages name a field as the command line does, ``--known-resistor``.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from antecurve.errors import InputError
from antecurve.files.measured_unit import MeasurementPlan
from antecurve.quantities import parse_positive, parse_quantity
from antecurve.signals.request import SignalRequest
from antecurve.sound import portaudio
from antecurve.sound.resistances import Resistances

if TYPE_CHECKING:
    from antecurve.networks.topology import Loading

__all__ = ["MeasuringTexts"]


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuringTexts:
    """How a unit is measured, as typed; by default as the command line has it.

    Attributes
    ----------
    output_device, input_device : str or None
        Number or name; ``None`` for the system's.
    output_channel, input_channel : int
        Output that plays, and input for the unit's output, from 1.
    generator_channel : int or None
        Input for the generator, where it is recorded as well.
    signal : str
        Kind of the signal.
    rate, seconds, level : str
        Sampling rate, length, and highest peak re full scale.
    known_resistor, generator_resistance, input_resistance : str or None
        A resistor to measure generator and input with [ohm], or both stated [ohm].
    """

    output_device: str | None = None
    input_device: str | None = None
    output_channel: int = 1
    input_channel: int = 1
    generator_channel: int | None = None
    signal: str = "sweep"
    rate: str = "48k"
    seconds: str = "10"
    level: str = "-6"
    known_resistor: str | None = None
    generator_resistance: str | None = None
    input_resistance: str | None = None

    def plan(
        self, designed: Loading, reference: Path | None = None, *, software: str
    ) -> MeasurementPlan:
        """Understand what is measured, from now.

        Parameters
        ----------
        designed : Loading
            The generator counts as in it, where nothing measures or states it.
        reference : Path or None, optional
            Folder of an earlier measurement whose reference still holds.
        software : str
            Name and version of this package.

        Returns
        -------
        MeasurementPlan
            What is measured, and how.

        Raises
        ------
        InputError
            When a text can't be used.
        """
        resistances, known = self._resistances(designed), self.known_resistor
        return MeasurementPlan(
            SignalRequest(
                self.signal, self._rate_hz, parse_positive(self.seconds, "s", "--seconds"),
                (parse_quantity(self.level, unit="dB", field="--level"),),
            ),
            self.output_channel,
            self._inputs,
            resistances,
            None if known is None else parse_positive(known, "ohm", "--known-resistor"),
            reference,
            datetime.now().astimezone().isoformat(timespec="minutes"),
            software,
        )  # fmt: skip

    def interface(self) -> portaudio.PortAudioInterface:
        """Choose the interface.

        Returns
        -------
        PortAudioInterface
            Its channels chosen; not yet checked.

        Raises
        ------
        InputError
            When a text can't be used.
        """
        return portaudio.PortAudioInterface(
            self._rate_hz, self.output_channel, self._inputs,
            _device(self.output_device), _device(self.input_device),
        )  # fmt: skip

    @property
    def _rate_hz(self) -> int:
        return round(parse_positive(self.rate, "Hz", "--rate"))

    @property
    def _inputs(self) -> tuple[int, ...]:
        """The inputs that record: the unit's first, then the generator's if it is recorded."""
        generator = self.generator_channel
        if generator is None:
            return (self.input_channel,)
        if generator == self.input_channel:
            raise InputError("--generator-channel", generator, "name another input")
        return self.input_channel, generator

    def _resistances(self, designed: Loading) -> Resistances:
        """The resistances as stated; of the generator otherwise as designed."""
        generator, unit_input = self.generator_resistance, self.input_resistance
        if self.known_resistor is not None and (generator or unit_input):
            rule = "measure the resistances or state them, not both"
            raise InputError("--known-resistor", self.known_resistor, rule)
        return Resistances(
            designed.source_resistance
            if generator is None
            else parse_positive(generator, "ohm", "--generator-resistance", zero=True),
            None if unit_input is None else parse_positive(unit_input, "ohm", "--input-resistance"),
            "as designed" if generator is None else "stated",
        )


def _device(text: str | None) -> int | str | None:
    return int(text) if text is not None and text.isdecimal() else text
