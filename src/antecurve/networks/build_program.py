"""What makes abs(H)**2 of a build out of its parts, written down as steps on rows of numbers.

A row holds one quantity of many builds.  A step sets a row to a product of two, adds or takes off
one, or does the same with a reciprocal; so one compiled loop runs any network
(`antecurve.networks.build_kernels`).  The sums are those of `antecurve.networks.compiled`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from antecurve.networks.forest_sums import forest_sum
from antecurve.networks.topology import Loading, Topology

__all__ = ["BuildProgram", "build_program"]

SET, ADD, TAKE, SET_RECIPROCAL, ADD_RECIPROCAL = range(5)


@dataclass(frozen=True, slots=True, eq=False)
class BuildProgram:
    """Steps on rows.

    Attributes
    ----------
    steps : numpy.ndarray of int, shape (steps, 4)
        What a step does, the row it changes and the two rows it takes.
    constants : numpy.ndarray of float, shape (rows,)
        What each row holds at the start; the parts, which come first, any number.
    numerator, denominator : tuple of int
        Rows with the coefficients of ascending powers of w**2.
    """

    steps: NDArray[np.int64]
    constants: NDArray[np.float64]
    numerator: tuple[int, ...]
    denominator: tuple[int, ...]


@dataclass(slots=True)
class _Writer:
    """Steps and rows as they come up; a row that is used no more is taken again."""

    parts: int
    steps: list[tuple[int, int, int, int]] = field(default_factory=list)
    constants: list[float] = field(default_factory=list)
    free: list[int] = field(default_factory=list)
    known: set[int] = field(default_factory=set)
    zero: int = 0
    one: int = 0

    def __post_init__(self) -> None:
        self.constants = [0.0] * self.parts
        self.zero, self.one = self.constant(0.0), self.constant(1.0)

    def constant(self, value: float) -> int:
        self.constants.append(value)
        self.known.add(len(self.constants) - 1)
        return len(self.constants) - 1

    def row(self) -> int:
        if self.free:
            return self.free.pop()
        self.constants.append(0.0)
        return len(self.constants) - 1

    def sum(self, products: Sequence[tuple[int, int, int]]) -> int:
        """Write the sum of products of two rows, each with its sign; what is known, as it is."""
        if len(products) == 1 and products[0][0] > 0 and self.one in products[0][1:]:
            return products[0][1] if products[0][2] == self.one else products[0][2]
        if all({one, other} <= self.known for _, one, other in products):
            value = self.constants
            return self.constant(sum(sign * value[one] * value[o] for sign, one, o in products))
        to = self.row()
        for number, (sign, one, other) in enumerate(sorted(products, key=lambda p: -p[0])):
            if not number and sign < 0:
                self.steps.append((SET, to, self.zero, self.zero))
            does = (SET, ADD)[number > 0] if sign > 0 else TAKE
            self.steps.append((does, to, one, other))
        return to


def build_program(
    topology: Topology,
    *,
    loading: Loading,
    positions: Sequence[tuple[int, ...]],
    adds: Sequence[bool],
) -> BuildProgram:
    """Write down how abs(H)**2 follows from the parts of a build.

    Parameters
    ----------
    topology : Topology
        The network's shape.
    loading : Loading
        Source and load.
    positions : sequence of tuple of int
        For each element the numbers of its parts.
    adds : sequence of bool
        For each element whether the values of its parts add up (else their reciprocals do).

    Returns
    -------
    BuildProgram
        The steps.
    """
    writer = _Writer(1 + max(part for of_position in positions for part in of_position))
    rows = [_joined(writer, *position) for position in zip(positions, adds, strict=True)]
    given = (loading.source_resistance, loading.load_resistance, loading.load_capacitance)
    rows += [writer.constant(value) for value in given]
    numerator, denominator = (_squared(writer, p) for p in _polynomials(writer, topology, rows))
    return BuildProgram(
        np.array(writer.steps, dtype=np.int64), np.array(writer.constants), numerator, denominator
    )


def _joined(writer: _Writer, parts: tuple[int, ...], adds: bool) -> int:
    """The row of a position's value."""
    if len(parts) == 1:
        return parts[0]
    if adds:
        return writer.sum([(1, part, writer.one) for part in parts])
    to, value = writer.row(), writer.row()
    for number, part in enumerate(parts):
        writer.steps.append((ADD_RECIPROCAL if number else SET_RECIPROCAL, to, part, part))
    writer.steps.append((SET_RECIPROCAL, value, to, to))
    return value


def _polynomials(
    writer: _Writer, topology: Topology, rows: list[int]
) -> tuple[list[int], list[int]]:
    """Rows of numerator and denominator in powers of s."""
    names = [f"x{number}" for number in range(len(rows))]
    written = forest_sum(topology, "transfer").expressions(names)
    known = {"0": writer.zero, "1": writer.one, **dict(zip(names, rows, strict=True))}
    last = {
        name: number
        for number, (_, text) in enumerate(written.shared)
        for name in text.replace("*", " ").split()
    }
    ends = written.numerator + written.denominator
    kept = {name for text in ends for name in text.split()} | set(known)

    def products(text: str) -> list[tuple[int, int, int]]:
        factors_of, sign = [], 1
        for word in text.split():
            if word in "+-":
                sign = 1 if word == "+" else -1
                continue
            factors = [known[name] for name in word.split("*")]
            factors_of.append((sign, factors[0], factors[1] if len(factors) > 1 else writer.one))
        return factors_of

    for number, (name, text) in enumerate(written.shared):
        known[name] = writer.sum(products(text))
        done = {known.pop(n) for n, at in last.items() if at == number and n not in kept}
        writer.free += sorted(done - set(known.values()) - writer.known)
    shared = [writer.sum(products(text)) for text in ends]
    return shared[: len(written.numerator)], shared[len(written.numerator) :]


def _squared(writer: _Writer, polynomial: list[int]) -> tuple[int, ...]:
    """Rows of abs(P(j w))**2 in powers of w**2."""
    order, two = len(polynomial) - 1, writer.constant(2.0)
    squared = []
    for power, row in enumerate(polynomial):
        products = [(1, row, row)]
        for apart in range(1, min(power, order - power) + 1):
            twice = writer.sum([(1, polynomial[power - apart], two)])
            products.append(((-1) ** apart, twice, polynomial[power + apart]))
        squared.append(writer.sum(products))
    return tuple(squared)
