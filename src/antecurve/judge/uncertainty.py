"""How far a fit may be off: units drawn from noise, priors and builds, and the evidence of a shape.

Linearised about the best fit, the error of the unknowns is -C (J' e + P' v + S u): C the inverse
of the normal matrix, J' e what the captures' noise does (variance 1 after whitening; Student's t
where a sweep's noise is known from few points), P' v what the priors of the constants leave open
and S u what the network's parts do, drawn from the distribution they have.  Units beyond a bound
of the model are moved back to it, the other constants along as correlated.  Intervals are 95 %
ones of these units, so they are right for one part of uniform distribution as for many
(JCGM 101:2008, 7.7); for a normal distribution they are the k = 2 ones (k = 1.96).
"""

from __future__ import annotations

import itertools
import math

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.even_draws import even_draws
from antecurve.judge.network_estimate import sources_at
from antecurve.judge.noise import noise_freedom
from antecurve.judge.solve import Solution, chi_square
from antecurve.judge.unit_steps import bounds_beside

__all__ = ["COVERAGE", "log_evidence", "unit_draws", "unknowns_covariance"]

Floats = NDArray[np.float64]

COVERAGE = 0.95  # as expanded uncertainty is usually stated (JCGM 100:2008, 6.3.3)
DRAWS = 1024  # Sobol's sequence: quantiles of 95 % to about 2 % of the interval
_SEED = 20_240_229  # any: the same captures give the same verdict
_ROUNDING = 1e-13  # of the largest eigenvalue: what is less is rounding of the normal matrix
_LEAST_VARIANCE = (
    1e-8  # of each unknown: noise says nothing of some, and draws need a regular matrix
)


def _inverse_normal(solution: Solution) -> tuple[Floats, float]:
    """The inverse of the normal matrix of the free unknowns, and ln of its determinant."""
    jacobian = solution.evaluation.jacobian[:, solution.free]
    scale = np.linalg.norm(jacobian, axis=0)
    scale = np.where(scale > 0, scale, 1.0)
    values, vectors = np.linalg.eigh((jacobian / scale).T @ (jacobian / scale))
    values = np.maximum(values, _ROUNDING * values[-1])
    inverse = (vectors / values) @ vectors.T / np.outer(scale, scale)
    return inverse, -float(np.log(values).sum() + 2.0 * np.log(scale).sum())


def unknowns_covariance(solution: Solution) -> Floats:
    """Compute the covariance of the free unknowns, linearised about the best fit.

    Parameters
    ----------
    solution : Solution
        The fit.

    Returns
    -------
    numpy.ndarray of float, shape (free, free)
        Noise of variance 1 and priors alike; bounds not regarded.
    """
    return _inverse_normal(solution)[0]


def log_evidence(solution: Solution) -> float:
    """Evaluate the evidence of a shape by Laplace's method.

    The integral of likelihood and priors over the free constants, by a normal distribution about
    the best fit, cut at the bounds of the constants (MacKay, Information Theory, Inference, and
    Learning Algorithms, 27 and 28).

    Parameters
    ----------
    solution : Solution
        The best fit of the shape.

    Returns
    -------
    float
        Natural logarithm, but for a constant that is the same for all shapes of a model.
    """
    from scipy.special import erfcx, log_ndtr

    inverse, log_volume = _inverse_normal(solution)
    gradient = (solution.evaluation.jacobian.T @ solution.evaluation.residual)[solution.free]
    total = 0.5 * (log_volume - chi_square(solution))
    own = solution.free[: solution.problem.unit_count]
    lowest = bounds_beside(solution.problem.model, solution.units)[0]
    for k, number in enumerate(np.flatnonzero(own)):
        parameter = solution.problem.model.parameters[number]
        total += 0.5 * math.log(2.0 * math.pi) - parameter.log_prior_width
        if parameter.logarithmic:
            continue
        spread = math.sqrt(inverse[k, k])
        inside = float(solution.unknowns[number] - lowest[number]) / spread
        if inside > 0:
            total += float(log_ndtr(inside))
        else:
            outwards = max(0.0, gradient[k] * spread)
            total += math.log(0.5 * float(erfcx(outwards / math.sqrt(2.0))))
    return total


def unit_draws(solution: Solution, *, count: int = DRAWS, builds: bool = True) -> Floats:
    """Draw units that the captures allow.

    Parameters
    ----------
    solution : Solution
        The fit.
    count : int, optional
        Number of draws, a power of 2.
    builds : bool, optional
        Whether the network's parts are drawn too, not the captures' noise alone.

    Returns
    -------
    numpy.ndarray of float, shape (count, constants)
        In the fit's coordinates, within the bounds of the model.
    """
    from scipy.special import ndtri

    problem, free = solution.problem, solution.free
    evaluation, units = solution.evaluation, problem.unit_count
    jacobian = evaluation.jacobian[:, free]
    inverse, _ = _inverse_normal(solution)
    noisy = jacobian[: evaluation.data_rows + units].copy()
    noisy[: evaluation.data_rows] *= _noise_factors(solution)[:, None]
    carried = noisy @ inverse
    size = np.linalg.norm(carried, axis=0)
    size = np.where(size > 0, size, 1.0)
    scaled = (carried / size).T @ (carried / size)
    scaled[np.diag_indices_from(scaled)] += _LEAST_VARIANCE
    drawn = _even_draws(count, size.size + problem.priors)
    errors = ndtri(drawn[:, : size.size]) @ np.linalg.cholesky(scaled).T * size
    if builds and problem.priors:
        known = problem.bench.estimate.sources
        chosen = np.searchsorted(np.flatnonzero(free), units + np.arange(problem.priors))
        priors = drawn[:, size.size :]
        parts = sources_at(problem.bench.estimate, priors[:, :known])
        moved = np.hstack([parts, ndtri(priors[:, known:])])
        errors = errors - moved @ inverse[chosen]
    # Where a bound holds the best fit, the one without it lies beyond.
    errors = errors - inverse @ (jacobian.T @ evaluation.residual)
    own = np.flatnonzero(free) < units
    drawn_units = np.tile(solution.units, (count, 1))
    drawn_units[:, free[:units]] += errors[:, own]
    spread = np.zeros((units, units))
    spread[np.ix_(free[:units], free[:units])] = inverse[np.ix_(own, own)]
    return _within_bounds(drawn_units, bounds_beside(problem.model, solution.units), spread)


def _within_bounds(drawn: Floats, bounds: Floats, covariance: Floats) -> Floats:
    """Units moved to the nearest within the lower bounds, distance by the covariance.

    Of each choice of constants held at their bounds the others follow as correlated; the nearest
    of those that lie within the bounds counts (Nocedal and Wright, Numerical Optimization, 16).
    """
    low, high = bounds
    moving = np.diag(covariance) > 0
    bounded = np.flatnonzero(moving & np.any(drawn < low, axis=0))
    beyond = np.any(drawn[:, bounded] < low[bounded], axis=1)
    outside = drawn[beyond]
    nearest, least = np.clip(outside, low, None), np.full(len(outside), np.inf)
    size = np.sqrt(np.diag(covariance))
    for count in range(1, bounded.size + 1):
        for held in map(list, itertools.combinations(bounded, count)):
            inner = covariance[np.ix_(held, held)] / np.outer(size[held], size[held])
            inverse = np.linalg.pinv(inner, rcond=_ROUNDING, hermitian=True)
            off = (low[held] - outside[:, held]) / size[held]
            distance = np.einsum("ij,jk,ik->i", off, inverse, off)
            moved = outside + off @ inverse @ (covariance[held] / size[held][:, None])
            moved[:, held] = low[held]
            inside = np.all(moved[:, bounded] >= low[bounded] - _ROUNDING * size[bounded], axis=1)
            better = inside & (distance < least)
            nearest[better], least[better] = moved[better], distance[better]
    drawn[beyond] = nearest
    return np.clip(drawn, low, high)


def _even_draws(count: int, columns: int) -> Floats:
    """Numbers strictly between 0 and 1, evenly spread: Sobol's sequence, scrambled."""
    # The most even of seven ways: quantiles of 95 % of sums of 6 to 24 sources err by
    # 1.3 to 1.9 % rms; Halton's sequence 1.4 to 2.2 %, lattices and Latin hypercubes 2 to 3 %.
    return np.clip(even_draws(count=count, columns=columns, seed=_SEED), 1e-12, 1.0 - 1e-12)


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
