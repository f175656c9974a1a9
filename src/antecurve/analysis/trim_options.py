"""What can be done to one position of a build: every change as numbers, for a search.

A position of which no part was measured is open: any candidate of the stock fills it.  A fitted
position takes one more part in series or in parallel, as the stock allows, or two where the stock
has two in a position.  Its parts can be unsoldered, all of them or one of two, and replaced.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from antecurve.job import Stock
from antecurve.networks.topology import ElementKind
from antecurve.parts.joined import JOINS, joined_value, joined_weights, values_add
from antecurve.parts.position import Part, Position
from antecurve.parts.scatter import part_references
from antecurve.pick.candidates import Candidates
from antecurve.results import Result

__all__ = ["NEW_PARTS", "Options", "TrimChange", "options"]

Floats = NDArray[np.float64]

NEW_PARTS = 2
"""New parts in a position at most: as many as a job joins."""


@dataclass(frozen=True, slots=True)
class TrimChange(Result):
    """One change to one position.

    Attributes
    ----------
    ref : str
        The position.
    action : str
        ``fit`` parts in a position still open; ``add in series`` or ``add in parallel`` to what
        is there; or ``replace``.
    parts : tuple of Part
        Parts to get.
    position : Position
        The position after the change; an addition counts what was there as one part.
    unsolder : tuple of str
        References of the parts to take out.
    """

    _keys: ClassVar = (
        "ref",
        "action",
        "parts:parts.value",
        "unsolder",
        "joined:position.joined",
        "value:position.value",
    )

    ref: str
    action: str
    parts: tuple[Part, ...]
    position: Position
    unsolder: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Way:
    """One way of changing a position; `joined` is empty where each candidate has its own."""

    action: str
    kept: tuple[int, ...]
    joined: str
    unsolder: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Options:
    """Every change of one position.

    Attributes
    ----------
    position : Position
        The position as it is.
    choice : Candidates
        What new parts make.
    log_values : numpy.ndarray of float, shape (options,)
        Logarithm of the position's value after the change, of ohm or F.
    scatter : numpy.ndarray of float, shape (options, existing parts + 2)
        Change of that logarithm per part that lies at the end of its tolerance, to first order:
        the parts that are there, then the new ones.
    planned : tuple of int
        Indices into `choice.parts` of those that are kept for the position while it is open and
        stays as designed.
    """

    position: Position
    choice: Candidates
    log_values: Floats
    scatter: Floats
    planned: tuple[int, ...]
    _ways: tuple[_Way, ...]
    _way: NDArray[np.int64]
    _candidate: NDArray[np.int64]

    def __len__(self) -> int:
        return len(self.log_values)

    def new_parts(self, option: int) -> tuple[int, ...]:
        """List the new parts of a change.

        Parameters
        ----------
        option : int
            Which change.

        Returns
        -------
        tuple of int
            Indices into `choice.parts`, one or two.
        """
        return self.choice.uses(int(self._candidate[option]))

    def drawn(self, option: int, deviations: Floats) -> Floats:
        """Compute the value of the position after a change, for drawn parts.

        Parameters
        ----------
        option : int
            Which change.
        deviations : numpy.ndarray of float, shape (existing parts + 2, draws)
            Deviation of each part as a fraction of its tolerance, -1 to 1.

        Returns
        -------
        numpy.ndarray of float, shape (draws,)
            Values [ohm or F].
        """
        way = self._ways[self._way[option]]
        existing = len(self.position.parts)
        new = [
            _drawn(self.choice.parts[part], deviations[existing + slot])
            for slot, part in enumerate(self.new_parts(option))
        ]
        joined = way.joined or JOINS[int(self.choice.joined[self._candidate[option]])]
        kept = [_drawn_kept(self.position, way.kept, deviations)] if way.kept else []
        return joined_value(kept + new, adds=values_add(self.position.element.kind, joined))

    def change(self, option: int) -> TrimChange:
        """Describe a change.

        Parameters
        ----------
        option : int
            Which change.

        Returns
        -------
        TrimChange
            What to get, what to unsolder, and the position after it.
        """
        way = self._ways[self._way[option]]
        element = self.position.element
        candidate = int(self._candidate[option])
        new = self.choice.position(element, candidate)
        if way.kept:
            after = Position(element, (_kept_part(self.position, way.kept), *new.parts), way.joined)
        else:
            after = new
        after = Position(element, after.parts, after.joined, self.position.exact)
        return TrimChange(element.ref, way.action, new.parts, after, way.unsolder)


def options(
    position: Position, choice: Candidates, stock: Stock, *, fitted: tuple[str, ...],
    planned: tuple[int, ...] = (),
) -> Options:  # fmt: skip
    """List every change of a position.

    Parameters
    ----------
    position : Position
        The position as built.
    choice : Candidates
        What new parts of its kind make.
    stock : Stock
        How parts may be joined.
    fitted : tuple of str
        References of the parts that are fitted there; empty where the position is still open.
    planned : tuple of int, optional
        As in `Options`.

    Returns
    -------
    Options
        The changes.
    """
    singles = np.flatnonzero(choice.second < 0)
    columns: list[tuple[_Way, NDArray[np.int64]]] = []
    every = np.arange(len(choice.values))
    if not fitted:
        columns.append((_Way("fit", (), ""), every))
    else:
        columns.append((_Way("replace", (), "", fitted), every))
        refs = part_references(position)
        there = tuple(range(len(refs)))
        for joined in stock.join:
            alike = np.flatnonzero((choice.second < 0) | (choice.joined == JOINS.index(joined)))
            columns.append((_Way(f"add in {joined}", there, joined), alike))
        if len(refs) == NEW_PARTS:
            for one in there:
                kept = tuple(k for k in there if k != one)
                columns.append((_Way("replace", kept, position.joined, (refs[one],)), singles))
    made = [_numbers(position, way, choice, which) for way, which in columns]
    return Options(
        position,
        choice,
        np.concatenate([values for values, _ in made]),
        np.concatenate([scatter for _, scatter in made]),
        planned,
        tuple(way for way, _ in columns),
        np.repeat(np.arange(len(columns)), [len(which) for _, which in columns]),
        np.concatenate([which for _, which in columns]),
    )


def _numbers(
    position: Position, way: _Way, choice: Candidates, which: NDArray[np.int64]
) -> tuple[Floats, Floats]:
    """Logarithms of the values that one way makes, and the scatter of each."""
    existing = len(position.parts)
    kind = position.element.kind
    scatter = np.zeros((len(which), existing + NEW_PARTS))
    value = np.array([p.value for p in choice.parts])
    tolerance = np.array([p.tolerance for p in choice.parts])
    first, second = choice.first[which], choice.second[which]
    joins = [way.joined] * len(JOINS) if way.joined else list(JOINS)
    adds = np.array([values_add(kind, joined) for joined in joins])[choice.joined[which]]
    absent = np.where(adds, 0.0, np.inf)
    there = absent
    if way.kept:
        there = np.full(len(which), _kept_part(position, way.kept).value)
    joined = np.stack([there, value[first], np.where(second >= 0, value[second], absent)])
    weights = joined_weights(joined, adds=adds)
    scatter[:, existing:] = (weights[1:] * np.stack([tolerance[first], tolerance[second]])).T
    if way.kept:
        parts = [position.parts[k] for k in way.kept]
        own = joined_weights(
            np.array([p.value for p in parts]), adds=values_add(kind, position.joined)
        )
        for part, weight, slot in zip(parts, own, way.kept, strict=True):
            scatter[:, slot] = weights[0] * weight * part.tolerance
    with np.errstate(divide="ignore"):
        total = np.where(adds, joined.sum(axis=0), 1.0 / (1.0 / joined).sum(axis=0))
    return np.log(total), scatter


def _kept_part(position: Position, kept: tuple[int, ...]) -> Part:
    """The parts that stay, as one part: with the scatter they have together, if all lie so."""
    if len(kept) == 1:
        return position.parts[kept[0]]
    return Part(position.value, position.tolerance, origin="fitted")


def _drawn(part: Part, deviation: Floats) -> Floats:
    return np.asarray(part.value * (1.0 + part.tolerance * deviation))


def _drawn_kept(position: Position, kept: tuple[int, ...], deviations: Floats) -> Floats:
    parts = [_drawn(position.parts[k], deviations[k]) for k in kept]
    return joined_value(parts, adds=values_add(position.element.kind, position.joined))


def enough_parts(positions: Sequence[Options], chosen: Sequence[tuple[int, int]]) -> bool:
    """Tell whether the stock has the parts of some changes, beside those of open positions.

    Parameters
    ----------
    positions : sequence of Options
        Every position of the build.
    chosen : sequence of tuple of int
        Numbers of position and change.

    Returns
    -------
    bool
        False where more of a part is wanted than there is.
    """
    needed: Counter[tuple[ElementKind, int]] = Counter()
    quantity: dict[tuple[ElementKind, int], int] = {}
    changes = dict(chosen)
    for number, position in enumerate(positions):
        changed = number in changes
        for index in position.new_parts(changes[number]) if changed else position.planned:
            part = position.choice.kind, index
            needed[part] += 1
            quantity[part] = int(position.choice.quantity[index])
    return all(count <= quantity[part] for part, count in needed.items())
