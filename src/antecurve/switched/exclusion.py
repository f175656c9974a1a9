"""Proof that two curves cannot share positions: boxes of values, excluded one by one.

Some values of two switch positions are the same, others their own.  Where one of a pair that makes
a zero follows from the other, that both are shared is left out, which allows more.  The logarithms
that remain span a box.  It is halved until in every part either bounds exclude one of the curves
(`antecurve.switched.exact_bounds`) or equations exclude both at once
(`antecurve.switched.exact_roots`).
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
from antecurve.switched.exact_roots import ExactRoots, may_all_be_zero, reach_by_variable
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

_EFFORTS = (0, 300, 3000, 30_000)
"""Boxes of one proof, in turns: of some curves one box tells, others share as much as is asked."""
_MOST_OF_FORM = 100_000  # boxes of all proofs of one form: some five seconds
_BATCH = 500  # boxes at a time: goes nearly depth first
_NARROW = 1e-3  # of a logarithm: a box that is left so narrow holds values for both curves


class Exclusions:
    """What two positions of the switch cannot share, for one form.

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
        self._known: dict[tuple[int, int, int, int], list[tuple[frozenset[str], bool, int]]] = {}

    def conflict(self, chosen: tuple[int, ...], switched: frozenset[str]) -> Conflict | None:
        """Find two curves that cannot be made if some positions alone are switched.

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
        pairs = list(combinations(range(len(chosen)), 2))
        for most in _EFFORTS:  # what is known already comes first, what is easily proved next
            for one, other in pairs:
                key = (one, chosen[one], other, chosen[other])
                if self._excluded(key, switched, most):
                    wanted = self._wanted(*key[:2]), self._wanted(*key[2:])
                    common = {e.ref for e in wanted[0].elements}
                    common &= {e.ref for e in wanted[1].elements} - switched
                    refs = tuple(r for r in self._tables.topology.refs if r in common)
                    return Conflict(refs, (wanted[0].name, wanted[1].name), "", 0.0)
        return None

    def _excluded(
        self, key: tuple[int, int, int, int], switched: frozenset[str], most: int
    ) -> bool:
        """Whether two positions are known to conflict, or it takes no more boxes to prove it."""
        known = self._known.setdefault(key, [])
        for others, proved, tried in known:
            if proved and switched <= others:
                return True
            if not proved and others <= switched and most <= tried:
                return False
        most = min(most, self._left)
        if most <= 0 or self._budget.late_for_proofs:
            return False
        proved, bounded = _cannot_share(
            self._wanted(*key[:2]), self._wanted(*key[2:]), switched, self._ranges,
            fixed=self._fixed, most=most,
        )  # fmt: skip
        self._left -= bounded
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
    one: Wanted, other: Wanted, switched: frozenset[str], ranges: Ranges, *, fixed: bool, most: int
) -> tuple[bool, int]:
    """Whether it is proved that no values make two curves, and how many boxes it took.

    Nothing is proved where it would take more, for flat curves, and where the zeros of the networks
    are not known.
    """
    if any(not w.zeros_s or w.curve.name == FLAT for w in (one, other)):
        return False, 0
    bounded = 0
    for pairs in product(one.paired(fixed=fixed), other.paired(fixed=fixed)):
        proved, count = _excluded((one, other), pairs, switched, ranges, most - bounded)
        bounded += count
        if not proved:
            return False, bounded
    return True, bounded


def _excluded(
    both: tuple[Wanted, Wanted], pairs: tuple[dict[tuple[int, int], float], ...],
    switched: frozenset[str], ranges: Ranges, most: int,
) -> tuple[bool, int]:  # fmt: skip
    """Whether no values do with the zeros made by certain pairs, and the boxes that it took."""
    models, low, high = _variables(both, pairs, switched, ranges)
    if np.any(low > high):
        return True, 0
    try:
        bounds = [ExactBounds(m, w) for m, w in zip(models, both, strict=True)]
    except ValueError:
        return False, 0
    roots = [ExactRoots(m, w, p) for m, w, p in zip(models, both, pairs, strict=True)]
    stack, bounded = [(low[None], high[None])], 0
    while stack and bounded < most:
        low, high = stack.pop()
        if len(low) > _BATCH:
            stack.append((low[_BATCH:], high[_BATCH:]))
            low, high = low[:_BATCH], high[:_BATCH]
        bounded += len(low)
        for model, bound in zip(models, bounds, strict=True):
            low, high = model.narrowed(low, high)
            own = model.variables
            keep = bound(*model.element_ends(low[:, own], high[:, own]))
            low, high = low[keep], high[keep]
        if not len(low):
            continue
        corners = [equation for of_one in roots for equation in of_one.at_corners(low, high)]
        if not corners:
            return False, bounded  # neither curve prescribes a pole
        keep = may_all_be_zero(corners)
        low, high = low[keep], high[keep]
        if np.any((high - low).max(axis=1, initial=_NARROW) < _NARROW):
            return False, bounded
        if len(low):
            reach = reach_by_variable([equation[keep] for equation in corners])
            stack.append(_halves(low, high, reach.argmax(axis=1)))
    return not stack, bounded


def _halves(low: Floats, high: Floats, axis: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Boxes halved along an axis of each."""
    box = np.arange(len(low))
    middle = (low[box, axis] + high[box, axis]) / 2.0
    lower, upper = low.copy(), high.copy()
    lower[box, axis], upper[box, axis] = middle, middle
    return np.concatenate([low, lower]), np.concatenate([upper, high])


def _variables(
    both: tuple[Wanted, Wanted], pairs: tuple[dict[tuple[int, int], float], ...],
    switched: frozenset[str], ranges: Ranges,
) -> tuple[list[ExactModel], Floats, Floats]:  # fmt: skip
    """The two positions by the logarithms that remain, and the box of these."""
    number: dict[tuple[str, str], int] = {}
    models, ends = [], []
    for wanted, products in zip(both, pairs, strict=True):
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
