"""Proof that curves cannot share positions: boxes of values, excluded one by one.

Some values of two or three switch positions are the same, others their own.  Where one of a pair
that makes a zero follows from the other, that both are shared is left out, which allows more.  The
logarithms that remain span a box.  It is halved until in every part either bounds exclude one of
the curves (`antecurve.switched.exact_bounds`) or equations exclude all at once
(`antecurve.switched.exact_roots`).  With equal levels two curves may share what three cannot.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from itertools import combinations, product

import numpy as np
from numpy.typing import NDArray

from antecurve.curves.model import FLAT
from antecurve.job import Job
from antecurve.switched.conflicts import Conflict, value_bounds
from antecurve.switched.exact_bounds import ExactBounds, ExactModel, ValueBound, Wanted
from antecurve.switched.exact_hull import Hull
from antecurve.switched.exact_roots import ExactRoots
from antecurve.switched.exact_tables import FormTables, pole_range
from antecurve.switched.position_bound import Budget
from antecurve.switched.request import SwitchPosition
from antecurve.switched.throws import ThrownNetwork
from antecurve.synthesis.sections import named_form
from antecurve.synthesis.sections.cascade import CASCADE_LONG_FIRST, CASCADE_SHORT_FIRST

__all__ = ["Exclusions"]

Floats = NDArray[np.float64]
Ranges = Mapping[object, tuple[float, float]]
Positions = tuple[tuple[SwitchPosition, Job], ...]
_Group = tuple[tuple[int, int], ...]

_EFFORTS = (0, 300, 3000, 30_000)
"""Boxes of one proof, in turns: of some curves one box tells, others share as much as is asked."""
_MOST_OF_FORM = 100_000  # boxes of all proofs of one form: some ten seconds
_BATCH = 2**14  # corners of boxes at a time: goes nearly depth first
_MOST_AT_ONCE = 3  # positions: of more the corners are too many
_MOST_VARIABLES = 10  # likewise
_HEAVY = 6  # variables: boxes of more count by their corners
_NARROW = 1e-3  # of a logarithm: a box that is left so narrow holds values for both curves


class Exclusions:
    """What positions of the switch cannot share, for one form.

    Parameters
    ----------
    tables : FormTables
        Exact values of each position.
    positions : tuple of tuple
        Each position with its job.
    ranges : mapping of ElementKind to tuple of float
        ln of the least and the largest value.
    lowest_pole_hz : float
        Lowest frequency [Hz] of an ultrasonic pole that the network may choose.
    budget : Budget, optional
        Time that proofs may take.
    """

    def __init__(
        self, tables: FormTables, positions: Positions, ranges: Ranges, lowest_pole_hz: float,
        budget: Budget | None = None,
    ) -> None:  # fmt: skip
        self._budget = Budget() if budget is None else budget
        self._tables, self._positions, self._ranges = tables, positions, ranges
        self._poles = pole_range(lowest_pole_hz)
        self._fixed = named_form(tables.topology.form).section in (
            CASCADE_LONG_FIRST, CASCADE_SHORT_FIRST,
        )  # fmt: skip
        self._left = _MOST_OF_FORM
        self._known: dict[_Group, list[tuple[frozenset[str], bool, int]]] = {}
        self._proofs: dict[_Group, int] = {}

    def conflict(self, chosen: tuple[int, ...], switched: frozenset[str]) -> Conflict | None:
        """Find two or three curves that cannot be made if some positions alone are switched.

        Parameters
        ----------
        chosen : tuple of int
            For each position of the switch the number of what its throws leave of the network.
        switched : frozenset of str
            Positions that may have other values.

        Returns
        -------
        Conflict or None
            Proved; ``None`` where no proof was found within a fixed effort.
        """
        numbers = range(len(chosen))
        groups = [
            tuple((number, chosen[number]) for number in group)
            for size in range(2, _MOST_AT_ONCE + 1)
            for group in combinations(numbers, size)
        ]
        for most in _EFFORTS:  # what is known already comes first, what is easily proved next
            for group in sorted(groups, key=lambda g: -self._proofs.get(g, 0)):
                if self._excluded(group, switched, most):
                    wanted = [self._wanted(*member) for member in group]
                    common = frozenset.intersection(
                        *(frozenset(e.ref for e in w.elements) for w in wanted)
                    )
                    refs = tuple(r for r in self._tables.topology.refs if r in common - switched)
                    return Conflict(refs, tuple(w.name for w in wanted), "", 0.0)
        return None

    def _excluded(self, group: _Group, switched: frozenset[str], most: int) -> bool:
        """Whether positions are known to conflict, or it takes no more boxes to prove it."""
        known = self._known.setdefault(group, [])
        for others, proved, tried in known:
            if proved and switched <= others:
                return True
            if not proved and others <= switched and most <= tried:
                return False
        most = min(most, self._left)
        if most <= 0 or self._budget.late_for_proofs:
            return False
        wanted = tuple(self._wanted(*member) for member in group)
        proved, bounded = _cannot_share(
            wanted, switched, self._ranges, fixed=self._fixed, most=most
        )
        self._left -= bounded
        self._proofs[group] = self._proofs.get(group, 0) + proved
        known.append((switched, proved, most))
        return proved

    def _wanted(self, number: int, index: int) -> Wanted:
        (position, job), table = self._positions[number], self._tables.tables[number]
        network: ThrownNetwork = table.thrown[index]
        poles = self._poles if position.free_pole else None
        return Wanted(
            position.name, network, job, position.curve, poles, table.zeros_s,
            table.values(network), self._bounds_of(number, network),
        )  # fmt: skip

    def _bounds_of(self, number: int, network: ThrownNetwork) -> tuple[ValueBound, ...]:
        """What is proved of single values and of products and ratios of two."""
        tables = self._tables
        places = {ref: i for i, ref in enumerate(network.topology.refs)}
        kinds = [e.kind for e in network.topology.elements]
        made = []
        bounds = value_bounds(tables, tables.tables[number], network)
        for refs, (low, high, proved) in bounds.items():
            if proved and len(refs) <= 2:
                first, last = places[refs[0]], places[refs[-1]]
                sign = 0.0 if len(refs) == 1 else 1.0 if kinds[first] != kinds[last] else -1.0
                made.append(ValueBound(first, last, sign, low, high))
        return tuple(made)


def _cannot_share(
    positions: tuple[Wanted, ...], switched: frozenset[str], ranges: Ranges, *, fixed: bool,
    most: int,
) -> tuple[bool, int]:  # fmt: skip
    """Whether it is proved that no values make all curves, and how many boxes it took.

    Nothing is proved where it would take more, for flat curves, and where the zeros of the networks
    are not known.
    """
    if any(not w.zeros_s or w.curve.name == FLAT for w in positions):
        return False, 0
    bounded = 0
    for pairs in product(*(wanted.paired(fixed=fixed) for wanted in positions)):
        proved, count = _excluded(positions, pairs, switched, ranges, most - bounded)
        bounded += count
        if not proved:
            return False, bounded
    return True, bounded


def _excluded(
    positions: tuple[Wanted, ...], pairs: tuple[dict[tuple[int, int], float], ...],
    switched: frozenset[str], ranges: Ranges, most: int,
) -> tuple[bool, int]:  # fmt: skip
    """Whether no values do with the zeros made by certain pairs, and the boxes that it took."""
    models, low, high = _variables(positions, pairs, switched, ranges)
    if np.any(low > high):
        return True, 0
    if len(low) > _MOST_VARIABLES:
        return False, 0
    batch = _BATCH >> len(low)
    try:
        bounds = [ExactBounds(m, w) for m, w in zip(models, positions, strict=True)]
    except ValueError:
        return False, 0
    roots = [ExactRoots(*each) for each in zip(models, positions, pairs, bounds, strict=True)]
    stack, bounded = [(low[None], high[None])], 0
    while stack and bounded < most:
        low, high = stack.pop()
        if len(low) > batch:
            stack.append((low[batch:], high[batch:]))
            low, high = low[:batch], high[:batch]
        bounded += len(low) << max(low.shape[1] - _HEAVY, 0)
        for model, bound in zip(models, bounds, strict=True):
            low, high = model.narrowed(low, high)
            own = model.variables
            keep = bound(*model.element_ends(low[:, own], high[:, own]))
            low, high = low[keep], high[keep]
        if not len(low):
            continue
        hull = Hull([corners for of_one in roots for corners in of_one.at_corners(low, high)])
        axis = hull.bent_by_variable().argmax(axis=1)
        low, high, keep = hull.narrowed(low, high)
        keep &= hull.may_hold_zero()
        low, high, axis = low[keep], high[keep], axis[keep]
        if np.any((high - low).max(axis=1, initial=_NARROW) < _NARROW):
            return False, bounded
        if len(low):
            stack.append(_halves(low, high, axis))
    return not stack, bounded


def _halves(low: Floats, high: Floats, axis: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Boxes halved along an axis of each."""
    box = np.arange(len(low))
    middle = (low[box, axis] + high[box, axis]) / 2.0
    lower, upper = low.copy(), high.copy()
    lower[box, axis], upper[box, axis] = middle, middle
    return np.concatenate([low, lower]), np.concatenate([upper, high])


def _variables(
    positions: tuple[Wanted, ...], pairs: tuple[dict[tuple[int, int], float], ...],
    switched: frozenset[str], ranges: Ranges,
) -> tuple[list[ExactModel], Floats, Floats]:  # fmt: skip
    """The positions by the logarithms that remain, and the box of these."""
    number: dict[tuple[str, str], int] = {}
    models, ends = [], []
    for wanted, products in zip(positions, pairs, strict=True):
        refs = [e.ref for e in wanted.elements]
        signs, shifts = np.ones(len(refs)), np.zeros(len(refs))
        told_by = list(refs)
        for (resistor, capacitor), time in products.items():
            follows, leads = capacitor, resistor
            if refs[resistor] in switched and refs[capacitor] not in switched:
                follows, leads = resistor, capacitor
            signs[follows], shifts[follows] = -1.0, math.log(time)
            told_by[follows] = refs[leads]
        keys = [(ref, wanted.name if ref in switched else "") for ref in told_by]
        columns_of = [number.setdefault(key, len(number)) for key in keys]
        variables = sorted(set(columns_of))
        columns = np.array([variables.index(c) for c in columns_of])
        models.append(ExactModel(wanted, columns, signs, shifts, np.array(variables)))
        for element, sign, shift, column in zip(
            wanted.elements, signs, shifts, columns_of, strict=True
        ):
            ends.append((column, sorted(float(sign * (x - shift)) for x in ranges[element.kind])))
    low, high = np.full(len(number), -math.inf), np.full(len(number), math.inf)
    for column, (least, most) in ends:
        low[column], high[column] = max(low[column], least), min(high[column], most)
    return models, low, high
