"""The pick by what will be built: the smallest 95th percentile of the error over builds."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from antecurve.networks.topology import ElementKind
from antecurve.pick.branch import Space
from antecurve.pick.builds import spread_percentile
from antecurve.pick.comparison import compared
from antecurve.pick.model import NEPER_DB
from antecurve.pick.outcome import report, with_exact
from antecurve.pick.proof import Search, tie_limit
from antecurve.pick.result import PickResult
from antecurve.pick.shortlist import Contender, shortlist

__all__ = ["pick_by_build"]

Floats = NDArray[np.float64]

_STEP = 1.4
_ENOUGH = 20_000
_FIRST_SHARE = 0.02
_BEYOND = 1.001
_SECONDS = 15.0
_SCREEN_BUILDS = 800
_RANKED = 48
_RANK_BUILDS = 4000
_CHUNK = 64


def pick_by_build(search: Search, best: Contender, complete: bool) -> PickResult:
    """Return the combination with the smallest 95th percentile of the error over builds.

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
        The pick; `search.objective_db` is its percentile, and `search.claim` says what is proved.

    Notes
    -----
    All combinations with a nominal centred error within a window are listed, screened by a
    linear model of the scatter, and the best of them ranked with the network's own response.
    Deviations are symmetric about nominal.  Hence for the two frequencies of a combination's
    largest and smallest error, the difference of the errors is at least its nominal value, less
    what the response departs from its tangent, in half of the builds: the percentile of a
    combination outside the window is no less than the window less that departure
    (`antecurve.pick.bounds`: at most phi(kappa h) sum u_i h_i^2 with u_i <= 1 each for numerator
    and denominator, h_i the tolerances).
    """
    window, listed, whole = _window(search, best, complete)
    ranked = _ranked(search, listed or [best])
    first = ranked[0]
    objective = spread_percentile(
        first.space.picked(first.indices), search.job, builds=_RANK_BUILDS
    )
    outside = max(0.0, window * NEPER_DB - _departure_db(search))
    search.lower = min(objective, outside) / NEPER_DB if whole else 0.0
    proved = whole and outside >= objective
    gap = objective - outside
    rest = "" if proved else f", {gap:.3g} dB below the pick's: one of them may be better"
    claim = (
        f"of all {len(listed)} combinations with a nominal centred error up to "
        f"{window * NEPER_DB:.4g} dB this has the smallest 95th percentile over {_RANK_BUILDS} "
        f"builds; any other combination's is at least {outside:.3g} dB{rest}"
        if whole
        else "the search ended early; the pick is the best of those found"
    )
    done = report(search, objective, proved, claim)
    pool = search.pool + ranked[:_RANKED]
    entries = shortlist(first, pool, search.job)
    return PickResult(with_exact(first), done, entries, forms=compared(search, first, ranked))


def _window(search: Search, best: Contender, complete: bool) -> tuple[float, list[Contender], bool]:
    """A window of nominal errors and all combinations in it, if it could be completed."""
    window, listed, whole = tie_limit(best), [best], complete
    target = spread_percentile(best.space.picked(best.indices), search.job)
    # From here on no combination outside has the smaller percentile.
    enough = _BEYOND * (target + _departure_db(search)) / NEPER_DB
    if not math.isfinite(enough):
        enough = _STEP * target / NEPER_DB
    wider = _STEP * max(window, _FIRST_SHARE * target / NEPER_DB)
    while whole and window < enough and len(listed) < _ENOUGH and search.seconds < _SECONDS:
        wider = min(wider, enough)
        found = search.run(wider, keep_all=True)
        if not found.complete:
            break
        window, listed, wider = wider, found.contenders, _STEP * wider
    return window, listed, whole


def _departure_db(search: Search) -> float:
    """Most that a build's level departs from the tangent [dB], over all networks of the job."""
    return max(_departure_of(space) for space in search.spaces)


def _departure_of(space: Space) -> float:
    """The same over all networks of one shape; infinite where it is no ladder [dB]."""
    if space.model.ladder is None:
        return math.inf
    tolerance = np.array([max(p.tolerance for p in place.parts) for place in space.places])
    log = np.log1p(tolerance / (1.0 - tolerance))
    largest = 2.0 * math.sqrt(2.0) * float(log.max())
    phi = (math.expm1(largest) - largest - largest**2 / 2) / largest**2 + 0.5 if largest else 0.5
    return float(2.0 * phi * np.sum(log**2)) * NEPER_DB


def _ranked(search: Search, listed: list[Contender]) -> list[Contender]:
    """Contenders by percentile over builds, the best of a linear screening first."""
    screened: list[tuple[float, int]] = []
    for space in search.spaces:
        here = [i for i, c in enumerate(listed) if c.space.model is space.model]
        for start in range(0, len(here), _CHUNK):
            some = here[start : start + _CHUNK]
            spreads = _linear_percentiles(space, [listed[i] for i in some], search.job.spread.seed)
            screened += list(zip(spreads, some, strict=True))
    screened.sort()
    chosen = [listed[i] for _, i in screened[:_RANKED]]
    exact = [
        spread_percentile(c.space.picked(c.indices), search.job, builds=_RANK_BUILDS)
        for c in chosen
    ]
    order = np.argsort(exact, kind="stable")
    return [chosen[i] for i in order]


def _linear_percentiles(space: Space, some: list[Contender], seed: int) -> list[float]:
    """95th percentiles with the response linear in the deviations [Np]."""
    indices = np.array([c.indices for c in some])
    linear = space.model.linearise(space.values(indices))
    count = indices.shape[1]
    scale = np.zeros((len(some), count, 2))
    for i in range(count):
        scale[:, i] = _part_weights(space, i, indices[:, i])
    draws = np.random.default_rng(seed).uniform(-1.0, 1.0, (count * 2, _SCREEN_BUILDS))
    slopes = linear.slopes[:, :-1, :, None] * scale[:, None, :, :]
    flat = slopes.reshape(len(some), slopes.shape[1], count * 2)
    errors = linear.rows[:, :-1, None] + flat @ draws
    return [float(v) for v in np.percentile(np.ptp(errors, axis=1) / 2.0, 95.0, axis=1)]


def _part_weights(space: Space, position: int, index: NDArray[np.int64]) -> Floats:
    """Change of ln(value) for each of two parts at the end of its tolerance."""
    place = space.places[position]
    value = np.array([p.value for p in place.parts])
    tolerance = np.array([p.tolerance for p in place.parts])
    first, second = place.first[index], place.second[index]
    pair = second >= 0
    a, b = value[first], value[np.where(pair, second, first)]
    adds = (place.joined[index] == 1) == (place.kind is ElementKind.RESISTOR)
    share = np.where(adds, a / (a + b), b / (a + b))
    one = np.where(pair, share, 1.0) * tolerance[first]
    two = np.where(pair, (1.0 - share) * tolerance[np.where(pair, second, first)], 0.0)
    return np.stack([one, two], axis=1)
