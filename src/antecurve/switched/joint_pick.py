"""The joint pick: switched positions chosen, parts picked for all positions, and the proof."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import NoCombinationError
from antecurve.networks.topology import ElementKind
from antecurve.parts.drawer import Drawer
from antecurve.pick.candidates import Candidates, stock_of
from antecurve.pick.result import PickProgress, SearchReport
from antecurve.switched.added_parts import spaces_with_addition
from antecurve.switched.exact_tables import curve_with_pole
from antecurve.switched.joint_network import JointNetwork
from antecurve.switched.joint_parts import BoxPick
from antecurve.switched.joint_proof import JointProof, Told
from antecurve.switched.joint_rounding import picks_near, rounded_picks
from antecurve.switched.joint_space import JointPick, JointSpace
from antecurve.switched.limit_sets import WithinLimit
from antecurve.switched.position_bound import Budget
from antecurve.switched.request import BoxJob
from antecurve.switched.sharing import EXACT_DB, SharedSet, Sharings, chosen_poles
from antecurve.switched.value_ranges import ranges_of

__all__ = ["PickedBox", "box_pick", "pick_box"]

Floats = NDArray[np.float64]

_BUDGET_SECONDS = 60.0  # four positions with pairs take a tenth of it
_SETS_TRIED = 8  # sets of switched positions of one size that are rounded to parts
_POLES_TRIED = 3  # choices of ultrasonic poles of a promising set that are rounded to parts
_CLOSELY = 2  # most promising sets: of the others one choice of poles is rounded at first
_SHOWN_DB = 1e-3  # the last digit of an error that is shown
Rounded = dict[tuple[JointNetwork, bytes], tuple[JointSpace, list[JointPick]]]


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
    within : WithinLimit or None
        Which smaller sets are proved to miss the error limit; ``None`` without a limit that the
        pick keeps, and where it was not looked for.
    """

    best: BoxPick
    search: SearchReport
    sharings: Sharings
    unproved_forms: tuple[str, ...]
    interrupted: bool = False
    adding: tuple[BoxPick, ...] = ()
    within: WithinLimit | None = None


def pick_box(
    box_job: BoxJob,
    *,
    drawer: Drawer | None = None,
    progress: Callable[[PickProgress], None] | None = None,
    budget_seconds: float | None = None,
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
    budget_seconds : float or None, optional
        Time for the box with its alternatives [s]; by default that of the job, on the clock, or
        without one 60 s of processor time.

    Returns
    -------
    PickedBox
        The pick, and what is proved of it.  A quarter of the budget is kept for alternatives.  An
        interruption from the keyboard ends the search with the best so far and a bound of some
        seconds; a second interruption ends that, too.

    Raises
    ------
    UnattainableError
        When no form makes every curve.
    NoCombinationError
        When no combination of parts meets the limits.
    """
    job = box_job.common
    stock = stock_of(job, drawer)
    given = job.pick.budget_seconds if budget_seconds is None else budget_seconds
    budget = Budget(given or _BUDGET_SECONDS, on_clock=given is not None)
    sharings = Sharings(box_job, stock, budget)
    limit_db = job.target.error_limit_db
    if limit_db is None and not sharings.makes_every_curve():
        raise sharings.no_sharing()

    told = Told(progress, budget.clock)
    search = _SetSearch(box_job, sharings, stock, told)
    try:
        search.run()
    except KeyboardInterrupt:
        if search.best is None:
            raise
        return _Conclusion(box_job, search.best, sharings, told).interrupted()
    if search.best is None and budget.late:
        raise NoCombinationError(
            "pick.budget_seconds",
            f"no parts were found in {budget.seconds:g} s; allow more time, fewer forms, or fewer "
            "parts per position",
        )
    if search.best is None:
        raise sharings.no_sharing() if not search.found_exact else _no_parts()
    return _Conclusion(box_job, search.best, sharings, told).run()


class _SetSearch:
    """Sets of switched positions rounded to parts, fewest first; the best of them."""

    def __init__(
        self,
        box_job: BoxJob,
        sharings: Sharings,
        stock: dict[ElementKind, Candidates],
        told: Told,
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


class _Conclusion:
    """What is done once there are parts: throws that add to parts that stay, then the proof.

    Kept step by step, so that an interruption leaves what is known.
    """

    def __init__(self, box_job: BoxJob, picked: BoxPick, sharings: Sharings, told: Told) -> None:
        self._adding = box_job.switch.add_parts
        self._sharings, self._budget, self._told = sharings, sharings.budget, told
        self._best = self._saving = self._nearer = picked
        self._proof = JointProof(told)

    def run(self) -> PickedBox:
        """Go through it; an interruption ends it."""
        unproved = self._sharings.forms
        try:
            self._best = self._taken()
            before = self._best.pick
            self._best = self._proof.improved(self._best, self._budget)
            if self._best.pick is not before and not self._best.additions:
                taken = self._taken()  # near the better parts that the proof found
                if taken is not self._best:
                    self._best, self._proof = taken, JointProof(self._told)
                    self._best = self._proof.improved(taken, self._budget)
            if not self._proof.interrupted:
                unproved = self._sharings.unproved_forms(len(self._best.shared.switched))
        except KeyboardInterrupt:
            return self.interrupted()
        if self._proof.interrupted:
            return self.interrupted()
        search, within = self._proof.report(self._best), None
        try:
            within = self._within()
        except KeyboardInterrupt:
            self._budget.end()  # what is left of it was for alternatives
        return PickedBox(
            self._best, search, self._sharings, unproved, adding=self._others(), within=within
        )

    def _within(self) -> WithinLimit | None:
        """Which smaller sets miss the error limit, where the pick keeps one."""
        limit_db = self._best.space.jobs[0].target.error_limit_db
        count, error_db = len(self._best.shared.switched), self._best.pick.error_db
        if limit_db is None or not count or error_db > limit_db:
            return None
        return self._sharings.within_limit(
            count - 1, limit_db=limit_db,
            told=lambda form: self._told(f"{form}: fewer switched", error_db, 0),
        )  # fmt: skip

    def interrupted(self) -> PickedBox:
        """What is known at an interruption, with a bound of some seconds where there is none."""
        self._budget.end()
        self._proof.interrupted = True
        unproved = self._sharings.forms
        with suppress(KeyboardInterrupt):
            self._proof.bound(self._best, self._told.clock.soon())
            count = len(self._best.shared.switched)
            unproved = self._sharings.unproved_forms(count)  # short proofs alone: the time is over
        search = self._proof.report(self._best)
        return PickedBox(self._best, search, self._sharings, unproved, interrupted=True)

    def _taken(self) -> BoxPick:
        """Throws that add to parts that stay, where the job wants them; else what there is."""
        best, budget = self._best, self._budget
        options = _adding(best, budget)
        self._nearer = min(options, key=lambda p: p.pick.error_db, default=best)
        self._saving = next(iter(_within_limit(options, best)), best)
        taken = best
        if self._adding == "always":
            taken = self._saving
            while further := [
                p
                for p in _within_limit(_adding(taken, budget), taken)
                if p.part_count < taken.part_count
            ]:
                taken = further[0]
        elif self._adding == "nearer" and (
            self._nearer.pick.error_db < best.pick.error_db - EXACT_DB
        ):
            taken = self._nearer
        return taken

    def _others(self) -> tuple[BoxPick, ...]:
        """Throws that add: the one that saves most parts and the nearest, where they are better."""
        best = self._best
        others = [self._saving] if self._saving.part_count < best.part_count else []
        nearer = self._nearer
        if nearer.pick.error_db < best.pick.error_db - _SHOWN_DB and nearer not in others:
            others.append(nearer)
        return tuple(others)


def _adding(best: BoxPick, budget: Budget) -> list[BoxPick]:
    """Picks near one in which one position more has a part that stays, while there is time."""
    values: dict[str, list[float]] = {}
    for network in best.networks:
        for position in network.positions:
            if position.element.ref in best.shared.joint.separate:
                values.setdefault(position.element.ref, []).append(position.value)
    made = []
    for addition, space in spaces_with_addition(
        best.space, best.shared.networks, values, best.additions
    ):
        if budget.late:
            break
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
