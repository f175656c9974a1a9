"""Where the nodes and the parts of a unit's circuit stand in its schematic.

Each node is an upright line at a column of its own, in the order that the signal passes them.
Parts between two nodes and amplifiers lie across, each in the lowest row that is free between its
columns; parts to ground hang below.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from antecurve.diagnose.unit_circuit import UnitCircuit

__all__ = ["CircuitLayout", "Stage", "circuit_layout"]

_BACKWARD = 20.0  # columns that an amplifier towards the left counts as: more than any detour
_MOVES = 200  # at most, of one node to another column: a page has a dozen columns


@dataclass(frozen=True, slots=True)
class Stage:
    """An amplifier of either kind.

    Attributes
    ----------
    name : str
        Its name.
    minus : str or None
        Node of its minus input; ``None`` where it has one input.
    plus : str
        Node of its input, or of its plus input.
    output : str
        Node of its output.
    """

    name: str
    minus: str | None
    plus: str
    output: str

    @property
    def inputs(self) -> tuple[str, ...]:
        """Nodes of its inputs but the common return."""
        return tuple(n for n in (self.minus, self.plus) if n is not None and n != "0")


@dataclass(frozen=True, slots=True)
class CircuitLayout:
    """Columns and rows of a circuit.

    Attributes
    ----------
    columns : tuple of str
        The nodes from left to right, the common return apart.
    rows : dict of str to int
        Row of each amplifier and of each part between two nodes, 0 the lowest, by name.
    grounded : dict of str to tuple of str
        References of the parts from each node to ground.
    stages : tuple of Stage
        The amplifiers.
    """

    columns: tuple[str, ...]
    rows: dict[str, int]
    grounded: dict[str, tuple[str, ...]]
    stages: tuple[Stage, ...]


def circuit_layout(circuit: UnitCircuit) -> CircuitLayout:
    """Lay a circuit out.

    Parameters
    ----------
    circuit : UnitCircuit
        The circuit.

    Returns
    -------
    CircuitLayout
        Its columns and rows.
    """
    stages = (
        *(Stage(b.name, None, b.input, b.output) for b in circuit.amplifiers),
        *(Stage(s.name, s.minus, s.plus, s.output) for s in circuit.operational_amplifiers),
    )
    ends = {p.element.ref: p.element.nodes for p in circuit.positions}
    across = {ref: nodes for ref, nodes in ends.items() if "0" not in nodes}
    columns = _columns(circuit.nodes, stages, list(across.values()))
    grounded = {
        node: tuple(ref for ref, nodes in ends.items() if set(nodes) == {node, "0"})
        for node in columns
    }
    spans = {s.name: {columns.index(n) for n in (*s.inputs, s.output)} for s in stages}
    rows = _rows(spans, {})
    rows |= _rows({ref: {columns.index(n) for n in nodes} for ref, nodes in across.items()},
                  {name: (spans[name], row) for name, row in rows.items()})  # fmt: skip
    return CircuitLayout(columns, rows, grounded, stages)


def _columns(
    nodes: tuple[str, ...], stages: tuple[Stage, ...], links: list[tuple[str, str]]
) -> tuple[str, ...]:
    """The order of least length, by moving one node at a time; input first, output last."""

    def length(order: list[str]) -> float:
        at = {node: k for k, node in enumerate(order)}
        total = float(sum(abs(at[first] - at[second]) for first, second in links))
        for stage in stages:
            for node in stage.inputs:
                ahead = at[stage.output] - at[node]
                total += ahead if ahead > 0 else _BACKWARD
        return total

    inner = [n for n in nodes if n not in ("in", "out")]
    starts = (["in", *inner, "out"], ["in", *reversed(inner), "out"])
    one, other = (_shortened(order, length) for order in starts)
    return tuple(one if length(one) <= length(other) else other)


def _shortened(order: list[str], length: Callable[[list[str]], float]) -> list[str]:
    """The order with single nodes moved as long as that makes it shorter."""
    for _ in range(_MOVES):
        moved = [
            [*others[:to], node, *others[to:]]
            for node in order[1:-1]
            for others in [[n for n in order if n != node]]
            for to in range(1, len(others))
        ]
        best = min(moved, key=length, default=order)
        if length(best) >= length(order):
            break
        order = best
    return order


def _rows(spans: dict[str, set[int]], known: dict[str, tuple[set[int], int]]) -> dict[str, int]:
    """The lowest row free between the columns of each, the shortest first."""
    used = {(gap, row) for span, row in known.values() for gap in range(min(span), max(span))}
    rows = {}
    for name, span in sorted(spans.items(), key=lambda item: max(item[1]) - min(item[1])):
        gaps = range(min(span), max(span))
        row = next(r for r in range(len(used) + 1) if not any((g, r) in used for g in gaps))
        used |= {(gap, row) for gap in gaps}
        rows[name] = row
    return rows
