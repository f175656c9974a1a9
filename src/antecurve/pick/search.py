"""The pick: the best combination of candidate parts for a job, with a proof.

1. Exact networks over level and impedance are rounded to candidates (`rounding`): a good upper
   bound of the optimum.
2. Every network's whole candidate space is cut into boxes by `monotone_bounds`; each box is
   excluded, tightened, halved or, when few combinations are left in it, evaluated one by one
   (`branch_and_bound`, `bounds`).  What is excluded has a centred error above the best known.
3. When no box is left, no combination is better than the best found: `proved`.  A best within
   1e-5 dB ends the search: no combination is better by more than that.

The objective is the centred error over the continuum of the band at nominal source and load.
The search excludes by the error over some frequencies, which is never above it, and evaluates
over the continuum, so the proof assumes nothing about what lies between frequencies.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from typing import TYPE_CHECKING

from antecurve.job import Job
from antecurve.parts.drawer import Drawer
from antecurve.pick.early_bound import bound_seconds, raise_bound
from antecurve.pick.model import NEPER_DB
from antecurve.pick.objective import FLOOR
from antecurve.pick.outcome import finished
from antecurve.pick.result import PickProgress, PickResult, SearchReport, ShortlistEntry
from antecurve.pick.search_passes import BLIND_LIMITS, Search
from antecurve.pick.shortlist import Contender, tie_limit
from antecurve.threads import single_threaded_linear_algebra

if TYPE_CHECKING:
    from concurrent.futures import Executor

__all__ = ["PickProgress", "PickResult", "SearchReport", "ShortlistEntry", "pick"]

# While no combination is known: long enough for a job with any, short enough to wait for.
_BLIND_SECONDS = 8.0
_OWN_SECONDS = 30.0  # of a form of the user's own, where no exact network guides the search
_BUILT_IN_SECONDS = 120.0  # by judgement: all forms of the default job take a third of it
_SMALL = 3e6  # combinations: so few are all looked at in the time
_NO_LIMIT = 1e3  # Np: no error reaches it


def pick(
    job: Job,
    *,
    drawer: Drawer | None = None,
    progress: Callable[[PickProgress], None] | None = None,
    executor: Executor | None = None,
    budget_seconds: float | None = None,
) -> PickResult:
    """Find the best combination of parts for a job.

    Parameters
    ----------
    job : Job
        What is wanted, and which parts may be used.
    drawer : Drawer or None, optional
        Parts on hand; they are used beside the job's series, or instead where it names none.
    progress : callable, optional
        Called with a `PickProgress` a few times a second.
    executor : concurrent.futures.Executor or None, optional
        Runs parts of a very large search, for example in other processes: of passes that take
        longer than half a second here.
    budget_seconds : float or None, optional
        Time after which the search ends with the best so far [s]; by default that of the job.
        A quarter of it, 1 s or a twelfth of a long one, is kept for a lower bound, of a network of
        the user's own 3 s.  Small bounds are worked out anyway, which takes 8 s at most (3 s for a
        network that is no ladder of fewer than 7 or more than 10 positions).
        Exact values near the pick take 2 s at most beyond it.
        Where the job has none: 120 s, for a network of the user's own 30 s, with an executor no
        limit.

    Returns
    -------
    PickResult
        The pick, what the search proved, and alternatives.  An interruption from the keyboard
        ends the search with the best so far, unproved.  A lower bound takes about 1 s more then, of
        eight positions up to 8 s; a second interruption ends that, too.

    Raises
    ------
    NoCombinationError
        When the candidate space is empty or no combination meets the limits.
    UnattainableError
        When none of the forms can make the curve.
    InputError
        When a form is unknown or a drawer is asked for but not given.
    """
    budget = job.pick.budget_seconds if budget_seconds is None else budget_seconds
    own = job.network.elements is not None
    step_by_step = own or budget is not None or executor is not None
    if budget is None and executor is None:
        budget = _OWN_SECONDS if own else _BUILT_IN_SECONDS
    with single_threaded_linear_algebra(of_scipy=False):
        by_builds = job.pick.pick_by != "nominal" and job.pick.sets == 1
        bounding = bound_seconds(budget, own=own)
        searching = None if budget is None else budget - bounding
        search = Search(job, drawer, progress, executor, searching)
        search.look_around()
        best, complete = _prove(search, step_by_step=step_by_step)
        if not complete and not (by_builds and best is not None):
            limit = BLIND_LIMITS[0] if best is None else tie_limit(best)
            # Whoever interrupts does not want to wait.
            raise_bound(search, limit, seconds=bounding if search.late else 0.0)
        # What few jobs need is loaded for them alone.
        if best is None:
            from antecurve.pick.infeasibility import no_combination

            raise no_combination(search, complete)
        if job.pick.sets == 2:
            from antecurve.pick.pairs import pick_pair

            return pick_pair(search, best, complete)
        if by_builds:
            from antecurve.pick.ranking import pick_as_built

            return pick_as_built(search, best)
        return finished(search, best, complete)


def _prove(search: Search, *, step_by_step: bool) -> tuple[Contender | None, bool]:
    """The best combination, and whether it is proved that there is none better."""
    best = search.best()
    if best is None:
        return _from_nothing(search)
    if _on_the_floor(best):
        return best, True
    goal = tie_limit(best)
    # Of a network that cannot make the curve, a smaller limit is proved sooner; of one that can,
    # every limit takes about as long.
    own = search.job.network.elements is not None
    limits = [goal / 8.0, goal / 2.0, goal] if own else [goal]
    wanted = search.job.pick
    each = not step_by_step and wanted.pick_by == "nominal" and wanted.sets == 1
    for limit in limits:
        result = search.run(limit, each=each)
        best = search.best()
        if _on_the_floor(best):
            return best, True
        if not result.complete:
            return best, False
        search.lower = limit
        if result.contenders:
            break
    assert best is not None
    search.settle(best.centred_db / NEPER_DB)
    return best, True


def _on_the_floor(best: Contender | None) -> bool:
    """Whether what might be gained is too little to look for."""
    return best is not None and best.centred_db <= FLOOR * NEPER_DB


def _from_nothing(search: Search) -> tuple[Contender | None, bool]:
    """Search without a first pick, with limits that grow until something is within them."""
    limits = list(BLIND_LIMITS)
    if search.combinations <= _SMALL:
        limits.append(_NO_LIMIT)
    then = time.perf_counter() + _BLIND_SECONDS
    search.deadline = then if search.deadline is None else min(then, search.deadline)
    complete = False
    for limit in limits:
        result = search.run(limit)
        complete = result.complete
        best = search.best()
        if _on_the_floor(best):
            return best, True
        if not complete or best is not None:
            break
        search.lower = limit
    if best is not None and complete:
        search.settle(best.centred_db / NEPER_DB)
    return best, complete and (best is not None or math.isclose(limits[-1], _NO_LIMIT))
