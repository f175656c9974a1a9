"""All ways to open and short positions of one form, so that each curve has its network.

In each position of the switch one of several networks is left (`throws`).  Positions are added
one by one; where the conflicts of those there are leave no set of the wanted size, none of
the ways that begin so has one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from itertools import islice

from antecurve.switched.conflicts import Conflict, Conflicts, fewest_hitting
from antecurve.switched.exact_tables import FormTables
from antecurve.switched.throws import ThrownNetwork

__all__ = ["FormWays", "Way"]

_MOST_WAYS = 60  # that are tried, fewest thrown first: a flat position has up to nine
_COLLECTED = 3000  # before the fewest thrown are chosen
_MOST_STEPS = 200_000  # of a proof: some ten seconds


@dataclass(frozen=True, slots=True)
class Way:
    """One way to throw positions of one form.

    Attributes
    ----------
    form : str
        Name of the form.
    tables : FormTables
        What each position needs.
    networks : tuple of ThrownNetwork
        What the throws leave of the network, by switch position.
    forced : frozenset of str
        References of the positions that throws open or short.
    conflicts : tuple of Conflict
        For each set of positions the two curves that lie furthest apart.
    """

    form: str
    tables: FormTables
    networks: tuple[ThrownNetwork, ...]
    forced: frozenset[str]
    conflicts: tuple[Conflict, ...]


class FormWays:
    """The ways to throw positions of one form.

    Parameters
    ----------
    form : str
        Name of the form.
    tables : FormTables
        What each position needs.
    """

    def __init__(self, form: str, tables: FormTables) -> None:
        self.form = form
        self.tables = tables
        self._conflicts = Conflicts(tables)
        self._by_count: dict[int, tuple[Way, ...]] = {}

    def ways(self, count: int) -> tuple[Way, ...]:
        """List ways that a set of some size may do for, fewest thrown first.

        Parameters
        ----------
        count : int
            Number of switched positions.

        Returns
        -------
        tuple of Way
            Some of them where there are very many.
        """
        if count not in self._by_count:
            met = list(islice(self._from((), frozenset(), {}, count, []), _COLLECTED))
            met.sort(key=lambda way: len(way.forced))
            self._by_count[count] = tuple(met[:_MOST_WAYS])
        return self._by_count[count]

    @cached_property
    def plain(self) -> tuple[Way, ...]:
        """The ways in which no position of the switch exchanges branches, fewest thrown first."""
        every = len(self.tables.topology.refs)
        met = list(islice(self._from((), frozenset(), {}, every, [], plain=True), _COLLECTED))
        met.sort(key=lambda way: len(way.forced))
        return tuple(met[:_MOST_WAYS])

    def rules_out(self, count: int) -> bool:
        """Tell whether proved conflicts rule out every set of a size, in every way.

        Parameters
        ----------
        count : int
            Number of switched positions.

        Returns
        -------
        bool
            False, too, where it takes conflicts of samples, or there are too many ways.
        """
        if count < 0:
            return True
        steps: list[int] = []
        way = next(self._from((), frozenset(), {}, count, steps, proved=True), None)
        return way is None and len(steps) < _MOST_STEPS

    def _from(
        self,
        chosen: tuple[int, ...],
        forced: frozenset[str],
        worst: dict[tuple[str, ...], Conflict],
        count: int,
        steps: list[int],
        *,
        plain: bool = False,
        proved: bool = False,
    ) -> Iterator[Way]:
        """The ways that begin with given networks, position by position."""
        steps.append(len(chosen))
        conflicts = tuple(worst[refs] for refs in sorted(worst))
        if len(steps) >= _MOST_STEPS or not fewest_hitting(
            self.tables.topology.refs, conflicts, forced, count
        ):
            return
        number = len(chosen)
        if number == len(self.tables.tables):
            thrown = tuple(
                table.thrown[i] for table, i in zip(self.tables.tables, chosen, strict=True)
            )
            yield Way(self.form, self.tables, thrown, forced, conflicts)
            return
        networks = self.tables.tables[number].thrown
        for index, network in enumerate(networks):
            if plain and any(network.states == known.states for known in networks[:index]):
                continue
            more = dict(worst)
            for earlier, its_index in enumerate(chosen):
                for conflict in self._conflicts.between((earlier, its_index), (number, index)):
                    known = more.get(conflict.refs)
                    if proved and not conflict.proved:
                        continue
                    if known is None or known.apart < conflict.apart:
                        more[conflict.refs] = conflict
            yield from self._from(
                (*chosen, index), forced | network.thrown_refs, more, count, steps, plain=plain,
                proved=proved,
            )  # fmt: skip
