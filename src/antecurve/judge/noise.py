"""The noise of captures: residuals against degrees of freedom."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.observation import Observation
from antecurve.judge.problem import with_observations
from antecurve.judge.solve import Solution, solve_from

__all__ = [
    "excess_by_observation",
    "noise_freedom",
    "raised_noise",
    "residual_parts",
    "with_estimated_noise",
]

Floats = NDArray[np.float64]

_ROUNDS = 2  # the second sees the residuals of the fit that the first noise made
_INDEPENDENT = 1e-8  # singular values below are unknowns that the data don't show


def with_estimated_noise(solution: Solution) -> Solution:
    """Set noise that is not known beforehand to the residuals, and solve again.

    Parameters
    ----------
    solution : Solution
        A fit.

    Returns
    -------
    Solution
        The fit with the noise that the residuals show.
    """
    if all(o.noise_known for o in solution.problem.observations):
        return solution
    for _ in range(_ROUNDS):
        parts = zip(
            solution.problem.observations,
            residual_parts(solution),
            _effective_unknowns(solution),
            strict=True,
        )
        observations = [o.with_estimated_noise(part, used) for o, part, used in parts]
        problem = with_observations(solution.problem, observations)
        free = solution.free[: problem.unit_count]
        solution = solve_from(problem, solution.unknowns, free=free)
    return solution


def _effective_unknowns(solution: Solution) -> list[float]:
    """How many unknowns each capture has to pay for: trace of its part of the hat matrix."""
    jacobian = solution.evaluation.jacobian[:, solution.free]
    scale = np.linalg.norm(jacobian, axis=0)
    orthonormal = np.linalg.svd(jacobian / np.where(scale > 0, scale, 1.0), full_matrices=False)
    leverage = np.sum(orthonormal.U[:, orthonormal.S > _INDEPENDENT] ** 2, axis=1)
    return [float(part.sum()) for part in _by_observation(solution, leverage)]


def _by_observation(solution: Solution, rows: Floats) -> list[Floats]:
    counts = [o.rows for o in solution.problem.observations]
    return [rows[end - count : end] for count, end in zip(counts, np.cumsum(counts), strict=True)]


def residual_parts(solution: Solution) -> list[Floats]:
    """Compute the whitened residuals of each observation.

    Parameters
    ----------
    solution : Solution
        The fit.

    Returns
    -------
    list of numpy.ndarray of float, shape (rows,)
        One per observation.
    """
    return _by_observation(solution, solution.evaluation.residual)


def excess_by_observation(solution: Solution) -> tuple[float, ...]:
    """Compute each capture's mean square residual per degree of freedom.

    Parameters
    ----------
    solution : Solution
        The fit.

    Returns
    -------
    tuple of float
        1 where the noise explains what is left.
    """
    used = _effective_unknowns(solution)
    return tuple(
        float(part @ part) / max(1.0, part.size - unknowns)
        for part, unknowns in zip(residual_parts(solution), used, strict=True)
    )


def noise_freedom(solution: Solution) -> tuple[float, ...]:
    """Compute the degrees of freedom from which each capture's noise is known.

    Parameters
    ----------
    solution : Solution
        The fit.

    Returns
    -------
    tuple of float
        Rows less unknowns; infinite where the noise is known beforehand, such as from thousands
        of samples.
    """
    used = _effective_unknowns(solution)
    return tuple(
        math.inf if o.noise_known else max(1.0, o.rows - used[k])
        for k, o in enumerate(solution.problem.observations)
    )


def raised_noise(solution: Solution, excess: Sequence[float]) -> list[Observation]:
    """Raise the noise of observations where residuals exceed it.

    Parameters
    ----------
    solution : Solution
        A fit.
    excess : sequence of float
        Mean square residuals, one per capture.

    Returns
    -------
    list of Observation
        With noise that explains the residuals, by a Birge ratio for each.
    """
    return [
        o.with_raised_noise(ratio) if ratio > 1.0 else o
        for o, ratio in zip(solution.problem.observations, excess, strict=True)
    ]
