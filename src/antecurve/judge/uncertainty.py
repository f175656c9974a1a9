"""How far a fit may be off: errors drawn from the noise and the builds, and profile intervals.

Linearised about the best fit, the error of the unknowns is -C (J' e + S u): C the inverse of the
normal matrix, J' e what the captures' noise does (variance 1 after whitening; Student's t where
a sweep's noise is known from few points) and S u what the network's parts do, drawn from the
distribution they have.  Intervals are 95 % ones of these draws, so they are right for one part
of uniform distribution as for many (JCGM 101:2008, 7.7); for a normal distribution they are the
k = 2 ones (k = 1.96).  Where a constant is near a bound or hardly seen the linear interval means
nothing and the profile likelihood takes its place: all values for which chi-square, everything
else fitted again, rises by less than 3.84.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.network_estimate import sources_at
from antecurve.judge.noise import noise_freedom
from antecurve.judge.solve import Solution, chi_square, solve_from

__all__ = ["COVERAGE", "Interval", "coordinate_interval", "error_draws", "within_reach"]

Floats = NDArray[np.float64]

COVERAGE = 0.95
DRAWS = 2048
_DIFFERENT = 3.84  # chi-square, one degree of freedom, 95 %
_SEED = 20_240_229
_LINEAR_LOG = 0.15
_STEPS = 24
_UNSEEN = 1.0
_FEW_DRAWS = 64
_SHORTENINGS = 7
_USUAL_LOG = 0.3
_USUAL_CORNER = 2.0


@dataclass(frozen=True, slots=True)
class Interval:
    """A 95 % interval in a fit's coordinate.

    Attributes
    ----------
    low, high : float
        Its ends.
    profiled : bool
        Whether it is a profile-likelihood interval.
    """

    low: float
    high: float
    profiled: bool = False


def error_draws(
    solution: Solution, *, count: int = DRAWS, seed: int = _SEED, builds: bool = True
) -> Floats:
    """Draw errors of the unknowns.

    Parameters
    ----------
    solution : Solution
        The fit.
    count : int, optional
        Number of draws, a power of 2.
    seed : int, optional
        Seed of the random numbers.
    builds : bool, optional
        Whether the network's parts are drawn too, not the captures' noise alone.

    Returns
    -------
    numpy.ndarray of float, shape (count, unknowns)
        In the fit's coordinates, about 0; the unit's constants first.
    """
    from scipy.special import ndtri

    problem = solution.problem
    evaluation = solution.evaluation
    jacobian = evaluation.jacobian
    scale = np.linalg.norm(jacobian, axis=0)
    scale = np.where(scale > 0, scale, 1.0)
    values, vectors = np.linalg.eigh((jacobian / scale).T @ (jacobian / scale))
    values = np.maximum(values, 1e-13 * values[-1])
    inverse = (vectors / values) @ vectors.T / np.outer(scale, scale)
    data = jacobian[: evaluation.data_rows] * _noise_factors(solution)[:, None]
    transfer = inverse @ data.T
    spread, turn = np.linalg.eigh(transfer @ transfer.T)
    drawn = _even_draws(count, spread.size + problem.priors, seed)
    normal = ndtri(drawn[:, : spread.size]) * np.sqrt(np.maximum(spread, 0.0))
    errors = normal @ turn.T
    if builds and problem.priors:
        first = problem.unit_count
        priors = drawn[:, spread.size :]
        known = problem.bench.estimate.sources
        parts = sources_at(problem.bench.estimate, priors[:, :known])
        moved = np.hstack([parts, ndtri(priors[:, known:])])
        errors = errors - moved @ inverse[first : first + problem.priors]
    return np.asarray(errors)


def within_reach(solution: Solution, errors: Floats, intervals: Sequence[Interval]) -> Floats:
    """Return errors of the unit's constants, none farther than the captures allow.

    Parameters
    ----------
    solution : Solution
        The fit.
    errors : numpy.ndarray of float, shape (draws, unknowns)
        Draws from `error_draws`.
    intervals : sequence of Interval, length constants
        Intervals of the constants.

    Returns
    -------
    numpy.ndarray of float, shape (draws, constants)
        Where constants of the curve are hardly seen, linear draws mean little: 64 of them are
        shortened until chi-square rises by no more than a joint 95 % region allows.  Otherwise
        draws are moved back to the ends of the profiled intervals.
    """
    unit = errors[:, : solution.problem.unit_count]
    parameters = solution.problem.model.parameters
    unseen = any(
        p.logarithmic and i.profiled and i.high - i.low > _UNSEEN
        for p, i in zip(parameters, intervals, strict=True)
    )
    if unseen:
        return _shortened(solution, errors[:_FEW_DRAWS])
    return _limited(solution, unit, intervals)


def _shortened(solution: Solution, errors: Floats) -> Floats:
    from scipy.special import chdtri

    problem, least = solution.problem, chi_square(solution)
    count = problem.unit_count
    allowed = float(chdtri(problem.size, 1.0 - COVERAGE))
    low, high = problem.model.bounds
    found = np.zeros((len(errors), count))
    reach = np.maximum(np.abs(high - solution.units), np.abs(low - solution.units))
    for row, error in enumerate(errors):
        error = error / max(1.0, float(np.max(np.abs(error[:count]) / reach)))
        for _ in range(_SHORTENINGS):
            unknowns = solution.unknowns + error
            unknowns[:count] = np.clip(unknowns[:count], low, high)
            residual = problem.evaluate(unknowns).residual
            if float(residual @ residual) - least <= allowed:
                found[row] = unknowns[:count] - solution.units
                break
            error = error / 3.0
    return found


def _even_draws(count: int, columns: int, seed: int) -> Floats:
    """Numbers strictly between 0 and 1, evenly spread: Sobol's sequence, scrambled."""
    from scipy.stats import qmc

    drawn = qmc.Sobol(columns, rng=np.random.default_rng(seed)).random(count)
    return np.asarray(np.clip(drawn, 1e-12, 1.0 - 1e-12))


def _noise_factors(solution: Solution) -> Floats:
    """Student's t over the normal quantile, per row of data."""
    from scipy.special import ndtri, stdtrit

    tail = 0.5 + COVERAGE / 2.0
    factors = []
    for observation, freedom in zip(
        solution.problem.observations, noise_freedom(solution), strict=True
    ):
        ratio = float(stdtrit(freedom, tail) / ndtri(tail)) if np.isfinite(freedom) else 1.0
        factors.append(np.full(observation.rows, ratio))
    return np.concatenate(factors)


def coordinate_interval(solution: Solution, place: int, errors: Floats) -> Interval:
    """Return the 95 % interval of one of the unit's constants.

    Parameters
    ----------
    solution : Solution
        The fit.
    place : int
        Which constant.
    errors : numpy.ndarray of float, shape (draws, constants)
        Draws from `error_draws`.

    Returns
    -------
    Interval
        Linear where that holds, otherwise by profile likelihood.
    """
    parameter = solution.problem.model.parameters[place]
    best = float(solution.units[place])
    half = float(np.quantile(np.abs(errors[:, place]), COVERAGE))
    wide = half > (_LINEAR_LOG if parameter.logarithmic else 0.7 * max(best, 0.0))
    if not wide and best - half > parameter.lowest and best + half < parameter.highest:
        return Interval(best - half, best + half)
    return Interval(
        _profile_end(solution, place, half, -1.0), _profile_end(solution, place, half, 1.0), True
    )


def _profile_end(solution: Solution, place: int, half: float, direction: float) -> float:
    """Where the profile rises by 3.84 on one side, or the bound."""
    from scipy.optimize import brentq

    parameter = solution.problem.model.parameters[place]
    bound = parameter.highest if direction > 0 else parameter.lowest
    best, least = float(solution.units[place]), chi_square(solution)
    warm = [solution.unknowns]

    def rise(coordinate: float) -> float:
        start = warm[0].copy()
        start[place] = coordinate
        found = solve_from(solution.problem, start, rounds=25, fixed=place)
        warm[0] = found.unknowns
        return chi_square(found) - least - _DIFFERENT

    room = abs(bound - best)
    usual = _USUAL_LOG if parameter.logarithmic else _USUAL_CORNER**parameter.power
    inner, outer, below, above = 0.0, min(max(half, 1e-3 * usual), usual, room), -_DIFFERENT, 0.0
    for _ in range(_STEPS):
        above = rise(best + direction * outer)
        if above > 0:
            break
        if outer >= room:
            return bound
        inner, below, outer = outer, above, min(2.0 * outer, room)
    else:
        return bound

    def between(distance: float) -> float:
        known = {inner: below, outer: above}
        return known[distance] if distance in known else rise(best + direction * distance)

    found = brentq(between, inner, outer, xtol=1e-3 * outer, rtol=1e-2)
    return best + direction * float(found)


def _limited(solution: Solution, errors: Floats, intervals: Sequence[Interval]) -> Floats:
    """Errors moved back to the profiled intervals, the other constants along as correlated."""
    found = errors.copy()
    covariance = np.cov(errors.T)
    for place, interval in enumerate(intervals):
        if interval.profiled and covariance[place, place] > 0:
            best = float(solution.units[place])
            cut = np.clip(found[:, place], interval.low - best, interval.high - best)
            follow = covariance[place] / covariance[place, place]
            found += (cut - found[:, place])[:, None] * follow
    return found
