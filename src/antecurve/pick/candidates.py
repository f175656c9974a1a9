"""Every value that a position can take: single parts and two joined ones."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import InputError, NoCombinationError
from antecurve.job import Job, Stock
from antecurve.networks.topology import Element, ElementKind
from antecurve.parts.drawer import Drawer
from antecurve.parts.joined import JOINS, joined_value, values_add
from antecurve.parts.position import Part, Position
from antecurve.parts.series import series_values
from antecurve.quantities import format_quantity

__all__ = ["MOST_VALUES", "UNLIMITED", "Candidates", "candidates", "stock_of"]

UNLIMITED = 1 << 30
"""Quantity of a part that is bought, not taken out of the drawer."""

MOST_VALUES = 3_000_000
"""Most values of joined parts that one kind of position is given: some 300 MiB."""

_SAME = 1e-11  # relative: sums that differ by rounding alone
_KEPT = 8  # stocks of one process: two a job, and jobs follow one another


@dataclass(frozen=True, slots=True, eq=False)
class Candidates:
    """The values that a position of one kind can take, ascending.

    Attributes
    ----------
    kind : ElementKind
        Resistor or capacitor.
    parts : tuple of Part
        The parts to choose from.
    quantity : numpy.ndarray of int, shape (parts,)
        How many there are of each.
    values : numpy.ndarray of float, shape (candidates,)
        Values of the position [ohm or F], ascending.
    first, second : numpy.ndarray of int, shape (candidates,)
        Indices of the joined parts; `second` is -1 for a single part.
    joined : numpy.ndarray of int, shape (candidates,)
        0 single, 1 series, 2 parallel.
    legs : int
        2 where the position stands once in each leg of a balanced network: `values` are then
        those of the unbalanced network, twice a resistance and half a capacitance.
    made_of : tuple or None
        What `candidates` made all of them of: kind, stock, drawer.  ``None`` of a selection.

    Notes
    -----
    Pickled, a whole stock is what it was made of: whoever reads it lists the values anew, once.
    """

    kind: ElementKind
    parts: tuple[Part, ...]
    quantity: NDArray[np.int64]
    values: NDArray[np.float64]
    first: NDArray[np.int64]
    second: NDArray[np.int64]
    joined: NDArray[np.int8]
    legs: int = 1
    made_of: tuple[ElementKind, Stock, Drawer | None] | None = field(
        default=None, init=False, repr=False
    )

    def __reduce_ex__(self, protocol: Any) -> Any:
        if self.made_of is None:
            return object.__reduce_ex__(self, protocol)
        return _listed, (*self.made_of, self.legs)

    @property
    def limited(self) -> bool:
        """Whether some part can run out."""
        return bool(np.any(self.quantity < UNLIMITED))

    def balanced(self) -> Candidates:
        """Convert the values to those of a position in both legs of a balanced network.

        Returns
        -------
        Candidates
            Values as the unbalanced network sees them.
        """
        factor = 2.0 if self.kind is ElementKind.RESISTOR else 0.5
        both = replace(self, values=self.values * factor, legs=2)
        object.__setattr__(both, "made_of", self.made_of)
        return both

    def singles(self) -> Candidates:
        """Select the candidates that are one part.

        Returns
        -------
        Candidates
            Some of them.
        """
        return self.chosen(self.second < 0)

    def chosen(self, which: NDArray[np.bool_]) -> Candidates:
        """Select some of the candidates.

        Parameters
        ----------
        which : numpy.ndarray of bool, shape (candidates,)
            Which.

        Returns
        -------
        Candidates
            They.
        """
        return replace(
            self,
            values=self.values[which],
            first=self.first[which],
            second=self.second[which],
            joined=self.joined[which],
        )

    def index_of(self, other: Candidates, index: int) -> int:
        """Find a candidate of another selection from the same parts among these.

        Parameters
        ----------
        other : Candidates
            The selection.
        index : int
            Which of its candidates.

        Returns
        -------
        int
            Its number here.
        """
        if other is self:
            return index
        low, high = (
            np.searchsorted(self.values, other.values[index], "left"),
            np.searchsorted(self.values, other.values[index], "right"),
        )
        same = (self.first[low:high] == other.first[index]) & (
            self.second[low:high] == other.second[index]
        )
        return int(low + np.flatnonzero(same)[0])

    def without(self, used: Counter[int]) -> Candidates:
        """Take parts away from the candidates.

        Parameters
        ----------
        used : Counter of int
            How many are taken of each of `parts`.

        Returns
        -------
        Candidates
            Those whose parts are still there; there may be none.
        """
        quantity = self.quantity.copy()
        for part, count in used.items():
            if quantity[part] != UNLIMITED:
                quantity[part] -= count
        need = self.legs * (1 + (self.first == self.second))
        enough = (quantity[self.first] >= need) & (
            (self.second < 0) | (quantity[self.second] >= need)
        )
        return replace(self.chosen(enough), quantity=quantity)

    def limited_parts(self, used: Sequence[Part]) -> tuple[int, ...]:
        """Find parts that are in use among those that can run out.

        Parameters
        ----------
        used : sequence of Part
            Parts; like ones are different ones.

        Returns
        -------
        tuple of int
            Indices into `parts`, as often as each is used; none of what is bought.
        """
        remaining = np.where(self.quantity < UNLIMITED, self.quantity, 0)
        indices = []
        for part in used:
            there = np.flatnonzero(remaining > 0)
            index = next((i for i in there if self.parts[i] == part), None)
            if index is not None:
                remaining[index] -= 1
                indices.append(int(index))
        return tuple(indices)

    def uses(self, index: int) -> tuple[int, ...]:
        """List the indices of the parts that a candidate uses, once for each use.

        Parameters
        ----------
        index : int
            Which candidate.

        Returns
        -------
        tuple of int
            Indices into `parts`.
        """
        used = [int(i) for i in (self.first[index], self.second[index]) if i >= 0]
        return tuple(used * self.legs)

    def position(self, element: Element, index: int) -> Position:
        """Fill a position with one of the candidates.

        Parameters
        ----------
        element : Element
            The position.
        index : int
            Which candidate.

        Returns
        -------
        Position
            The position with its parts.
        """
        chosen = [int(self.first[index])]
        if self.second[index] >= 0:
            chosen.append(int(self.second[index]))
        parts = tuple(self.parts[i] for i in chosen)
        return Position(element, parts, JOINS[int(self.joined[index])])


def candidates(kind: ElementKind, stock: Stock, drawer: Drawer | None = None) -> Candidates:
    """List every value that a position can take from a stock.

    Parameters
    ----------
    kind : ElementKind
        Resistor or capacitor.
    stock : Stock
        Series, range of each part, and how parts may be joined.
    drawer : Drawer or None, optional
        Parts on hand, instead of a series or beside it.

    Returns
    -------
    Candidates
        Ascending.  Of bought parts that make the same value the fewest are kept; parts out of
        the drawer are all kept, since each can be used only so often.

    Raises
    ------
    NoCombinationError
        When nothing is left within the range.
    InputError
        When two joined parts of so many make more than `MOST_VALUES` values.
    """
    name = f"{kind.value}s"
    parts, quantity = _parts(kind, stock, drawer, name)
    values = np.array([p.value for p in parts])
    count = len(values)
    columns = [(values, np.arange(count), np.full(count, -1), 0)]
    if stock.parts_per_position == 2:
        made = count * (count + 1) // 2 * len(stock.join)
        if made > MOST_VALUES:
            raise InputError(
                f"{name}.parts_per_position",
                f"2 with {count} different parts",
                f"joined they make {made:,} values and up to {MOST_VALUES:,} are searched; use "
                "1, a narrower range or fewer parts",
            )
        one, two = np.triu_indices(count)
        allowed = (one != two) | (quantity[one] >= 2)
        one, two = one[allowed], two[allowed]
        for code, join in enumerate(JOINS):
            if join in stock.join:
                pair = joined_value([values[one], values[two]], adds=values_add(kind, join))
                columns.append((pair, one, two, code))
    value = np.concatenate([c[0] for c in columns])
    first = np.concatenate([c[1] for c in columns])
    second = np.concatenate([c[2] for c in columns])
    joined = np.concatenate([np.full(len(c[0]), c[3], dtype=np.int8) for c in columns])
    order = np.lexsort((second >= 0, value))
    value, first, second, joined = value[order], first[order], second[order], joined[order]
    keep = _distinct(value, first, second, quantity)
    choices = Candidates(
        kind, parts, quantity, value[keep], first[keep], second[keep], joined[keep]
    )
    for array in (choices.quantity, choices.values, choices.first, choices.second, choices.joined):
        array.setflags(write=False)
    object.__setattr__(choices, "made_of", (kind, stock, drawer))
    return choices


@lru_cache(maxsize=_KEPT)
def _listed(kind: ElementKind, stock: Stock, drawer: Drawer | None, legs: int) -> Candidates:
    """List a stock that was sent."""
    choices = candidates(kind, stock, drawer)
    return choices if legs == 1 else choices.balanced()


def _parts(
    kind: ElementKind, stock: Stock, drawer: Drawer | None, name: str
) -> tuple[tuple[Part, ...], NDArray[np.int64]]:
    low, high = stock.value_range
    parts: list[Part] = []
    quantity: list[int] = []
    span = f"{format_quantity(low, kind.unit)} to {format_quantity(high, kind.unit)}"
    if drawer is not None:
        for entry in drawer.of_kind(kind):
            if low <= entry.part.value <= high:
                parts.append(entry.part)
                quantity.append(entry.quantity)
    elif stock.drawer is not None:
        raise InputError(f"{name}.drawer", stock.drawer, "read the drawer and hand it over")
    if stock.series is not None:
        for value in series_values(stock.series, low=low, high=high):
            parts.append(Part(float(value), stock.tolerance, stock.series))
            quantity.append(UNLIMITED)
    if not parts:
        source = " and ".join(
            ([stock.series] if stock.series else []) + ([drawer.name] if drawer else [])
        )
        raise NoCombinationError(
            f"{name}.range",
            f"no {kind.value} of {source or 'no stock'} lies within {span}; widen the range",
        )
    return tuple(parts), np.array(quantity, dtype=np.int64)


def _distinct(
    value: NDArray[np.float64],
    first: NDArray[np.int64],
    second: NDArray[np.int64],
    quantity: NDArray[np.int64],
) -> NDArray[np.bool_]:
    """Which candidates to keep: of equal values from bought parts the fewest parts."""
    bought = (quantity[first] == UNLIMITED) & ((second < 0) | (quantity[second] == UNLIMITED))
    keep = np.ones(len(value), dtype=bool)
    bought_at = np.flatnonzero(bought)
    if not len(bought_at):
        return keep
    same = np.diff(value[bought_at]) <= _SAME * value[bought_at][1:]
    # Rounding may put the pair first; within a run of equals the fewest parts stay.
    group = np.concatenate([[0], np.cumsum(~same)])
    best = np.lexsort((second[bought_at] >= 0, group))
    leader = np.concatenate([[True], np.diff(group[best]) > 0])
    keep[bought_at] = False
    keep[bought_at[best[leader]]] = True
    return keep


def stock_of(job: Job, drawer: Drawer | None) -> dict[ElementKind, Candidates]:
    """List the values that a position can take, by kind.

    Parameters
    ----------
    job : Job
        The job.
    drawer : Drawer or None
        Parts on hand.

    Returns
    -------
    dict of ElementKind to Candidates
        The candidates.
    """
    return {
        ElementKind.RESISTOR: candidates(ElementKind.RESISTOR, job.resistors, drawer),
        ElementKind.CAPACITOR: candidates(ElementKind.CAPACITOR, job.capacitors, drawer),
    }
