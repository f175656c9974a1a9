"""The joint pick: switched positions chosen, parts picked for all positions, and the proof."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import NoCombinationError
from antecurve.networks.topology import ElementKind
from antecurve.parts.drawer import Drawer
from antecurve.parts.position import PickedNetwork
from antecurve.pick.candidates import Candidates, stock_of
from antecurve.pick.model import NEPER_DB
from antecurve.pick.objective import FLOOR, resolution
from antecurve.pick.result import PickProgress, SearchReport
from antecurve.switched.added_parts import Addition, part_count, spaces_with_addition
from antecurve.switched.claims import search_claim
from antecurve.switched.exact_tables import curve_with_pole
from antecurve.switched.joint_network import JointNetwork
from antecurve.switched.joint_rounding import picks_near, rounded_picks
from antecurve.switched.joint_search import exhaust_jointly
from antecurve.switched.joint_space import JointPick, JointSpace
from antecurve.switched.position_bound import Budget, Clock, bound_by_positions
from antecurve.switched.request import BoxJob
from antecurve.switched.sharing import EXACT_DB, SharedSet, Sharings, chosen_poles, ranges_of

__all__ = ["BoxPick", "PickedBox", "box_pick", "pick_box"]

Floats = NDArray[np.float64]

_BUDGET_SECONDS = 60.0  # four positions with pairs take a tenth of it
_SETS_TRIED = 8  # sets of switched positions of one size that are rounded to parts
_POLES_TRIED = 3  # choices of ultrasonic poles of a promising set that are rounded to parts
_CLOSELY = 2  # most promising sets: of the others one choice of poles is rounded at first
_SHOWN_DB = 1e-3  # the last digit of an error that is shown
Rounded = dict[tuple[JointNetwork, bytes], tuple[JointSpace, list[JointPick]]]
_SHARES = (0.5, 1.0)
"""Of the best error: a limit that is searched through proves a bound, the last one the pick."""


@dataclass(frozen=True, slots=True, eq=False)
class BoxPick:
    """A set of switched positions with parts for all positions.

    Attributes
    ----------
    shared : SharedSet
        The set.
    space : JointSpace
        The combinations, the ultrasonic poles chosen.
    pick : JointPick
        The parts.
    solution : numpy.ndarray of float, shape (variables,)
        Exact values nearest to the parts, as `space.joint` has them; not exact where the set
        makes no curve exactly.
    additions : tuple of Addition
        Positions of which one part stays while each throw adds to it.
    """

    shared: SharedSet
    space: JointSpace
    pick: JointPick
    solution: Floats
    additions: tuple[Addition, ...] = ()

    @property
    def part_count(self) -> int:
        """Number of parts of the box."""
        added = frozenset(a.ref for a in self.additions)
        return part_count(self.networks, self.shared.joint.separate, added)

    @property
    def networks(self) -> tuple[PickedNetwork, ...]:
        """The network with its parts in each position of the switch."""
        picked = []
        for position, own in zip(self.space.positions, self.pick.own, strict=True):
            indices = position.filled(self.pick.shared[None], own[None])[0]
            picked.append(position.space.picked(indices))
        return tuple(picked)

    @property
    def exact(self) -> bool:
        """Whether the values of `solution` make every curve."""
        return bool(self.space.joint.judged(self.solution[None]).error_db[0] < EXACT_DB)


@dataclass(frozen=True, slots=True, eq=False)
class PickedBox:
    """What the search of a box came to.

    Attributes
    ----------
    best : BoxPick
        The pick.
    search : SearchReport
        What was examined and proved.
    sharings : Sharings
        The sets of switched positions, with the forms that were refused.
    unproved_forms : tuple of str
        Forms in which a smaller set of switched positions that makes every curve exactly is ruled
        out by search alone; in all others it is proved that there is none.
    interrupted : bool
        Whether an interruption from the keyboard ended the search.
    adding : tuple of BoxPick
        The same with throws that add to a part that stays: the one that saves most parts and the
        nearest one, as far as they are better than the pick in that.
    """

    best: BoxPick
    search: SearchReport
    sharings: Sharings
    unproved_forms: tuple[str, ...]
    interrupted: bool = False
    adding: tuple[BoxPick, ...] = ()


def pick_box(
    box_job: BoxJob,
    *,
    drawer: Drawer | None = None,
    progress: Callable[[PickProgress], None] | None = None,
) -> PickedBox:
    """Choose the fewest switched positions and pick the parts of a box.

    Parameters
    ----------
    box_job : BoxJob
        What is wanted.
    drawer : Drawer or None, optional
        Parts on hand.
    progress : callable, optional
        Called with a `PickProgress` between the steps.

    Returns
    -------
    PickedBox
        The pick, and what is proved of it.  The job's budget is processor time until there is a
        pick; what remains of it is time on the clock for the proof.  An interruption from the
        keyboard ends the search with the best so far and a bound of some seconds; a second
        interruption ends that, too.

    Raises
    ------
    UnattainableError
        When no form makes every curve.
    NoCombinationError
        When no combination of parts meets the limits.
    """
    job = box_job.common
    stock = stock_of(job, drawer)
    budget = Budget(job.pick.budget_seconds or _BUDGET_SECONDS)
    sharings = Sharings(box_job, stock, budget)
    limit_db = job.target.error_limit_db
    if limit_db is None and not sharings.makes_every_curve():
        raise sharings.no_sharing()

    told = _Told(progress, budget.clock)
    search = _SetSearch(box_job, sharings, stock, told)
    try:
        search.run()
    except KeyboardInterrupt:
        best = search.best
        if best is None:
            raise
        bound_db, count = _bound_of_positions(best, told.clock.soon())
        report = _report(best, count, False, bound_db, told, interrupted=True)
        return PickedBox(best, report, sharings, sharings.forms, interrupted=True)
    if search.best is None and budget.late:
        raise NoCombinationError(
            "pick.budget_seconds",
            f"no parts were found in {budget.seconds:g} s; allow more time, fewer forms, or fewer "
            "parts per position",
        )
    if search.best is None:
        raise sharings.no_sharing() if not search.found_exact else _no_parts()
    return _concluded(box_job, search.best, sharings, told)


@dataclass(slots=True)
class _Told:
    """Tell how far the search is, and how long it has taken."""

    progress: Callable[[PickProgress], None] | None
    clock: Clock

    @property
    def seconds(self) -> float:
        """Time since the start [s]."""
        return self.clock.seconds

    def __call__(
        self, form: str, best_db: float | None, evaluated: int, most_seconds: float | None = None
    ) -> None:
        """Pass on what is known."""
        if self.progress is not None:
            self.progress(
                PickProgress(form, best_db, 0.0, evaluated, 0, self.seconds, most_seconds)
            )


class _SetSearch:
    """Sets of switched positions rounded to parts, fewest first; the best of them."""

    def __init__(
        self,
        box_job: BoxJob,
        sharings: Sharings,
        stock: dict[ElementKind, Candidates],
        told: _Told,
    ) -> None:
        self.box_job, self.sharings, self.stock, self.told = box_job, sharings, stock, told
        self.best: BoxPick | None = None
        self.found_exact = False
        self.tried = 0
        self._known: Rounded = {}

    def run(self) -> None:
        """Go on until the parts of some set keep the limit, or the budget or the sets end."""
        limit_db = self.box_job.common.target.error_limit_db
        for count in range(self.sharings.most + 1):
            self.told(f"{count} switched", self._best_db, self.tried)
            sets = self.sharings.exact(count)
            if not sets and limit_db is not None:
                sets = self.sharings.nearest(count, limit_db=limit_db)
            if not sets and self.best is None and self.late:
                whole = self.sharings.all_switched()
                sets = [] if whole is None else [whole]
                self.sharings.cut_short = True
            self.found_exact |= any(s.error_db < EXACT_DB for s in sets)
            within = self._rounded(_promising(sets))
            if within is not None and (limit_db is None or within.pick.error_db <= limit_db):
                self.best = within
                return
            if self.late:
                return

    @property
    def late(self) -> bool:
        """Whether the budget is used up."""
        return self.sharings.budget.late

    @property
    def _best_db(self) -> float | None:
        return None if self.best is None else self.best.pick.error_db

    def _rounded(self, sets: list[SharedSet]) -> BoxPick | None:
        """The best parts for sets of one size: the first ones closely, of the others the best."""
        best: BoxPick | None = None
        quick: BoxPick | None = None
        for number, shared in enumerate(sets):
            if self.best is not None and self.late:
                break
            if number < _CLOSELY:
                best = _better(best, self._parts(shared))
            else:
                quick = _better(quick, self._parts(shared, poles_tried=1))
        best = _better(best, quick)
        if quick is not None and not self.late:
            best = _better(best, self._parts(quick.shared))
        return best

    def _parts(self, shared: SharedSet, *, poles_tried: int = _POLES_TRIED) -> BoxPick | None:
        """Parts for one set, kept where they are the best so far."""
        self.tried += 1
        self.told(shared.form, self._best_db, self.tried)
        made = box_pick(
            self.box_job, self.sharings, shared, self.stock, poles_tried=poles_tried,
            known=self._known,
        )  # fmt: skip
        self.best = _better(self.best, made)
        return made


def _concluded(box_job: BoxJob, picked: BoxPick, sharings: Sharings, told: _Told) -> PickedBox:
    """Prove a pick, and look whether throws should rather add to parts that stay."""
    deadline = time.perf_counter() + sharings.budget.remaining
    best, search, interrupted = _prove(picked, deadline, told)
    as_proved = PickedBox(best, search, sharings, sharings.forms, interrupted=True)
    try:
        return as_proved if interrupted else _with_additions(box_job, as_proved, deadline, told)
    except KeyboardInterrupt:
        return as_proved


def _with_additions(box_job: BoxJob, picked: PickedBox, deadline: float, told: _Told) -> PickedBox:
    """Take throws that add to parts that stay, where the job wants them."""
    best, search, sharings, interrupted = picked.best, picked.search, picked.sharings, False
    options = _adding(best)
    nearer = min(options, key=lambda p: p.pick.error_db, default=best)
    allowed = _within_limit(options, best)
    saving = next(iter(allowed), best)
    taken = best
    if box_job.switch.add_parts == "always":
        taken = saving
        while further := [
            p for p in _within_limit(_adding(taken), taken) if p.part_count < taken.part_count
        ]:
            taken = further[0]
    elif box_job.switch.add_parts == "nearer" and (
        nearer.pick.error_db < best.pick.error_db - EXACT_DB
    ):
        taken = nearer
    if taken is not best:
        best, search, interrupted = _prove(taken, deadline, told)
    others = [saving] if saving.part_count < best.part_count else []
    if nearer.pick.error_db < best.pick.error_db - _SHOWN_DB and nearer not in others:
        others.append(nearer)
    unproved = sharings.unproved_forms(len(best.shared.switched))
    return PickedBox(best, search, sharings, unproved, interrupted, tuple(others))


def _adding(best: BoxPick) -> list[BoxPick]:
    """Picks near one in which one position more has a part that stays."""
    values: dict[str, list[float]] = {}
    for network in best.networks:
        for position in network.positions:
            if position.element.ref in best.shared.joint.separate:
                values.setdefault(position.element.ref, []).append(position.value)
    made = []
    for addition, space in spaces_with_addition(
        best.space, best.shared.networks, values, best.additions
    ):
        picks = picks_near(space, best.pick, best.solution)
        additions = (*best.additions, addition)
        made += [BoxPick(best.shared, space, p, best.solution, additions) for p in picks[:1]]
    return made


def _within_limit(options: list[BoxPick], best: BoxPick) -> list[BoxPick]:
    """Those that keep the error limit, fewest parts first, of those the nearest."""
    limit = best.space.jobs[0].target.error_limit_db
    allowed = np.inf if limit is None else max(limit, best.pick.error_db)
    kept = [p for p in options if p.pick.error_db <= allowed]
    return sorted(kept, key=lambda p: (p.part_count, p.pick.error_db))


def _no_parts() -> NoCombinationError:
    return NoCombinationError(
        "resistors, capacitors",
        "no parts bring every position within the limits; allow a wider level tolerance, other "
        "limits of impedance, or more values",
    )


def _better(one: BoxPick | None, other: BoxPick | None) -> BoxPick | None:
    known = [p for p in (one, other) if p is not None]
    return min(known, key=lambda p: p.pick.error_db, default=None)


def _promising(sets: list[SharedSet]) -> list[SharedSet]:
    """The sets to be rounded: few values of their own, few positions shorted, proved ones first."""

    def cost(shared: SharedSet) -> tuple[bool, int, int]:
        thrown = sum(len(n.states) for n in shared.networks)
        return (shared.conflicts is None, len(shared.joint.keys), thrown)

    return sorted(sets, key=cost)[:_SETS_TRIED]


def box_pick(
    box_job: BoxJob,
    sharings: Sharings,
    shared: SharedSet,
    stock: dict[ElementKind, Candidates],
    *,
    poles_tried: int = _POLES_TRIED,
    known: Rounded | None = None,
) -> BoxPick | None:
    """Round a set of switched positions to parts.

    Parameters
    ----------
    box_job : BoxJob
        The box.
    sharings : Sharings
        Where the set comes from.
    shared : SharedSet
        The set.
    stock : dict of ElementKind to Candidates
        Values that a position can take.
    poles_tried : int, optional
        Choices of ultrasonic poles that are rounded.
    known : dict, optional
        What was rounded before, by problem and solution; what is rounded now is added.

    Returns
    -------
    BoxPick or None
        The best of some choices of ultrasonic poles; ``None`` where none meets the limits.
    """
    solved = sharings.over_impedance(shared)
    within = max(EXACT_DB, 2.0 * shared.error_db)
    solutions = solved.logs[(solved.error_db <= within) & (solved.level_db == 0.0)]
    if not len(solutions):
        solutions = shared.solved.logs[:1]
    chosen = np.unique(np.linspace(0, len(solutions) - 1, poles_tried).astype(int))
    best: BoxPick | None = None
    known = {} if known is None else known
    for logs in (
        solutions[chosen] if any(c.pole >= 0 for c in shared.joint.contacts) else (solutions[:1])
    ):
        what = (shared.joint, logs.tobytes())
        if what not in known:
            space = _space(box_job, shared, stock, logs)
            known[what] = space, rounded_picks(space, logs[: len(space.joint.keys)])[:1]
        space, picks = known[what]
        for pick in picks:
            best = _better(best, BoxPick(shared, space, pick, logs[: len(space.joint.keys)]))
    return best


def _space(
    box_job: BoxJob, shared: SharedSet, stock: dict[ElementKind, Candidates], logs: Floats
) -> JointSpace:
    """The combinations once the ultrasonic poles are chosen."""
    poles = chosen_poles(shared, logs)
    names = [c.name for c in shared.joint.contacts]
    jobs = tuple(
        box_job.job_of(name, curve=curve_with_pole(box_job.position(name).curve, poles[name]))
        for name in names
    )
    joint = JointNetwork(
        shared.joint.topology,
        [(n, j, t, False) for n, j, t in zip(names, jobs, shared.networks, strict=True)],
        shared.joint.separate,
        ranges_of(stock),
        (0.0, 0.0),
    )
    return JointSpace(joint, jobs, stock)


def _prove(picked: BoxPick, deadline: float, told: _Told) -> tuple[BoxPick, SearchReport, bool]:
    """Search all combinations for a better one; say what is proved, and whether it was stopped."""
    space, best = picked.space, picked.pick
    interrupted = False
    lower, evaluated, proved = 0.0, 0, best.error_db <= FLOOR * NEPER_DB
    goal = best.error_db / NEPER_DB
    patience = max(deadline, told.clock.grace_end())
    for share in () if proved else _SHARES:
        limit = share * goal + 2.0 * resolution(goal)
        end = patience if share == _SHARES[0] else deadline
        before, error_db = evaluated, best.error_db

        def watch(count: int, end: float = end, before: int = before, db: float = error_db) -> None:
            told(picked.shared.form, db, before + count, end - time.perf_counter())

        searched = exhaust_jointly(space, limit=limit, deadline=end, watch=watch)
        evaluated += searched.evaluated
        interrupted = searched.interrupted
        if searched.best is not None and searched.best.error_db < best.error_db:
            best = searched.best
        if not searched.complete:
            break
        lower = limit
        if searched.best is not None:
            error = searched.best.error_db / NEPER_DB
            lower, proved = error - resolution(error), True
            break
        proved = share == _SHARES[-1]
    made = replace(picked, pick=best, solution=_nearest_exact(space, best, picked.solution))
    bound = min(lower * NEPER_DB, best.error_db)
    if not (proved or lower > 0.0):
        until = told.clock.soon() if interrupted else told.clock.grace_end()
        bound, count = _bound_of_positions(made, until)
        evaluated += count
    return made, _report(made, evaluated, proved, bound, told, interrupted=interrupted), interrupted


def _bound_of_positions(picked: BoxPick, until: float) -> tuple[float, int]:
    """What some position is at least off with any parts [dB], and what was evaluated for it."""
    best = picked.pick
    bound, count = bound_by_positions(picked.space, best, best.error_db / NEPER_DB, until=until)
    return min(bound * NEPER_DB, best.error_db), count


def _report(
    picked: BoxPick, evaluated: int, proved: bool, bound_db: float, told: _Told, *,
    interrupted: bool,
) -> SearchReport:  # fmt: skip
    """What the search examined and proved."""
    claim = search_claim(proved, bound_db, picked.additions, interrupted=interrupted)
    error_db, combinations = picked.pick.error_db, picked.space.combinations
    return SearchReport(error_db, proved, bound_db, combinations, evaluated, told.seconds, claim)


def _nearest_exact(space: JointSpace, pick: JointPick, solution: Floats) -> Floats:
    """Values of all positions that make the curves, nearest to the parts."""
    joint = space.joint
    logs = np.empty(len(joint.keys))
    logs[: len(joint.shared)] = space.grids.logs(pick.shared[None])[0]
    for position, contact, own in zip(space.positions, joint.contacts, pick.own, strict=True):
        for element, index in zip(position.own, own, strict=True):
            logs[contact.columns[element]] = position.space.grids.grids[element][index]
    solved = joint.solve(logs[None])
    return solved.logs[0] if solved.error_db[0] < EXACT_DB else solution
