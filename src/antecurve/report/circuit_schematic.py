"""The circuit of a unit, drawn part by part with its nodes, suspects framed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from antecurve.quantities import format_quantity
from antecurve.report.schematic_drawing import Drawing, Point

if TYPE_CHECKING:
    from antecurve.diagnose.suspect import Diagnosis
    from antecurve.diagnose.unit_circuit import UnitCircuit

__all__ = ["drawn_circuit"]

_COLUMNS = 4  # of parts side by side: as wide as a page
_WIDTH = 5.2  # of a cell
_HEIGHT = 3.5  # of a cell: a part upright with its label
_LENGTH = 3.0  # of a part with its leads
_HALF = 0.75  # of an amplifier's triangle
_FRAMED = 0.02  # of probability, from which a part is framed


def drawn_circuit(circuit: UnitCircuit, diagnosis: Diagnosis | None = None) -> Drawing:
    """Draw a circuit as its parts side by side, in the order of the file, with their nodes.

    Parameters
    ----------
    circuit : UnitCircuit
        The circuit.
    diagnosis : Diagnosis, optional
        Whose suspects are framed, with the probability of each.

    Returns
    -------
    Drawing
        Equal names of nodes are joined.
    """
    shares: dict[str, float] = {}
    for suspect in diagnosis.suspects if diagnosis else ():
        for ref in suspect.refs:
            shares[ref] = shares.get(ref, 0.0) + suspect.probability
    drawing = Drawing()
    cells = _stages(circuit)
    for number, (name, value, inputs, output) in enumerate(cells):
        at = _place(number)
        _triangle(drawing, at, inputs, output)
        _named(drawing, at, name, value)
        _framed(drawing, at, shares.get(name, 0.0))
    for number, position in enumerate(circuit.positions, start=len(cells)):
        x, y = _place(number)
        ref, kind = position.element.ref, position.element.kind
        label = f"{ref}\n{format_quantity(position.value, kind.unit)}"
        drawing.element(kind, (x, y), (x + _LENGTH, y), label)
        for at_x, node in zip((x, x + _LENGTH), position.element.nodes, strict=True):
            drawing.dot((at_x, y), node, "bottom", open_terminal=True)
        _framed(drawing, (x, y), shares.get(ref, 0.0))
    return drawing


def _place(number: int) -> Point:
    row, column = divmod(number, _COLUMNS)
    return _WIDTH * column, -_HEIGHT * row


def _stages(circuit: UnitCircuit) -> list[tuple[str, str, tuple[str, ...], str]]:
    """Name, value, inputs and output of each amplifier."""
    blocks = [(b.name, f"gain {b.gain:g}", (b.input,), b.output) for b in circuit.amplifiers]
    stages = [
        (
            s.name,
            "ideal" if s.gain_bandwidth_hz is None else format_quantity(s.gain_bandwidth_hz, "Hz"),
            (f"+ {s.plus}", f"- {s.minus}"),
            s.output,
        )
        for s in circuit.operational_amplifiers
    ]
    return [*blocks, *stages]


def _triangle(drawing: Drawing, at: Point, inputs: tuple[str, ...], output: str) -> None:
    x, y = at
    left, right = x + _LENGTH / 2 - _HALF, x + _LENGTH / 2 + _HALF
    drawing.line((left, y + _HALF), (left, y - _HALF), (right, y), closed=True)
    heights = (0.0,) if len(inputs) == 1 else (0.35, -0.35)
    for height, name in zip(heights, inputs, strict=True):
        drawing.line((x, y + height), (left, y + height))
        drawing.dot((x, y + height), name, "left", open_terminal=True)
    drawing.line((right, y), (x + _LENGTH, y))
    drawing.dot((x + _LENGTH, y), output, "bottom", open_terminal=True)


def _named(drawing: Drawing, at: Point, name: str, value: str) -> None:
    drawing.words((at[0] + _LENGTH / 2, at[1] + _HALF + 0.55), f"{name}\n{value}", "middle")


def _framed(drawing: Drawing, at: Point, share: float) -> None:
    """A frame about a suspect, and how probable it is."""
    if share < _FRAMED:
        return
    x, y = at
    left, right, top, bottom = x - 0.6, x + _LENGTH + 0.6, y + 1.75, y - 1.3
    drawing.line((left, top), (right, top), (right, bottom), (left, bottom), closed=True)
    drawing.words((x + _LENGTH / 2, y - 0.95), f"suspect: {100 * share:.0f} %", "middle")
