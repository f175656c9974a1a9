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

from collections.abc import Callable, Sequence
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
_LINEAR_LOG = 0.15  # half width; beyond, exp differs from its tangent by 1 %
_STEPS = 24  # doublings: more than from the first distance to any bound
_UNSEEN = 1.0  # width of an interval that spans a factor of e
_FEW_DRAWS = 64
_SHORTENINGS = 7  # halvings, to 1 % of a draw
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
    shortened = np.zeros((len(errors), count))
    reach = np.maximum(np.abs(high - solution.units), np.abs(low - solution.units))
    for row, error in enumerate(errors):
        error = error / max(1.0, float(np.max(np.abs(error[:count]) / reach)))
        for _ in range(_SHORTENINGS):
            unknowns = solution.unknowns + error
            unknowns[:count] = np.clip(unknowns[:count], low, high)
            residual = problem.evaluate(unknowns).residual
            if float(residual @ residual) - least <= allowed:
                shortened[row] = unknowns[:count] - solution.units
                break
            error = error / 3.0
    return shortened


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


def coordinate_interval(solution: Solution, index: int, errors: Floats) -> Interval:
    """Return the 95 % interval of one of the unit's constants.

    Parameters
    ----------
    solution : Solution
        The fit.
    index : int
        Which constant.
    errors : numpy.ndarray of float, shape (draws, constants)
        Draws from `error_draws`.

    Returns
    -------
    Interval
        Linear where that holds, otherwise by profile likelihood.
    """
    parameter = solution.problem.model.parameters[index]
    best = float(solution.units[index])
    half = float(np.quantile(np.abs(errors[:, index]), COVERAGE))
    wide = half > (_LINEAR_LOG if parameter.logarithmic else 0.7 * max(best, 0.0))
    if not wide and best - half > parameter.lowest and best + half < parameter.highest:
        return Interval(best - half, best + half)
    return Interval(
        _profile_end(solution, index, half, -1.0), _profile_end(solution, index, half, 1.0), True
    )


def _profile_end(solution: Solution, index: int, half: float, direction: float) -> float:
    """Where the profile of chi-square rises by 3.84 on one side, or the bound."""
    from scipy.optimize import brentq

    parameter = solution.problem.model.parameters[index]
    bound = parameter.highest if direction > 0 else parameter.lowest
    best = float(solution.units[index])
    profile = _profile(solution, index)
    room = abs(bound - best)
    usual = _USUAL_LOG if parameter.logarithmic else _USUAL_CORNER**parameter.power
    first = min(max(half, 1e-3 * usual), usual, room)
    bracket = _bracketed(lambda distance: profile(best + direction * distance), first, room)
    if bracket is None:
        return bound
    known = dict(bracket)

    def between(distance: float) -> float:
        return known[distance] if distance in known else profile(best + direction * distance)

    inner, outer = known
    end = brentq(between, inner, outer, xtol=1e-3 * outer, rtol=1e-2)
    return best + direction * float(end)


def _profile(solution: Solution, index: int) -> Callable[[float], float]:
    """Rise of chi-square over 3.84 with a constant held, each solved from the one before."""
    least = chi_square(solution)
    warm = [solution.unknowns]

    def rise(coordinate: float) -> float:
        start = warm[0].copy()
        start[index] = coordinate
        held = solve_from(solution.problem, start, rounds=25, fixed=index)
        warm[0] = held.unknowns
        return chi_square(held) - least - _DIFFERENT

    return rise


def _bracketed(
    rise: Callable[[float], float], first: float, room: float
) -> tuple[tuple[float, float], tuple[float, float]] | None:
    """Distances on either side of the root with their rises, doubled from the first one on."""
    inner, below, outer = 0.0, -_DIFFERENT, first
    for _ in range(_STEPS):
        above = rise(outer)
        if above > 0:
            return (inner, below), (outer, above)
        if outer >= room:
            return None
        inner, below, outer = outer, above, min(2.0 * outer, room)
    return None


def _limited(solution: Solution, errors: Floats, intervals: Sequence[Interval]) -> Floats:
    """Errors moved back to the profiled intervals, the other constants along as correlated."""
    limited = errors.copy()
    covariance = np.cov(errors.T)
    for index, interval in enumerate(intervals):
        if interval.profiled and covariance[index, index] > 0:
            best = float(solution.units[index])
            cut = np.clip(limited[:, index], interval.low - best, interval.high - best)
            follow = covariance[index] / covariance[index, index]
            limited += (cut - limited[:, index])[:, None] * follow
    return limited
