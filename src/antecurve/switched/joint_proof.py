"""The proof of a joint pick: passes through all combinations, and what they prove of the parts."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from antecurve.pick.model import NEPER_DB
from antecurve.pick.objective import FLOOR, resolution
from antecurve.pick.result import PickProgress, SearchReport
from antecurve.switched.claims import search_claim
from antecurve.switched.joint_parts import BoxPick
from antecurve.switched.joint_search import JointExhausted, exhaust_jointly
from antecurve.switched.joint_space import JointPick, JointSpace
from antecurve.switched.position_bound import Budget, Clock, bound_by_positions
from antecurve.switched.sharing import EXACT_DB

__all__ = ["JointProof", "Told"]

Floats = NDArray[np.float64]

_FIRST_SHARE = 0.5  # of the time for bounds: the other half is for positions one by one
_SHARES = (0.5, 1.0)
"""Of the best error: a limit that is searched through proves a bound, the last one the pick."""


@dataclass(frozen=True, slots=True)
class Told:
    """Tell how far the search is, and how long it has taken.

    Attributes
    ----------
    progress : callable or None
        What takes a `PickProgress`.
    clock : Clock
        Since when.
    """

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


class JointProof:
    """The search through all combinations for better parts, and what it proves.

    Parameters
    ----------
    told : Told
        What is told of the progress.

    Attributes
    ----------
    interrupted : bool
        Whether an interruption from the keyboard ended the search.
    """

    def __init__(self, told: Told) -> None:
        self._told = told
        self._evaluated, self._lower_db, self._least_db = 0, 0.0, -np.inf
        self.interrupted = False

    def improved(
        self, picked: BoxPick, budget: Budget, *, shares: tuple[float, ...] = _SHARES
    ) -> BoxPick:
        """Search for better parts, and for a bound of the error.

        Parameters
        ----------
        picked : BoxPick
            Parts.
        budget : Budget
            Time for it.
        shares : tuple of float, optional
            Limits of the passes as shares of the error, ascending.  A limit that is searched
            through proves a bound; 1 proves the best parts.

        Returns
        -------
        BoxPick
            The best parts that are known.
        """
        best = picked.pick
        goal = best.error_db / NEPER_DB
        if best.error_db <= FLOOR * NEPER_DB:
            self._least_db = best.error_db
            return picked
        for share in shares:
            limit = share * goal + 2.0 * resolution(goal)
            end = budget.bound_end(_FIRST_SHARE) if share == shares[0] else budget.search_end
            searched = self._searched(picked, limit, end)
            if searched.best is not None and searched.best.error_db < best.error_db:
                best = searched.best
            if not searched.complete:
                break
            self._lower_db = limit * NEPER_DB
            if searched.best is not None or share >= 1.0:
                self._least_db = best.error_db
                break
        solution = _nearest_exact(picked.space, best, picked.solution)
        made = replace(picked, pick=best, solution=solution)
        if not self.interrupted:
            self.bound(made, budget.bound_end())
        return made

    def _searched(self, picked: BoxPick, limit: float, end: float) -> JointExhausted:
        """Search all combinations within a limit [Np] until some time."""
        before = self._evaluated

        def watch(count: int) -> None:
            remaining = end - time.perf_counter()
            self._told(picked.shared.form, picked.pick.error_db, before + count, remaining)

        searched = exhaust_jointly(picked.space, limit=limit, deadline=end, watch=watch)
        self._evaluated += searched.evaluated
        self.interrupted |= searched.interrupted
        return searched

    def bound(self, picked: BoxPick, until: float) -> None:
        """Bound the positions one by one where nothing else is proved.

        Parameters
        ----------
        picked : BoxPick
            Parts.
        until : float
            Value of `time.perf_counter` at which to stop.
        """
        if self._lower_db > 0.0:
            return
        error = picked.pick.error_db / NEPER_DB
        bound, count = bound_by_positions(picked.space, picked.pick, error, until=until)
        self._lower_db = bound * NEPER_DB
        self._evaluated += count

    def report(self, picked: BoxPick) -> SearchReport:
        """Say what was examined and proved.

        Parameters
        ----------
        picked : BoxPick
            The parts that are the best.

        Returns
        -------
        SearchReport
            Of these parts.
        """
        error_db, combinations = picked.pick.error_db, picked.space.combinations
        proved = error_db <= self._least_db
        bound_db = min(self._lower_db, error_db)
        if proved:
            bound_db = max(0.0, error_db - resolution(error_db / NEPER_DB) * NEPER_DB)
        claim = search_claim(proved, bound_db, picked.additions, interrupted=self.interrupted)
        return SearchReport(
            error_db, proved, bound_db, combinations, self._evaluated, self._told.seconds, claim
        )


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
