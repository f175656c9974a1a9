"""The parts of a picked network as they scatter: each physical part by itself.

A position of two joined parts is two parts, ``C1a`` and ``C1b``; its value follows from theirs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.arrays import read_only
from antecurve.networks.topology import ElementKind
from antecurve.parts.joined import joined_value, joined_weights, values_add
from antecurve.parts.position import PickedNetwork, Position

__all__ = [
    "PartTable",
    "part_references",
    "part_table",
    "part_weights",
    "position_box",
    "position_scatter",
    "position_values",
]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class PartTable:
    """The physical parts of a network, in the order of the positions.

    Attributes
    ----------
    refs : tuple of str
        References of the parts: that of the position, with ``a``, ``b`` where parts are joined.
    kinds : tuple of ElementKind
        Resistor or capacitor.
    nominal : numpy.ndarray of float, shape (parts,)
        Values [ohm or F]; read-only.
    tolerance : numpy.ndarray of float, shape (parts,)
        Tolerances, fractions; read-only.
    positions : tuple of tuple of int
        For each position the indices of its parts.
    adds : tuple of bool
        For each position whether the values of its parts add up (else their reciprocals do).
    """

    refs: tuple[str, ...]
    kinds: tuple[ElementKind, ...]
    nominal: Floats
    tolerance: Floats
    positions: tuple[tuple[int, ...], ...]
    adds: tuple[bool, ...]


def part_references(position: Position) -> tuple[str, ...]:
    """Name the parts of a position: ``R1``, or ``C1a`` and ``C1b``.

    Parameters
    ----------
    position : Position
        The position.

    Returns
    -------
    tuple of str
        One reference a part.
    """
    ref = position.element.ref
    if len(position.parts) == 1:
        return (ref,)
    return tuple(f"{ref}{letter}" for letter in "abcdefgh"[: len(position.parts)])


def part_table(picked: PickedNetwork) -> PartTable:
    """List the physical parts of a picked network.

    Parameters
    ----------
    picked : PickedNetwork
        A topology with parts in every position.

    Returns
    -------
    PartTable
        Its parts.
    """
    refs: list[str] = []
    kinds: list[ElementKind] = []
    nominal: list[float] = []
    tolerance: list[float] = []
    positions: list[tuple[int, ...]] = []
    adds: list[bool] = []
    for position in picked.positions:
        first = len(refs)
        refs += part_references(position)
        for part in position.parts:
            kinds.append(position.element.kind)
            nominal.append(part.value)
            tolerance.append(part.tolerance)
        positions.append(tuple(range(first, len(refs))))
        adds.append(values_add(position.element.kind, position.joined))
    return PartTable(
        tuple(refs), tuple(kinds), read_only(nominal), read_only(tolerance), tuple(positions),
        tuple(adds),
    )  # fmt: skip


def position_values(table: PartTable, values: Floats) -> Floats:
    """Compute the values of the positions for the values of the parts.

    Parameters
    ----------
    table : PartTable
        The parts.
    values : numpy.ndarray of float, shape (parts, builds)
        Values of the parts [ohm or F], greater than 0.

    Returns
    -------
    numpy.ndarray of float, shape (positions, builds)
        Values of the joined parts [ohm or F].
    """
    joined = np.empty((len(table.positions), *values.shape[1:]))
    for index, (parts, adds) in enumerate(zip(table.positions, table.adds, strict=True)):
        joined[index] = joined_value([values[part] for part in parts], adds=adds)
    return joined


def position_box(table: PartTable) -> tuple[Floats, Floats]:
    """Compute the ends of the range of each position.

    Every part moves its position's value one way only, so the box of the parts is exactly the
    box of the positions.

    Parameters
    ----------
    table : PartTable
        The parts with their tolerances.

    Returns
    -------
    low, high : numpy.ndarray of float, shape (positions,)
        Value with all parts at their low, and at their high end [ohm or F].
    """
    ends = [table.nominal * (1.0 + sign * table.tolerance) for sign in (-1.0, 1.0)]
    both = position_values(table, np.stack(ends, axis=1))
    return both[:, 0], both[:, 1]


def part_weights(table: PartTable) -> Floats:
    """Compute how much each part counts in the value of its position.

    Parameters
    ----------
    table : PartTable
        The parts.

    Returns
    -------
    numpy.ndarray of float, shape (positions, parts)
        Relative change of the position per relative change of the part: its share in the sum
        of the values, or in the sum of their reciprocals.
    """
    weights = np.zeros((len(table.positions), len(table.refs)))
    for index, (parts, adds) in enumerate(zip(table.positions, table.adds, strict=True)):
        weights[index, list(parts)] = joined_weights(table.nominal[list(parts)], adds=adds)
    return weights


def position_scatter(table: PartTable, parts: Floats) -> Floats:
    """Compute the root sum square of the relative scatter of the parts of each position.

    Parameters
    ----------
    table : PartTable
        The parts.
    parts : numpy.ndarray of float, shape (parts,)
        Relative standard deviation (or tolerance) of each part.

    Returns
    -------
    numpy.ndarray of float, shape (positions,)
        The same of the position's value, to first order.
    """
    return np.asarray(np.sqrt(part_weights(table) ** 2 @ parts**2))
