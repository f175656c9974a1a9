"""Common arrangements of playback units, which need values only.

Each is a passive equaliser between stages, or a feedback equaliser, as handbooks draw them; its
starting values play the disc curve of IEC 60098 (3180, 318 and 75 us).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from antecurve.curves.model import Curve
from antecurve.diagnose.unit_circuit import Amplifier, OperationalAmplifier, UnitCircuit, UnitInput
from antecurve.errors import InputError
from antecurve.networks.topology import Element, ElementKind
from antecurve.parts.position import Part, Position

__all__ = ["ARRANGEMENTS", "Arrangement", "arranged_circuit", "arrangement", "part_position"]


@dataclass(frozen=True, slots=True)
class Arrangement:
    """An arrangement without values.

    Attributes
    ----------
    name : str
        Its name in a file.
    summary : str
        What it is, in a few words.
    parts : tuple of tuple
        Reference, two nodes, and a starting value [ohm or F] of each part.
    amplifiers : tuple of Amplifier
        Its gain blocks with starting values.
    operational_amplifiers : tuple of OperationalAmplifier
        Its operational amplifiers.
    """

    name: str
    summary: str
    parts: tuple[tuple[str, str, str, float], ...]
    amplifiers: tuple[Amplifier, ...] = ()
    operational_amplifiers: tuple[OperationalAmplifier, ...] = ()

    @property
    def refs(self) -> tuple[str, ...]:
        """References of the parts."""
        return tuple(ref for ref, *_ in self.parts)


_PASSIVE = Arrangement(
    "passive",
    "passive equaliser in one section between two stages",
    (
        ("R1", "a", "b", 46e3),
        ("R2", "b", "c", 6.83e3),
        ("C1", "c", "0", 46.6e-9),
        ("C2", "b", "0", 16e-9),
        ("C3", "d", "out", 1e-6),
        ("R3", "out", "0", 220e3),
    ),
    (
        Amplifier("A1", "in", "a", 30.0, 1e3),
        Amplifier("A2", "b", "d", 30.0, 1e3, input_capacitance=10e-12),
    ),
)
_SPLIT = Arrangement(
    "passive split",
    "passive equaliser in two sections between three stages",
    (
        ("R1", "a", "b", 10e3),
        ("C1", "b", "0", 6.8e-9),
        ("R2", "c", "d", 90.9e3),
        ("R3", "d", "e", 10.2e3),
        ("C2", "e", "0", 31.2e-9),
        ("C3", "f", "out", 1e-6),
        ("R4", "out", "0", 220e3),
    ),
    (
        Amplifier("A1", "in", "a", 20.0, 1e3),
        Amplifier("A2", "b", "c", 20.0, 1e3, input_capacitance=10e-12),
        Amplifier("A3", "d", "f", 10.0, 1e3, input_capacitance=10e-12),
    ),
)
_FEEDBACK = Arrangement(
    "feedback",
    "non-inverting stage with the equaliser in its feedback",
    (
        ("R1", "a", "b", 453e3),
        ("C1", "a", "b", 7.02e-9),
        ("R2", "b", "f", 38.3e3),
        ("C2", "b", "f", 1.96e-9),
        ("R3", "f", "g", 1e3),
        ("C3", "g", "0", 100e-6),
        ("C4", "a", "out", 1e-6),
        ("R4", "out", "0", 220e3),
    ),
    (),
    (OperationalAmplifier("U1", "in", "f", "a", 10e6),),
)
_INVERTING = Arrangement(
    "feedback inverting",
    "buffer and inverting stage with the equaliser in its feedback",
    (
        ("R1", "b", "c", 453e3),
        ("C1", "b", "c", 7.02e-9),
        ("R2", "c", "f", 38.3e3),
        ("C2", "c", "f", 1.96e-9),
        ("R3", "a", "g", 4.7e3),
        ("C3", "g", "f", 22e-6),
        ("C4", "b", "out", 1e-6),
        ("R4", "out", "0", 220e3),
    ),
    (Amplifier("A1", "in", "a", 5.0, 50.0),),
    (OperationalAmplifier("U1", "0", "f", "b", 10e6),),
)
_VALVES = Arrangement(
    "valve stages",
    "valve or transistor stages with output resistance and Miller's capacitance, equaliser split",
    (
        ("C1", "a", "b", 220e-9),
        ("R1", "b", "0", 1e6),
        ("C2", "b", "0", 1.46e-9),
        ("C3", "c", "d", 220e-9),
        ("R2", "d", "0", 1e6),
        ("R3", "d", "e", 287e3),
        ("R4", "e", "g", 37.4e3),
        ("C4", "g", "0", 8.5e-9),
        ("C5", "h", "out", 1e-6),
        ("R5", "out", "0", 470e3),
    ),
    (
        Amplifier("V1", "in", "a", -50.0, 50e3, input_capacitance=100e-12),
        Amplifier("V2", "b", "c", -50.0, 50e3, input_capacitance=120e-12),
        Amplifier("V3", "e", "h", 0.95, 600.0, input_capacitance=5e-12),
    ),
)
ARRANGEMENTS = (_PASSIVE, _SPLIT, _FEEDBACK, _INVERTING, _VALVES)
"""The arrangements there are."""
_TOLERANCES = {ElementKind.RESISTOR: 0.01, ElementKind.CAPACITOR: 0.025}
"""Of parts whose tolerance is not given: metal film, and film capacitors chosen for equalisers."""


def arrangement(name: str) -> Arrangement:
    """Look up an arrangement.

    Parameters
    ----------
    name : str
        Its name.

    Returns
    -------
    Arrangement
        The arrangement.

    Raises
    ------
    InputError
        When there is none of the name.
    """
    for known in ARRANGEMENTS:
        if known.name == name:
            return known
    names = ", ".join(f'"{a.name}"' for a in ARRANGEMENTS)
    raise InputError("arrangement", name, f"use one of {names}, or give elements")


def part_position(ref: str, nodes: tuple[str, str], part: tuple[float, float | None]) -> Position:
    """Put a part between its nodes.

    Parameters
    ----------
    ref : str
        Its reference, which begins with R or C.
    nodes : tuple of str
        Its nodes.
    part : tuple of float
        Value [ohm or F], and tolerance as a fraction or ``None`` for the usual one.

    Returns
    -------
    Position
        The part in its place.
    """
    kind = ElementKind.CAPACITOR if ref.startswith("C") else ElementKind.RESISTOR
    value, tolerance = part
    part_tolerance = _TOLERANCES[kind] if tolerance is None else tolerance
    return Position(Element(ref, kind, nodes), (Part(value, part_tolerance),))


def arranged_circuit(
    arranged: Arrangement,
    *,
    title: str,
    curve: Curve,
    unit_input: UnitInput,
    values: Mapping[str, tuple[float, float | None]] | None = None,
    amplifiers: tuple[Amplifier, ...] | None = None,
    operational_amplifiers: tuple[OperationalAmplifier, ...] | None = None,
) -> UnitCircuit:
    """Fill an arrangement with its values.

    Parameters
    ----------
    arranged : Arrangement
        The arrangement.
    title : str
        Title of the unit.
    curve : Curve
        The curve that it is to play.
    unit_input : UnitInput
        What its input loads the network with.
    values : mapping of str to tuple, optional
        Value [ohm or F] and tolerance by reference, in place of the starting ones.
    amplifiers : tuple of Amplifier, optional
        The gain blocks, in place of the starting ones.
    operational_amplifiers : tuple of OperationalAmplifier, optional
        The operational amplifiers, in place of the starting ones.

    Returns
    -------
    UnitCircuit
        The circuit.

    Raises
    ------
    InputError
        When a reference is not one of the arrangement.
    """
    given = dict(values or {})
    for ref in given:
        if ref not in arranged.refs:
            rule = f'the arrangement "{arranged.name}" has {", ".join(arranged.refs)}'
            raise InputError(f"values.{ref}", given[ref][0], rule)
    positions = tuple(
        part_position(ref, (first, second), given.get(ref, (start, None)))
        for ref, first, second, start in arranged.parts
    )
    stages = arranged.operational_amplifiers
    return UnitCircuit(
        title,
        curve,
        positions,
        arranged.amplifiers if amplifiers is None else amplifiers,
        stages if operational_amplifiers is None else operational_amplifiers,
        unit_input,
    )
