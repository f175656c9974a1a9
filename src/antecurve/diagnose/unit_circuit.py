"""The circuit of a unit: parts between nodes, amplifiers, and the curve that it is to play.

Nodes are names: ``in`` is the unit's input, ``out`` its output, ``0`` the common return.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from antecurve.checked import checked
from antecurve.curves.model import Curve
from antecurve.errors import InputError
from antecurve.networks.topology import check_names
from antecurve.parts.position import Position
from antecurve.quantities import (
    CAPACITANCES,
    CORNER_FREQUENCIES,
    LOAD_CAPACITANCES,
    RESISTANCES,
    SOURCE_RESISTANCES,
    Range,
)
from antecurve.texts import check_text

__all__ = ["Amplifier", "OperationalAmplifier", "UnitCircuit", "UnitInput"]

_GAINS = Range("", 1e-6, 1e9)
"""From an attenuator of 120 dB to an operational amplifier without feedback."""


def _check_optional(instance: Any, **ranges: Range) -> None:
    for name, values in ranges.items():
        value = getattr(instance, name)
        if value is not None:
            values.check(value, field=f"{instance.name}.{name}")


@checked
@dataclass(frozen=True, slots=True)
class Amplifier:
    """A gain block: a valve, a transistor or a stage as a whole, against the common return.

    Attributes
    ----------
    name : str
        Such as ``A1`` or ``V1``.
    input, output : str
        Its nodes.
    gain : float
        Gain without load, negative for a stage that inverts; not 0.
    output_resistance : float
        Output resistance [ohm], 0 or greater.
    input_resistance : float or None
        Input resistance [ohm]; ``None`` for none that matters.
    input_capacitance : float or None
        Input capacitance [F], Miller's included; ``None`` for none that matters.
    corner_hz : float or None
        Frequency where its own gain is 3 dB down [Hz]; ``None`` for none that matters.
    tolerance : float
        How far gain, output resistance and input capacitance may be off in a good one, a fraction.

    Raises
    ------
    InputError
        When a value is out of range.
    """

    name: str
    input: str
    output: str
    gain: float
    output_resistance: float = 0.0
    input_resistance: float | None = None
    input_capacitance: float | None = None
    corner_hz: float | None = None
    tolerance: float = 0.2

    def __post_init__(self) -> None:
        _GAINS.check(abs(self.gain), field=f"{self.name}.gain")
        _check_optional(
            self,
            output_resistance=SOURCE_RESISTANCES,
            input_resistance=RESISTANCES,
            input_capacitance=CAPACITANCES,
            corner_hz=CORNER_FREQUENCIES,
        )
        if not 0.0 <= self.tolerance < 1.0:
            raise InputError(
                f"{self.name}.tolerance", self.tolerance, "it must be 0 or greater and below 100 %"
            )


@checked
@dataclass(frozen=True, slots=True)
class OperationalAmplifier:
    """An operational amplifier.

    Attributes
    ----------
    name : str
        Such as ``U1``.
    plus, minus, output : str
        Its nodes.
    gain_bandwidth_hz : float or None
        Gain-bandwidth product [Hz]; ``None`` for an ideal one.

    Raises
    ------
    InputError
        When a value is out of range.
    """

    name: str
    plus: str
    minus: str
    output: str
    gain_bandwidth_hz: float | None = None

    def __post_init__(self) -> None:
        _check_optional(self, gain_bandwidth_hz=CORNER_FREQUENCIES)


@checked
@dataclass(frozen=True, slots=True)
class UnitInput:
    """What the unit's input loads the network with, cable included.

    Attributes
    ----------
    resistance : float
        Input resistance [ohm].
    capacitance : float
        Input capacitance [F], 0 or greater.
    tolerance : float
        How far both may be off in a good unit, a fraction.

    Raises
    ------
    InputError
        When a value is out of range.
    """

    resistance: float
    capacitance: float = 0.0
    tolerance: float = 0.02

    def __post_init__(self) -> None:
        RESISTANCES.check(self.resistance, field="input.resistance")
        LOAD_CAPACITANCES.check(self.capacitance, field="input.capacitance")
        if not 0.0 <= self.tolerance < 1.0:
            rule = "it must be 0 or greater and below 100 %"
            raise InputError("input.tolerance", self.tolerance, rule)


@checked
@dataclass(frozen=True, slots=True)
class UnitCircuit:
    """The circuit of a unit.

    Attributes
    ----------
    title : str
        Its title.
    curve : Curve
        The curve that it is to play.
    positions : tuple of Position
        Resistors and capacitors between nodes, with nominal values and tolerances.
    amplifiers : tuple of Amplifier
        Its gain blocks.
    operational_amplifiers : tuple of OperationalAmplifier
        Its operational amplifiers.
    input : UnitInput
        What its input loads the network with.

    Raises
    ------
    InputError
        When two names are the same, or a circuit has no part.
    WiringError
        When names of nodes or references can't be used.
    """

    title: str
    curve: Curve
    positions: tuple[Position, ...]
    amplifiers: tuple[Amplifier, ...]
    operational_amplifiers: tuple[OperationalAmplifier, ...]
    input: UnitInput

    def __post_init__(self) -> None:
        check_text(self.title, field="title")
        if not self.positions:
            raise InputError.without_value(
                "elements", "none", "give the resistors and capacitors of the unit"
            )
        check_names([p.element for p in self.positions])
        names = [b.name for b in self.amplifiers]
        names += [s.name for s in self.operational_amplifiers]
        names += [p.element.ref for p in self.positions]
        for name in names:
            if names.count(name) > 1:
                raise InputError("name", name, "it is used twice; number the parts")

    @property
    def refs(self) -> tuple[str, ...]:
        """References of the resistors and capacitors."""
        return tuple(p.element.ref for p in self.positions)

    def position(self, ref: str) -> Position:
        """Look up one part.

        Parameters
        ----------
        ref : str
            Its reference.

        Returns
        -------
        Position
            The part.
        """
        return self.positions[self.refs.index(ref)]

    @property
    def nodes(self) -> tuple[str, ...]:
        """Names of all nodes but the common return, the input first."""
        named = [n for p in self.positions for n in p.element.nodes]
        for amplifier in self.amplifiers:
            named += [amplifier.input, amplifier.output]
        for stage in self.operational_amplifiers:
            named += [stage.plus, stage.minus, stage.output]
        return tuple(n for n in dict.fromkeys(("in", *named)) if n != "0")
