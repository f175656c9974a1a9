"""Which smaller sets of switched positions are proved not to keep the error limit.

A set that does not keep it has no subset that does, so that the sets of one position fewer are all
there is to exclude (`antecurve.switched.limit_proof`).  Each has short turns first; what is open
after longer ones has a bound: a part of the limit, for which the same proof ends sooner.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from itertools import combinations
from threading import Event

from antecurve.job import Job
from antecurve.networks.topology import Topology
from antecurve.pick.model import NEPER_DB
from antecurve.results import Result
from antecurve.switched.exact_tables import FormTables
from antecurve.switched.limit_bounds import LimitBounds, series_and_shunt
from antecurve.switched.limit_cover import Cover, cover_of
from antecurve.switched.limit_proof import NothingWithin
from antecurve.switched.position_bound import Budget
from antecurve.switched.request import SwitchPosition

__all__ = ["OpenSet", "WithinLimit", "sets_within"]

_TURNS = (600, 6000)  # boxes of a set: most take none, a second is the most
_BOUND_TURNS = (1500,)  # of a bound: half a second
_SHARES = (0.25,)  # of the limit, for a bound of sets that stay open
Positions = Sequence[tuple[SwitchPosition, Job]]
_Key = tuple[str, frozenset[str]]
"""Name of a form, and its switched positions."""


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


@dataclass(frozen=True, slots=True, eq=False)
class _Form:
    """A form, and what keeps the limit of each curve in it."""

    topology: Topology
    resistors: tuple[int, int]
    curves: tuple[tuple[LimitBounds, Cover | None], ...]

    def proof(self, switched: frozenset[str]) -> NothingWithin:
        """Begin the proof for one set."""
        return NothingWithin(self.topology, self.resistors, self.curves, switched)


class _Work:
    """Curves, then sets of all forms, shared out to threads: nothing depends on which has what."""

    def __init__(self, pool: ThreadPoolExecutor, positions: Positions,
                 poles: tuple[float, float], budget: Budget) -> None:  # fmt: skip
        self._pool, self._budget = pool, budget
        self._positions, self._poles = positions, poles
        self._stopped = Event()

    def stop(self) -> None:
        """End what is under way soon, and begin nothing more."""
        self._stopped.set()
        self._pool.shutdown(cancel_futures=True)

    def forms(self, topologies: Sequence[Topology], limit: float) -> dict[str, _Form]:
        """Make the forms ready: those for which there are bounds, and time."""
        waiting = []
        for topology in topologies:
            resistors = series_and_shunt(topology, self._positions[0][1])
            if resistors is not None:
                curves = [
                    self._pool.submit(self._curve, topology, resistors, *position, limit)
                    for position in self._positions
                ]
                waiting.append((topology, resistors, curves))
        made = {}
        for topology, resistors, curves in waiting:
            told = [of_one.result() for of_one in curves]
            known = tuple(of_one for of_one in told if of_one is not None)
            if len(known) == len(told):
                made[topology.form] = _Form(topology, resistors, known)
        return made

    def _curve(
        self, topology: Topology, resistors: tuple[int, int], position: SwitchPosition, job: Job,
        limit: float,
    ) -> tuple[LimitBounds, Cover | None] | None:  # fmt: skip
        """Bounds and cover of one curve; ``None`` where there are none, or there is no time."""
        free = self._poles if position.free_pole else None
        if self._late():
            return None
        try:
            bounds = LimitBounds(topology, position.name, position.curve, job, free, limit)
            return bounds, cover_of(bounds, resistors) if bounds.bounded else None
        except ValueError:
            return None

    def advance(self, proofs: Sequence[NothingWithin], most: int) -> list[Future[None]]:
        """Go on with proofs until their boxes are as many as they may be, as time allows."""
        return [self._pool.submit(self._advanced, proof, most) for proof in proofs]

    def _advanced(self, proof: NothingWithin, most: int) -> None:
        while not proof.ended and proof.bounded < most and not self._late():
            proof.advance(proof.bounded + 1)

    def _late(self) -> bool:
        return self._stopped.is_set() or self._budget.late_for_proofs


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
    limit = limit_db / NEPER_DB
    topologies = [tables.topology for tables in forms]
    bounds = {
        (topology.form, frozenset(switched)): 0.0
        for topology in topologies
        for switched in combinations(topology.refs, count)
    }
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        work = _Work(pool, positions, poles, budget)
        try:
            told(topologies[0].form)
            known = work.forms([t for t in topologies if count <= len(t.refs)], limit)
            for key in _excluded(work, known, [k for k in bounds if k[0] in known], _TURNS, told):
                bounds[key] = limit_db
            for share in _SHARES:
                not_yet = [k for k, bound in bounds.items() if not bound and k[0] in known]
                concerned = [t for t in topologies if t.form in {form for form, _ in not_yet}]
                nearer = work.forms(concerned, share * limit)
                not_yet = [k for k in not_yet if k[0] in nearer]
                for key in _excluded(work, nearer, not_yet, _BOUND_TURNS, told):
                    bounds[key] = share * limit_db
        finally:
            work.stop()
    open_sets = [
        OpenSet(t.form, tuple(r for r in t.refs if r in switched), bound)
        for t in topologies
        for (form, switched), bound in bounds.items()
        if form == t.form and form in known and bound < limit_db
    ]
    open_sets.sort(key=lambda s: s.bound_db, reverse=True)
    proved = sum(bound == limit_db for bound in bounds.values())
    other = tuple(t.form for t in topologies if t.form not in known)
    return WithinLimit(count, limit_db, proved, tuple(open_sets), other)


def _excluded(
    work: _Work, forms: Mapping[str, _Form], keys: Sequence[_Key], turns: Sequence[int],
    told: Callable[[str], None],
) -> list[_Key]:  # fmt: skip
    """Sets that are proved to miss the limit, each with its turns, as time allows."""
    proofs = {(form, switched): forms[form].proof(switched) for form, switched in keys}
    for most in turns:
        under_way = {key: proof for key, proof in proofs.items() if not proof.ended}
        advanced = work.advance(list(under_way.values()), most)
        form = ""
        for key, of_one in zip(under_way, advanced, strict=True):
            if key[0] != form:
                form = key[0]
                told(form)
            of_one.result()
    return [key for key, proof in proofs.items() if proof.proved]
