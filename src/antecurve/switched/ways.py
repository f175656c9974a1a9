"""All ways to open and short positions of one form, so that each curve has its network.

In each position of the switch one of several networks is left (`throws`).  Positions are added
one by one; where the conflicts of those there are leave no set of the wanted size, none of
the ways that begin so has one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice

from antecurve.switched.conflicts import (
    Conflict,
    Conflicts,
    fewest_hitting,
    needed_conflicts,
)
from antecurve.switched.exact_tables import FormTables
from antecurve.switched.exclusion import Exclusions
from antecurve.switched.position_bound import Budget
from antecurve.switched.throws import ThrownNetwork

__all__ = ["FormWays", "Way"]

_MOST_WAYS = 60  # that are tried, fewest thrown first: a flat position has up to nine
_COLLECTED = 3000  # before the fewest thrown are chosen
_MOST_STEPS = 200_000  # of a proof: some ten seconds
_QUICK_STEPS = 500  # the same, a fifth of a second: taken whatever the time


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
    chosen : tuple of int
        For each position of the switch the number of its network among those there are.
    """

    form: str
    tables: FormTables
    networks: tuple[ThrownNetwork, ...]
    forced: frozenset[str]
    conflicts: tuple[Conflict, ...]
    chosen: tuple[int, ...]


class FormWays:
    """The ways to throw positions of one form.

    Parameters
    ----------
    form : str
        Name of the form.
    tables : FormTables
        What each position needs.
    exclusions : Exclusions
        What two positions cannot share, where their conflicts do not tell.
    budget : Budget
        Time that the search may take.
    """

    def __init__(
        self, form: str, tables: FormTables, exclusions: Exclusions, budget: Budget
    ) -> None:
        self._budget = budget
        self.form = form
        self.tables = tables
        self._exclusions = exclusions
        self._conflicts = Conflicts(tables)
        self._listed: dict[tuple[int, bool], tuple[Way, ...]] = {}
        self._ruled_out: dict[int, bool] = {}
        self._cut_short = False  # whether some ways were left out

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
        return self._fewest_thrown(count, plain=False)

    @property
    def first(self) -> Way:
        """The way that throws the fewest positions of each network, its conflicts left out."""
        networks = tuple(table.thrown[0] for table in self.tables.tables)
        forced = frozenset(ref for network in networks for ref in network.thrown_refs)
        return Way(self.form, self.tables, networks, forced, (), (0,) * len(networks))

    @property
    def plain(self) -> tuple[Way, ...]:
        """The ways in which no position of the switch exchanges branches, fewest thrown first."""
        return self._fewest_thrown(len(self.tables.topology.refs), plain=True)

    def _fewest_thrown(self, count: int, *, plain: bool) -> tuple[Way, ...]:
        known = self._listed.get((count, plain))
        if known is not None:
            return known
        met = list(islice(self._from((), frozenset(), {}, count, [], plain=plain), _COLLECTED))
        met.sort(key=lambda way: len(way.forced))
        if not self._budget.late:  # else there may be more
            self._listed[count, plain] = tuple(met[:_MOST_WAYS])
        return tuple(met[:_MOST_WAYS])

    def rules_out(self, count: int) -> bool:
        """Tell whether it is proved that no set of a size does, in any way.

        Parameters
        ----------
        count : int
            Number of switched positions.

        Returns
        -------
        bool
            False, too, where a proof would take too long, or there are too many ways.
        """
        if count not in self._ruled_out:
            self._cut_short = False
            ways = self._from((), frozenset(), {}, count, [], proved=True)
            no_way = all(self._excluded(way, count) for way in ways)
            self._ruled_out[count] = no_way and not self._cut_short
        return self._ruled_out[count]

    def _excluded(self, way: Way, count: int) -> bool:
        """Whether two curves have no values in common for any set of one size."""
        refs = self.tables.topology.refs
        return all(
            self._exclusions.conflict(way.chosen, switched) is not None
            for switched in fewest_hitting(refs, way.conflicts, way.forced, count)
        )

    def why(self, way: Way, switched: frozenset[str]) -> tuple[Conflict, ...] | None:
        """Choose the few conflicts for which no smaller set does in one way.

        Parameters
        ----------
        way : Way
            The way.
        switched : frozenset of str
            A set that does.

        Returns
        -------
        tuple of Conflict or None
            None of them superfluous; ``None`` where nothing proves it.
        """
        refs = self.tables.topology.refs
        proved = tuple(conflict for conflict in way.conflicts if conflict.proved)
        smaller = fewest_hitting(refs, proved, way.forced, len(switched) - 1)
        further = (self._exclusions.conflict(way.chosen, fewer) for fewer in smaller)
        proved += tuple(conflict for conflict in further if conflict is not None)
        return needed_conflicts(refs, proved, way.forced, len(switched))

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
        late = self._budget.late_for_proofs if proved else self._budget.late
        if (late and not (proved and len(steps) < _QUICK_STEPS)) or len(steps) >= _MOST_STEPS:
            self._cut_short = True
            return
        if not fewest_hitting(self.tables.topology.refs, conflicts, forced, count):
            return
        number = len(chosen)
        if number == len(self.tables.tables):
            thrown = tuple(
                table.thrown[i] for table, i in zip(self.tables.tables, chosen, strict=True)
            )
            yield Way(self.form, self.tables, thrown, forced, conflicts, chosen)
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
