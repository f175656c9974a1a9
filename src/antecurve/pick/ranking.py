"""The pick by what will be built: the smallest 95th percentile of the error over builds."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from antecurve.networks.centred_error import sampled_half_range
from antecurve.parts.distributions import deviation_quantile
from antecurve.parts.joined import JOINS, joined_weights, values_add
from antecurve.pick.branch_and_bound import Space
from antecurve.pick.candidates import Candidates
from antecurve.pick.comparison import compared
from antecurve.pick.model import CURVATURE_GROWTH, NEPER_DB
from antecurve.pick.outcome import report, with_exact
from antecurve.pick.result import PickResult
from antecurve.pick.search_passes import Search, tie_limit
from antecurve.pick.shortlist import SCREENING_BUILDS, Contender, shortlist

__all__ = ["pick_by_build"]

Floats = NDArray[np.float64]

_STEP = 1.4  # growth of the window: the first that suffices is at most this much too wide
_MOST_LISTED = 20_000  # combinations: their screening takes some seconds
_FIRST_SHARE = 0.02  # of the percentile, for the first window: smaller ones hold next to nothing
_BEYOND = 1.001  # past the window that suffices, so that rounding does not undo it
_SECONDS = 15.0  # windows are widened no more after this time: the pick is good by then
_LINEAR_BUILDS = 800  # percentile to some 3 % by the same draws for all: enough to choose 48 by
_SIMULATED = 48  # combinations simulated by the screening builds: some 0.3 s
_FINALISTS = 8  # of them simulated with all builds of the job: some 0.5 s for 100,000
_MOST_BUILDS = 5e6  # builds in all, up to which every combination of a short list is a finalist
_CHUNK = 64  # combinations at a time: 100 MB


@dataclass(frozen=True, slots=True)
class _Window:
    """Combinations with a nominal error up to a limit [dB], all of them where `complete`."""

    limit_db: float
    listed: list[Contender]
    complete: bool


def pick_by_build(search: Search, best: Contender, complete: bool) -> PickResult:
    """Pick by the 95th percentile of the error over builds.

    Parameters
    ----------
    search : Search
        A search that has found the smallest nominal error.
    best : Contender
        The pick by nominal error.
    complete : bool
        Whether that is proved.

    Returns
    -------
    PickResult
        The pick; `search.objective_db` is its percentile, and `search.claim` says what was
        examined and what is proved.

    Notes
    -----
    All combinations with a nominal centred error within a window are listed and screened by a
    linear model of the scatter.  The best are simulated with the first builds of the job, and
    the best of those with all: draws, seed and distribution are the job's.  What a screening
    leaves out may be better, so that a pick is proved only where every combination listed was
    simulated with all builds.

    Deviations are symmetric about nominal.  Hence for the two frequencies of a combination's
    largest and smallest error, the difference of the errors is at least its nominal value, less
    what the response departs from its tangent, in half of the builds: a combination's percentile
    is no less than its nominal error less that departure (`antecurve.pick.bounds`: at most
    phi(kappa h) sum u_i h_i^2 with u_i <= 1 each for numerator and denominator, h_i the
    tolerances).
    """
    departure_db = _departure_db(search)
    nominal_db = search.lower * NEPER_DB
    window = _window(search, best, complete, departure_db)
    outside_db = max(0.0, window.limit_db - departure_db) if window.complete else 0.0
    finalists = _finalists(search, window.listed, outside_db)
    first = finalists[0]
    exhaustive = window.complete and {id(c) for c in window.listed} <= {id(c) for c in finalists}
    bound_db = outside_db if exhaustive else nominal_db - departure_db
    search.lower = max(0.0, min(first.p95_db(), bound_db)) / NEPER_DB
    proved = exhaustive and outside_db >= first.p95_db()
    claim = _claim(search, window, finalists, outside_db, proved=proved)
    done = replace(report(search, first.p95_db(), proved, claim), criterion="build")
    entries = shortlist(first, search.pool + finalists)
    forms = compared(search, first, finalists, lower=search.lower, proved=proved)
    return PickResult(with_exact(first), done, entries, forms=forms)


def _claim(
    search: Search,
    window: _Window,
    finalists: list[Contender],
    outside_db: float,
    *,
    proved: bool,
) -> str:
    """What was examined, and what is proved, in a few sentences."""
    builds = search.job.spread.builds
    count = len(window.listed)
    if not window.complete:
        return (
            f"the search ended before all combinations near the best were listed. Of {count} at "
            f"hand the pick has the smallest 95th percentile over {builds:,} builds. Nothing "
            "is proved"
        )
    listed = f"{count:,} have a nominal centred error up to {window.limit_db:.4g} dB. "
    if proved:
        return (
            f"{listed}All were simulated with {builds:,} builds, and the pick has the smallest "
            f"95th percentile. Any other combination's is at least {outside_db:.3g} dB (proved)"
        )
    screened = min(count, _SIMULATED)
    few = min(SCREENING_BUILDS, builds)
    stages = f"The best {screened} by a linear model were simulated with {few:,} builds"
    if few < builds:
        stages += f", the best {len(finalists)} of them with {builds:,}"
    open_text = "" if count <= screened else " Others of the list may be better."
    gap = finalists[0].p95_db() - outside_db
    outside = f" Combinations outside the list have at least {outside_db:.3g} dB (proved)"
    if gap > 0.0:
        outside += f", {gap:.3g} dB below the pick's: one of them may be better"
    return f"{listed}{stages}. The pick has the smallest 95th percentile of those.{open_text}" + (
        outside if outside_db > 0.0 else " Nothing is proved about the others"
    )


def _window(search: Search, best: Contender, complete: bool, departure_db: float) -> _Window:
    """A window of nominal errors and all combinations in it, if it could be completed."""
    target_db = best.p95_db()
    # From here on no combination outside has the smaller percentile.
    enough = _BEYOND * (target_db + departure_db) / NEPER_DB
    if not math.isfinite(enough):
        enough = _STEP * target_db / NEPER_DB
    wider = _STEP * max(tie_limit(best), _FIRST_SHARE * target_db / NEPER_DB)
    window = _Window(search.lower * NEPER_DB, [best], False)
    while (
        complete
        and window.limit_db < enough * NEPER_DB
        and len(window.listed) < _MOST_LISTED
        and search.seconds < _SECONDS
    ):
        limit = min(wider, enough)
        result = search.run(limit, keep_all=True)
        if not result.complete:
            break
        window = _Window(limit * NEPER_DB, result.contenders or [best], True)
        wider = _STEP * limit
    return window


def _finalists(search: Search, listed: list[Contender], outside_db: float) -> list[Contender]:
    """Combinations simulated with all builds of the job, smallest percentile first."""
    simulated = sorted(_screened(search, listed), key=_first_builds)
    builds = search.job.spread.builds
    provable = len(listed) <= len(simulated) and outside_db >= _first_builds(simulated[0])
    if provable and len(listed) * builds <= _MOST_BUILDS:
        finalists = simulated
    else:
        finalists = simulated[:_FINALISTS]
    # Of each network the best, so that the forms can be compared by the same builds.
    for space in search.spaces:
        if not any(c.space.model is space.model for c in finalists):
            known = sorted(
                (c for c in search.pool if c.space.model is space.model), key=Contender.tie_key
            )
            own = [c for c in simulated if c.space.model is space.model] or known[:_FINALISTS]
            finalists = finalists + sorted(own, key=_first_builds)[:1]
    return sorted(finalists, key=Contender.p95_db)


def _first_builds(contender: Contender) -> float:
    """The percentile over the screening builds [dB]."""
    return contender.p95_db(SCREENING_BUILDS)


def _departure_db(search: Search) -> float:
    """Most that a build's level departs from the tangent [dB], over all networks of the job."""
    return max(_departure_of(space) for space in search.spaces)


def _departure_of(space: Space) -> float:
    """The same over all networks of one shape; infinite where it is no ladder [dB]."""
    if space.model.ladder is None:
        return math.inf
    tolerance = np.array(
        [max(p.tolerance for p in candidates.parts) for candidates in space.candidates]
    )
    log = np.log1p(tolerance / (1.0 - tolerance))
    largest = CURVATURE_GROWTH * float(log.max())
    phi = (math.expm1(largest) - largest - largest**2 / 2) / largest**2 + 0.5 if largest else 0.5
    return float(2.0 * phi * np.sum(log**2)) * NEPER_DB


def _screened(search: Search, listed: list[Contender]) -> list[Contender]:
    """The best combinations by the linear model."""
    if len(listed) <= _SIMULATED:
        return listed
    percentiles: list[tuple[float, int]] = []
    for space in search.spaces:
        own = [i for i, c in enumerate(listed) if c.space.model is space.model]
        for start in range(0, len(own), _CHUNK):
            batch = own[start : start + _CHUNK]
            spreads = _linear_percentiles(space, [listed[i] for i in batch])
            percentiles += list(zip(spreads, batch, strict=True))
    return [listed[i] for _, i in sorted(percentiles)[:_SIMULATED]]


def _linear_percentiles(space: Space, contenders: list[Contender]) -> list[float]:
    """95th percentiles with the response linear in the deviations [Np]."""
    indices = np.array([c.indices for c in contenders])
    linear = space.model.linearise(space.values(indices))
    count = indices.shape[1]
    scale = np.stack(
        [_part_scales(space.candidates[i], indices[:, i]) for i in range(count)], axis=1
    )
    slopes = linear.slopes[:, :-1, :, None] * scale[:, None, :, :]
    flat = slopes.reshape(len(contenders), slopes.shape[1], count * 2)
    wanted = space.model.job.spread
    uniform = np.random.default_rng(wanted.seed).random((count * 2, _LINEAR_BUILDS))
    errors = linear.rows[:, :-1, None] + flat @ deviation_quantile(uniform, wanted.distribution)
    return [float(v) for v in np.percentile(sampled_half_range(errors, axis=1), 95.0, axis=1)]


def _part_scales(candidates: Candidates, index: NDArray[np.int64]) -> Floats:
    """Change of ln(value) for each of two parts at the end of its tolerance."""
    value = np.array([p.value for p in candidates.parts])
    tolerance = np.array([p.tolerance for p in candidates.parts])
    first, second = candidates.first[index], candidates.second[index]
    pair = second >= 0
    adds = np.array([values_add(candidates.kind, joined) for joined in JOINS])[
        candidates.joined[index]
    ]
    absent = np.where(adds, 0.0, np.inf)
    values = np.stack([value[first], np.where(pair, value[second], absent)])
    weights = joined_weights(values, adds=adds)
    return np.asarray((weights * np.stack([tolerance[first], tolerance[second]])).T)
