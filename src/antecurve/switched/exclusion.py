"""Proof that curves cannot share positions: boxes of values, excluded one by one.

Some values of two or three switch positions are the same, others their own.  Where one of a pair
that makes a zero follows from the other, that both are shared is left out, which allows more.  The
logarithms that remain span a box, of which every part is excluded (`antecurve.switched.box_proof`).
With equal levels two curves may share what three cannot.
"""

from __future__ import annotations

import math
from itertools import combinations

from antecurve.job import Job
from antecurve.switched.box_proof import NothingInCommon, Ranges
from antecurve.switched.conflicts import Conflict, value_bounds
from antecurve.switched.exact_bounds import ValueBound, Wanted
from antecurve.switched.exact_tables import FormTables, pole_range
from antecurve.switched.position_bound import Budget
from antecurve.switched.request import SwitchPosition
from antecurve.switched.throws import ThrownNetwork
from antecurve.synthesis.sections import named_form
from antecurve.synthesis.sections.cascade import CASCADE_LONG_FIRST, CASCADE_SHORT_FIRST

__all__ = ["Exclusions"]

Positions = tuple[tuple[SwitchPosition, Job], ...]
_Group = tuple[tuple[int, int], ...]

_EFFORTS = (0, 300)
"""Boxes of each proof at first: of some curves one box tells, of others some show how it goes."""
_TURN = 1000  # boxes, or half as many as before: of a proof that is expected to end first
_MOST_OF_SET = 60_000  # boxes of all proofs about one set: some ten seconds
_MOST_OF_FORM = 100_000  # the same of one form
_USUAL_SECONDS = 60.0  # of a budget for these: a longer one allows as many times the boxes
_MOST_AT_ONCE = 3  # positions: of more the corners are too many


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
        seconds = self._budget.seconds if math.isfinite(self._budget.seconds) else 0.0
        longer = max(1.0, seconds / _USUAL_SECONDS)
        self._most_of_set = int(longer * _MOST_OF_SET)
        self._left = int(longer * _MOST_OF_FORM)
        self._known: dict[_Group, dict[frozenset[str], NothingInCommon]] = {}
        self._made: dict[tuple[int, int], Wanted] = {}

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
            for group in sorted(groups, key=self._proved_of, reverse=True):
                if self._excluded(group, switched, most):
                    return self._conflict(group, switched)
        proofs = {group: self._known[group].get(switched) for group in groups}
        under_way = {group: p for group, p in proofs.items() if p is not None and not p.ended}
        least = self._left - self._most_of_set
        while under_way and self._left > max(least, 0) and not self._budget.late_for_proofs:
            group, proof = min(under_way.items(), key=lambda item: item[1].expected)
            if self._excluded(group, switched, proof.bounded + max(_TURN, proof.bounded // 2)):
                return self._conflict(group, switched)
            if proof.ended:
                del under_way[group]
        return None

    def _conflict(self, group: _Group, switched: frozenset[str]) -> Conflict:
        """State what a group of curves cannot share."""
        wanted = [self._wanted(*member) for member in group]
        common = frozenset.intersection(*(frozenset(e.ref for e in w.elements) for w in wanted))
        refs = tuple(r for r in self._tables.topology.refs if r in common - switched)
        return Conflict(refs, tuple(w.name for w in wanted), "", 0.0)

    def _proved_of(self, group: _Group) -> int:
        """How much is proved of a group."""
        return sum(proof.proved for proof in self._known.get(group, {}).values())

    def _excluded(self, group: _Group, switched: frozenset[str], most: int) -> bool:
        """Whether positions are known to conflict, or it takes no more boxes to prove it."""
        known = self._known.setdefault(group, {})
        if any(proof.proved and switched <= others for others, proof in known.items()):
            return True
        if any(p.ended and not p.proved and others <= switched for others, p in known.items()):
            return False
        proof = known.get(switched)
        if proof is None:
            wanted = tuple(self._wanted(*member) for member in group)
            proof = NothingInCommon(wanted, switched, self._ranges, fixed=self._fixed)
            known[switched] = proof
        if self._budget.late_for_proofs:
            return False
        before = proof.bounded
        proved = proof.advance(min(most, before + self._left))
        self._left -= proof.bounded - before
        return proved

    def _wanted(self, number: int, index: int) -> Wanted:
        """What one position has to make with one network: asked for with all others, made once."""
        if (number, index) not in self._made:
            self._made[number, index] = self._new_wanted(number, index)
        return self._made[number, index]

    def _new_wanted(self, number: int, index: int) -> Wanted:
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
