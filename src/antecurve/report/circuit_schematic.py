"""The schematic of a unit's circuit, suspects marked."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any, Literal

from antecurve.networks.topology import ElementKind
from antecurve.quantities import format_quantity
from antecurve.report.chart import ORANGE
from antecurve.report.circuit_layout import CircuitLayout, Stage, circuit_layout

if TYPE_CHECKING:
    from antecurve.diagnose.suspect import Diagnosis
    from antecurve.diagnose.unit_circuit import UnitCircuit

__all__ = ["circuit_svg"]

_GAP = 3.4  # between columns: a part with its leads and two lines of text
_REACH = 0.8  # half the length of a triangle
_LENGTH, _INPUTS = 1.25 * 3**0.5, 0.625  # of the library's symbol, and its inputs off the middle
_FONT = 15  # points: a page wide is half of it in print
_INK = "#101010"  # stands for the colour of the surroundings
_LINE, _HEAVY = 1.6, 3.4  # points; a heavy line tells without a colour
_MARKED = 0.02  # of probability, from which a part is marked


@dataclass(frozen=True, slots=True)
class _Direction:
    """Which way the signal goes, with the room that labels take beside and below each other."""

    row: float  # from row to row: an amplifier with its label
    aside: float  # from one part to ground to the next, its label between
    hang: float  # height at which parts to ground begin: below an amplifier
    drop: float  # length of a part to ground
    across: str  # where labels of parts along the signal stand
    hanging: str  # where labels of parts to ground stand
    names: Literal["left", "right"]  # side of a line at which the name of its node begins
    turn: float  # degrees from rightwards

    def at(self, point: tuple[float, float]) -> tuple[float, float]:
        """Where a point of a drawing from left to right comes to lie."""
        return (point[1], -point[0]) if self.turn else point


_RIGHTWARDS = _Direction(
    row=2.7, aside=3.4, hang=-1.7, drop=2.4, across="top", hanging="bottom", names="right", turn=0.0
)
_DOWNWARDS = _Direction(
    row=3.4,
    aside=2.6,
    hang=-1.2,
    drop=2.0,
    across="bottom",
    hanging="top",
    names="left",
    turn=-90.0,
)


def circuit_svg(
    circuit: UnitCircuit, diagnosis: Diagnosis | None = None, *, narrow: bool = False
) -> str:
    """Draw a circuit in the colour of its surroundings.

    Parameters
    ----------
    circuit : UnitCircuit
        The circuit.
    diagnosis : Diagnosis, optional
        Whose suspects are marked, with the probability of each.
    narrow : bool, optional
        Whether the signal goes from top to bottom, for a small screen; else from left to right.

    Returns
    -------
    str
        One ``<svg>`` element; suspects are heavier, of another colour, and say so.
    """
    shares: dict[str, float] = {}
    for suspect in diagnosis.suspects if diagnosis else ():
        for ref in suspect.refs:
            shares[ref] = shares.get(ref, 0.0) + suspect.probability
    return _Painter(circuit, shares, _DOWNWARDS if narrow else _RIGHTWARDS).svg()


class _Painter:
    """Draws a circuit column by column; a unit is a third of a part's length."""

    def __init__(
        self, circuit: UnitCircuit, shares: dict[str, float], direction: _Direction
    ) -> None:
        import schemdraw

        self.circuit, self.shares, self.direction = circuit, shares, direction
        self.layout: CircuitLayout = circuit_layout(circuit)
        self.drawing = schemdraw.Drawing(canvas="svg", show=False)
        self.drawing.config(fontsize=_FONT, color=_INK, lw=_LINE)
        self.outside = {"in": self._input(), "out": self._load()}
        self.x: dict[str, float] = {}
        x = 0.0
        for node in self.layout.columns:
            self.x[node] = x
            x += _GAP + direction.aside * max(0, len(self._hanging(node)) - 1)
        self.heights: dict[str, list[float]] = {node: [] for node in self.layout.columns}

    def svg(self) -> str:
        """Draw all of it."""
        for stage in self.layout.stages:
            self._stage(stage)
        for position in self.circuit.positions:
            nodes = position.element.nodes
            if "0" not in nodes:
                self._across(position.element.ref, nodes)
        for node in self.layout.columns:
            self._hang(node)
        for node in self.layout.columns:
            self._upright(node)
        text: str = self.drawing.get_imagedata("svg").decode()
        return text.replace(_INK, "currentColor")

    def _input(self) -> list[tuple[str, ElementKind, str]]:
        given = self.circuit.input
        label = f"input\n{format_quantity(given.resistance, 'ohm')}"
        cells = [("input", ElementKind.RESISTOR, label)]
        if given.capacitance:
            label = f"input\n{format_quantity(given.capacitance, 'F')}"
            cells.append(("input", ElementKind.CAPACITOR, label))
        return cells

    def _load(self) -> list[tuple[str, ElementKind, str]]:
        if self.shares.get("load", 0.0) < _MARKED:
            return []
        return [("load", ElementKind.RESISTOR, "load")]

    def _hanging(self, node: str) -> list[tuple[str, ElementKind, str]]:
        """Name, kind and label of what lies between a node and ground."""
        parts = [self._part(ref) for ref in self.layout.grounded[node]]
        return [*self.outside.get(node, []), *parts]

    def _part(self, ref: str) -> tuple[str, ElementKind, str]:
        position = self.circuit.position(ref)
        kind = position.element.kind
        return ref, kind, f"{ref}\n{format_quantity(position.value, kind.unit)}"

    def _add(self, element: Any) -> None:
        self.drawing.add(element)

    def _between(self, element: Any, start: tuple[float, float], end: tuple[float, float]) -> Any:
        """Lay an element from point to point."""
        return element.at(self.direction.at(start)).to(self.direction.at(end))

    def _line(self, *points: tuple[float, float]) -> None:
        from schemdraw import elements

        for start, end in pairwise(points):
            if start != end:
                self._add(self._between(elements.Line(), start, end))

    def _marked(self, element: Any, name: str, label: str, where: str) -> None:
        """Add a part, marked where it is suspect."""
        share = self.shares.get(name, 0.0)
        if share >= _MARKED:
            element = element.color(ORANGE).linewidth(_HEAVY)
            label = f"{label}\nsuspect: {100 * share:.0f} %"
        self._add(element.label(label, loc=where))

    def _symbol(self, kind: ElementKind) -> Any:
        from schemdraw import elements

        symbol: Any = elements.Capacitor
        if kind is ElementKind.RESISTOR:
            symbol = elements.ResistorIEC
        return symbol()

    def _across(self, ref: str, nodes: tuple[str, str]) -> None:
        """A part between two columns, its body next to the right one."""
        start, end = sorted(self.x[n] for n in nodes)
        y = self.direction.row * self.layout.rows[ref]
        self._line((start, y), (end - _GAP, y))
        name, kind, label = self._part(ref)
        body = self._between(self._symbol(kind), (end - _GAP, y), (end, y))
        self._marked(body, name, label, self.direction.across)
        for node in nodes:
            self.heights[node].append(y)

    def _stage(self, stage: Stage) -> None:
        """An amplifier next to the column of its output."""
        from schemdraw import elements

        y, end = self.direction.row * self.layout.rows[stage.name], self.x[stage.output]
        middle = end - _GAP / 2.0
        body = elements.Opamp(sign=stage.minus is not None).scale(2.0 * _REACH / _LENGTH)
        body = body.at(self.direction.at((middle + _REACH, y))).anchor("out")
        at = {stage.plus: y}
        if stage.minus is not None:
            aside = 2.0 * _REACH / _LENGTH * _INPUTS
            at = {stage.minus: y + aside, stage.plus: y - aside}
        body = body.theta(self.direction.turn)
        self._marked(body, stage.name, self._described(stage), self.direction.across)
        self._line((middle + _REACH, y), (end, y))
        self.heights[stage.output].append(y)
        for node, height in at.items():
            if node == "0":
                corner, ground = (middle - 1.5, height), (middle - 1.5, height - 0.5)
                self._line(ground, corner, (middle - _REACH, height))
                self._add(elements.Ground().at(self.direction.at(ground)).theta(0))
            else:
                self._line((self.x[node], height), (middle - _REACH, height))
                self.heights[node].append(height)

    def _described(self, stage: Stage) -> str:
        for block in self.circuit.amplifiers:
            if block.name == stage.name:
                return f"{block.name}\ngain {block.gain:g}"
        for given in self.circuit.operational_amplifiers:
            if given.name == stage.name and given.gain_bandwidth_hz is not None:
                return f"{given.name}\n{format_quantity(given.gain_bandwidth_hz, 'Hz')}"
        return stage.name

    def _hang(self, node: str) -> None:
        """What lies between a node and ground, side by side."""
        from schemdraw import elements

        x, way = self.x[node], self.direction
        for number, (name, kind, label) in enumerate(self._hanging(node)):
            at, foot = x + way.aside * number, way.hang - way.drop
            self._line((at - way.aside * min(number, 1), way.hang), (at, way.hang))
            body = self._between(self._symbol(kind), (at, way.hang), (at, foot))
            self._marked(body, name, label, way.hanging)
            self._add(elements.Ground().at(way.at((at, foot))).theta(0))
            self.heights[node].append(way.hang)

    def _upright(self, node: str) -> None:
        """The line of a node, a dot wherever three lines meet, and its name."""
        from schemdraw import elements

        x, heights = self.x[node], sorted(set(self.heights[node]))
        if node in ("in", "out"):
            heights = sorted({*heights, 0.0})
            self._add(elements.Dot(open=True).at(self.direction.at((x, 0.0))))
        self._line((x, heights[0]), (x, heights[-1]))
        for height in heights:
            lines = self.heights[node].count(height)
            lines += (height > heights[0]) + (height < heights[-1])
            if lines > 2 and (height or node not in ("in", "out")):
                self._add(elements.Dot(radius=0.07).at(self.direction.at((x, height))))
        side = self.direction.at((x - 0.12, heights[-1] + 0.12))
        name = elements.Label().at(side)
        self._add(name.label(node, halign=self.direction.names, fontsize=_FONT - 2))
