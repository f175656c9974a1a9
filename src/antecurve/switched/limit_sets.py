"""Which smaller sets of switched positions are proved not to keep the error limit.

A set that does not keep it has no subset that does, so that the sets of one position fewer are all
there is to exclude (`antecurve.switched.limit_proof`).  Each has short turns first; what is open
after longer ones has a bound: a part of the limit, for which the same proof ends sooner.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations

from antecurve.job import Job
from antecurve.pick.model import NEPER_DB
from antecurve.results import Result
from antecurve.switched.exact_tables import FormTables
from antecurve.switched.limit_bounds import LimitBounds, series_and_shunt
from antecurve.switched.limit_proof import Cover, NothingWithin, cover_of
from antecurve.switched.position_bound import Budget
from antecurve.switched.request import SwitchPosition

__all__ = ["OpenSet", "WithinLimit", "sets_within"]

_TURNS = (600, 6000)  # boxes of a set: most take none, a second is the most
_BOUND_TURNS = (1500,)  # of a bound: half a second
_SHARES = (0.25,)  # of the limit, for a bound of sets that stay open
Positions = Sequence[tuple[SwitchPosition, Job]]


@dataclass(frozen=True, slots=True)
class OpenSet(Result):
    """A set of switched positions that is not proved to miss the limit.

    Attributes
    ----------
    form : str
        Name of the form.
    switched : tuple of str
        References of the switched positions.
    bound_db : float
        What its largest error is not below with any values [dB]; 0 where nothing was proved.
    """

    form: str
    switched: tuple[str, ...]
    bound_db: float


@dataclass(frozen=True, slots=True)
class WithinLimit(Result):
    """What is proved of the sets of one size.

    Attributes
    ----------
    count : int
        Number of switched positions.
    limit_db : float
        The error limit [dB].
    proved_sets : int
        Sets that miss the limit with any values, over all forms.
    open_sets : tuple of OpenSet
        The others, largest bound first.
    other_forms : tuple of str
        Forms for which there is no such proof, or no time was left for it.
    """

    count: int
    limit_db: float
    proved_sets: int
    open_sets: tuple[OpenSet, ...]
    other_forms: tuple[str, ...]

    @property
    def proved(self) -> bool:
        """Whether no set keeps the limit, in any form."""
        return not self.open_sets and not self.other_forms


class _Form:
    """Proofs for one form."""

    def __init__(self, tables: FormTables, resistors: tuple[int, int], positions: Positions,
                 poles: tuple[float, float], limit: float) -> None:  # fmt: skip
        self.topology, self.resistors = tables.topology, resistors
        self.curves: list[tuple[LimitBounds, Cover | None]] = []
        for position, job in positions:
            free = poles if position.free_pole else None
            bounds = LimitBounds(tables.topology, position.name, position.curve, job, free, limit)
            cover = cover_of(bounds, resistors) if bounds.bounded else None
            self.curves.append((bounds, cover))

    def excluded(
        self, sets: list[frozenset[str]], turns: Sequence[int], budget: Budget
    ) -> list[frozenset[str]]:
        """Sets that are proved to miss the limit, each with its turns, as time allows."""
        proofs = {s: NothingWithin(self.topology, self.resistors, self.curves, s) for s in sets}
        for most in turns:
            for proof in proofs.values():
                if budget.late_for_proofs:
                    break
                proof.advance(most)
        return [s for s, proof in proofs.items() if proof.proved]


def sets_within(
    forms: Sequence[FormTables],
    positions: Positions,
    poles: tuple[float, float],
    count: int,
    *,
    limit_db: float,
    budget: Budget,
    told: Callable[[str], None],
) -> WithinLimit:
    """Exclude the sets of one size that miss the limit with any values.

    Parameters
    ----------
    forms : sequence of FormTables
        The forms.
    positions : sequence of tuple
        Each position of the switch with its job.
    poles : tuple of float
        Range of a free ultrasonic pole [s].
    count : int
        Number of switched positions.
    limit_db : float
        The error limit [dB].
    budget : Budget
        Time for it.
    told : callable
        Called with the name of each form.

    Returns
    -------
    WithinLimit
        What is proved.
    """
    proved, open_sets, other = 0, [], []
    for tables in forms:
        refs = tables.topology.refs
        resistors = series_and_shunt(tables.topology, positions[0][1])
        if resistors is None or count > len(refs) or budget.late_for_proofs:
            other.append(tables.topology.form)
            continue
        told(tables.topology.form)
        sets = [frozenset(s) for s in combinations(refs, count)]
        bounds = dict.fromkeys(sets, 0.0)
        for share in (1.0, *_SHARES):
            try:
                form = _Form(tables, resistors, positions, poles, share * limit_db / NEPER_DB)
            except ValueError:
                break
            turns = _TURNS if share == 1.0 else _BOUND_TURNS
            for s in form.excluded([s for s in sets if not bounds[s]], turns, budget):
                bounds[s] = share * limit_db
            if all(bounds.values()) or budget.late_for_proofs:
                break
        proved += sum(bound == limit_db for bound in bounds.values())
        open_sets += [
            OpenSet(tables.topology.form, tuple(r for r in refs if r in s), bound)
            for s, bound in bounds.items()
            if bound < limit_db
        ]
    open_sets.sort(key=lambda s: s.bound_db, reverse=True)
    return WithinLimit(count, limit_db, proved, tuple(open_sets), tuple(other))
