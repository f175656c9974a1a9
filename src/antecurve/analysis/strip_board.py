"""A network laid out on a strip board: which hole each lead goes into.

Strips run from left to right, holes lie 2.54 mm apart.  Each node has one strip of its own, five
rows from the next.  Each part has a rectangle of holes of its own, so no two bodies can overlap:
parts that have a row in common have columns of their own.  A part stands across the strips.  Where
its leads don't reach from node to node, the second lead goes to a strip between them, which is cut
on both sides, and a wire link leads on to the node.  No lead pitch is a multiple of five holes, so
such a piece of strip is never a node's own.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import NamedTuple

from antecurve.analysis.part_outlines import PITCH_MM, Outline
from antecurve.parts.position import PickedNetwork
from antecurve.parts.scatter import part_references

__all__ = ["BoardPart", "Hole", "StripBoard", "Terminal", "WireLink", "node_rows", "strip_board"]

_ROWS_APART = 5  # adjacent nodes are 12.7 mm apart: what a 0207 resistor spans with ease
_CLEARANCE_MM = 0.4  # from a body to what is beside it, by judgement
_OVERHANG_ROWS = 1  # the longest body ends 2 mm beyond its leads, which is less than a row
_MARGIN = 1  # columns for the leads to the connectors at either end


class Hole(NamedTuple):
    """A hole of the board, seen from the component side.

    Attributes
    ----------
    row : int
        Strip, from 0 at the top.
    column : int
        From 0 at the left.
    """

    row: int
    column: int

    @property
    def strip(self) -> str:
        """Letter of the strip, such as ``F``, or two after ``Z``."""
        letters = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
        high, low = divmod(self.row, len(letters))
        return f"{letters[high - 1] if high else ''}{letters[low]}"

    @property
    def name(self) -> str:
        """Letter of the strip and number of the column, such as ``F7``."""
        return f"{self.strip}{self.column + 1}"


@dataclass(frozen=True, slots=True)
class BoardPart:
    """A part with its leads in two holes of one column.

    Attributes
    ----------
    ref : str
        Reference, such as ``C1a``.
    kind : str
        ``resistor`` or ``capacitor``.
    value : float
        Value [ohm or F].
    start, end : Hole
        Holes of its leads.
    outline : Outline
        Its body.
    """

    ref: str
    kind: str
    value: float
    start: Hole
    end: Hole
    outline: Outline


@dataclass(frozen=True, slots=True)
class WireLink:
    """An insulated wire between two holes of one column.

    Attributes
    ----------
    start, end : Hole
        Its ends.
    """

    start: Hole
    end: Hole


@dataclass(frozen=True, slots=True)
class Terminal:
    """A wire to a connector.

    Attributes
    ----------
    node : str
        The node it leads from.
    side : str
        ``generator``, ``unit``, or where it goes on a switch, such as ``contact A1``.
    hole : Hole
        Where it is soldered.
    """

    node: str
    side: str
    hole: Hole


@dataclass(frozen=True, slots=True)
class StripBoard:
    """A network on a strip board.

    Attributes
    ----------
    rows, columns : int
        Size of the board in holes.
    parts : tuple of BoardPart
        The parts, each in a rectangle of its own.
    links : tuple of WireLink
        Wires on the component side.
    cuts : tuple of Hole
        Holes at which the strip is cut.
    terminals : tuple of Terminal
        Wires to the connectors.
    """

    rows: int
    columns: int
    parts: tuple[BoardPart, ...]
    links: tuple[WireLink, ...]
    cuts: tuple[Hole, ...]
    terminals: tuple[Terminal, ...]

    @property
    def size_mm(self) -> tuple[float, float]:
        """Width and height [mm], half a pitch beyond the last holes."""
        return self.columns * PITCH_MM, self.rows * PITCH_MM


class _Rectangle(NamedTuple):
    """Holes that are a part's own: columns from left to before right, rows from top to bottom."""

    left: int
    right: int
    top: int
    bottom: int


class _Lead(NamedTuple):
    """A part between the nodes that its leads belong to."""

    ref: str
    kind: str
    value: float
    nodes: tuple[str, str]


def _leads(picked: PickedNetwork) -> list[_Lead]:
    """Every part with its nodes; parts joined in series have nodes of their own between them."""
    leads = []
    for position in picked.positions:
        element, refs = position.element, part_references(position)
        start, end = element.nodes
        inner = [f"{element.ref}.{k}" for k in range(1, len(refs))]
        ends = [start, *inner, end] if position.joined == "series" else None
        for k, (ref, part) in enumerate(zip(refs, position.parts, strict=True)):
            nodes = element.nodes if ends is None else (ends[k], ends[k + 1])
            leads.append(_Lead(ref, element.kind.value, part.value, nodes))
    return leads


def node_rows(picked: PickedNetwork, wired: Sequence[str] = ()) -> tuple[str, ...]:
    """Order the nodes from the top of the board so that parts reach from node to node.

    Parameters
    ----------
    picked : PickedNetwork
        The network with its parts.
    wired : sequence of str
        Nodes that may have wires alone.

    Returns
    -------
    tuple of str
        Nodes, ``in`` first; those within parts joined in series included.
    """
    leads = _leads(picked)
    order = ["in"]
    order += [n for lead in leads for n in lead.nodes if n not in ("in", "0")]
    order += [n for n in wired if n not in ("in", "0")]
    order = [*dict.fromkeys(order), "0"]

    def apart(rows: list[str]) -> int:
        rows_of = {node: row for row, node in enumerate(rows)}
        return sum(abs(rows_of[a] - rows_of[b]) for a, b in (lead.nodes for lead in leads))

    best = apart(order)
    improved = True
    while improved:
        improved = False
        # `in` stays at the top, where the generator is.
        for i, j in combinations(range(1, len(order)), 2):
            tried = [*order]
            tried[i], tried[j] = tried[j], tried[i]
            if apart(tried) < best:
                order, best, improved = tried, apart(tried), True
    return tuple(order)


def strip_board(
    picked: PickedNetwork,
    outlines: Mapping[str, Outline],
    *,
    wires: Sequence[tuple[str, str]] = (),
) -> StripBoard:
    """Lay a network out on a strip board.

    Parameters
    ----------
    picked : PickedNetwork
        The network with its parts.
    outlines : mapping of str to Outline
        Outline of each part by its reference.
    wires : sequence of tuple
        More wires off the board, each a node and where it goes, such as ``contact A1``.

    Returns
    -------
    StripBoard
        Holes of all leads, links, cuts and terminals.
    """
    nodes = node_rows(picked, [node for node, _ in wires])
    rows = {node: _ROWS_APART * k for k, node in enumerate(nodes)}
    parts: list[BoardPart] = []
    links: list[WireLink] = []
    cuts: set[Hole] = set()
    taken: list[_Rectangle] = []
    lowest = rows[nodes[-1]]
    for lead in sorted(_leads(picked), key=lambda lead: min(rows[n] for n in lead.nodes)):
        outline = outlines[lead.ref]
        half = math.ceil((outline.width_mm / 2.0 + _CLEARANCE_MM) / PITCH_MM)
        first, last = sorted(rows[n] for n in lead.nodes)
        reaches = _reaches(outline, last - first)
        end = last if reaches else first + outline.holes
        own = _free(taken, first, max(last, end), 2 * half + 1)
        taken.append(own)
        column = own.left + half
        start, landing = Hole(first, column), Hole(end, column)
        if not reaches:
            beside = column + half
            links.append(WireLink(Hole(landing.row, beside), Hole(last, beside)))
            cuts |= {Hole(landing.row, column - 1), Hole(landing.row, beside + 1)}
        parts.append(BoardPart(lead.ref, lead.kind, lead.value, start, landing, outline))
        lowest = max(lowest, landing.row)
    each = Counter(node for node, _ in wires)
    columns = max(own.right for own in taken) + _MARGIN + max(each.values(), default=0)
    return StripBoard(
        lowest + 1,
        columns,
        tuple(parts),
        tuple(links),
        tuple(sorted(cuts)),
        _terminals(picked, rows, columns - 1, wires),
    )


def _free(taken: Sequence[_Rectangle], top: int, bottom: int, width: int) -> _Rectangle:
    """The rectangle farthest to the left that has no hole in common with those taken."""
    beside = [
        other
        for other in taken
        if other.top <= bottom + _OVERHANG_ROWS and top - _OVERHANG_ROWS <= other.bottom
    ]
    left = min(
        start
        for start in (_MARGIN, *(other.right for other in beside))
        if all(start + width <= o.left or o.right <= start for o in beside)
    )
    return _Rectangle(left, left + width, top, bottom)


def _reaches(outline: Outline, apart: int) -> bool:
    """Whether the leads go straight from node to node."""
    return apart == outline.holes or (outline.axial and outline.holes <= apart <= outline.holes + 2)


def _terminals(
    picked: PickedNetwork, rows: Mapping[str, int], last: int, wires: Sequence[tuple[str, str]]
) -> tuple[Terminal, ...]:
    """Wires of the generator at the left end of the strips, of unit and switch at the right."""
    ends = dict.fromkeys(rows, last - 1)
    more = []
    for node, goal in wires:
        more.append(Terminal(node, goal, Hole(rows[node], ends[node])))
        ends[node] -= 1
    return (
        *(Terminal(node, "generator", Hole(rows[node], 0)) for node in ("in", "0")),
        *(Terminal(node, "unit", Hole(rows[node], last)) for node in picked.topology.output),
        *more,
    )
