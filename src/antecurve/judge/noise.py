"""The noise of captures: what a fit leaves over against what it had to pay with unknowns."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.observations import Block, SquareBlock, SweepBlock
from antecurve.judge.problem import with_blocks
from antecurve.judge.solve import Solution, solve_from

__all__ = [
    "block_excess",
    "has_shape",
    "raised_noise",
    "shapeless_variance",
    "sweep_freedom",
    "with_sweep_noise",
]

Floats = NDArray[np.float64]

_LEAST_SIGMA_DB = 2e-4
_NORMAL_MAD = 1.4826
_LEAST_FOR_SHAPE = 8
_STANDS_OUT = 6.0


def with_sweep_noise(solution: Solution) -> Solution:
    """Set each sweep's noise to what is left of it, and solve again.

    Parameters
    ----------
    solution : Solution
        A fit.

    Returns
    -------
    Solution
        The fit with the noise that the sweeps show.
    """
    if all(isinstance(b, SquareBlock) for b in solution.problem.blocks):
        return solution
    for _ in range(2):
        blocks, first = [], 0
        shared = _effective_unknowns(solution)
        for place, block in enumerate(solution.problem.blocks):
            rows = block.rows
            part = solution.evaluation.residual[first : first + rows]
            first += rows
            if isinstance(block, SweepBlock):
                block = _sweep_with_noise(block, part, shared[place])
            blocks.append(block)
        solution = solve_from(with_blocks(solution.problem, blocks), solution.unknowns)
    return solution


def _sweep_with_noise(block: SweepBlock, residual: Floats, used: float) -> SweepBlock:
    count = block.frequency_hz.size
    free = max(1.0, residual.size - used) / residual.size
    level = math.sqrt(_scatter(residual[:count]) / free) * block.sigma_db
    phase = block.sigma_rad
    if block.capture.phase_deg is not None:
        phase *= math.sqrt(_scatter(residual[count:]) / free)
    return replace(
        block,
        sigma_db=max(level, _LEAST_SIGMA_DB, _resolution_db(block)),
        sigma_rad=max(phase, _LEAST_SIGMA_DB / 8.7),
    )


def _scatter(residual: Floats) -> float:
    """Variance of a sweep's residuals; without their shape where they surely have one."""
    whole = float(np.mean(residual**2))
    return shapeless_variance(residual) if has_shape(residual) else whole


def shapeless_variance(residual: Floats) -> float:
    """Return the variance of what neighbours do not share, or of the bulk, if that is less.

    Parameters
    ----------
    residual : numpy.ndarray of float, shape (frequencies,)
        What a fit leaves of a sweep.

    Returns
    -------
    float
        Half the mean square difference of neighbours (von Neumann), or the square of 1.4826
        times the median magnitude.
    """
    steps = float(np.mean(np.diff(residual) ** 2)) / 2.0
    return min(steps, (_NORMAL_MAD * float(np.median(np.abs(residual)))) ** 2)


def has_shape(residual: Floats) -> bool:
    """Return whether what a fit leaves of a sweep is more than noise.

    Parameters
    ----------
    residual : numpy.ndarray of float, shape (frequencies,)
        What a fit leaves of a sweep.

    Returns
    -------
    bool
        Whether neighbours are alike (von Neumann's ratio, three standard deviations below 2,
        Annals of Mathematical Statistics 12 (1941) 367) or a few points stand out by far.
    """
    count = residual.size
    whole = float(np.mean(residual**2))
    if count < _LEAST_FOR_SHAPE or whole == 0:
        return False
    ratio = float(np.mean(np.diff(residual) ** 2)) / whole
    spread = math.sqrt(4.0 * (count - 2) / (count**2 - 1.0))
    bulk = (_NORMAL_MAD * float(np.median(np.abs(residual)))) ** 2
    return 2.0 - ratio > 3.0 * spread or whole > _STANDS_OUT * bulk


def _resolution_db(block: SweepBlock) -> float:
    """Standard uncertainty that the printed digits of a sweep leave [dB]."""
    levels = block.capture.level_db
    for digits in range(7):
        if np.allclose(levels, np.round(levels, digits), rtol=0, atol=1e-9):
            return float(10.0**-digits / math.sqrt(12.0))
    return 0.0


def _effective_unknowns(solution: Solution) -> list[float]:
    """How many unknowns each capture has to pay for: trace of its part of the hat matrix."""
    jacobian = solution.evaluation.jacobian
    scale = np.linalg.norm(jacobian, axis=0)
    orthonormal = np.linalg.svd(jacobian / np.where(scale > 0, scale, 1.0), full_matrices=False)
    leverage = np.sum(orthonormal.U[:, orthonormal.S > 1e-8] ** 2, axis=1)
    found, first = [], 0
    for block in solution.problem.blocks:
        rows = block.rows
        found.append(float(leverage[first : first + rows].sum()))
        first += rows
    return found


def block_excess(solution: Solution) -> tuple[float, ...]:
    """Return each capture's mean square residual per degree of freedom.

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
    found, first = [], 0
    for place, block in enumerate(solution.problem.blocks):
        rows = block.rows
        part = solution.evaluation.residual[first : first + rows]
        found.append(float(part @ part) / max(1.0, rows - used[place]))
        first += rows
    return tuple(found)


def sweep_freedom(solution: Solution) -> tuple[float, ...]:
    """Return the degrees of freedom from which each capture's noise is known.

    Parameters
    ----------
    solution : Solution
        The fit.

    Returns
    -------
    tuple of float
        Rows less unknowns for a sweep; infinite for a square wave, whose noise is known from
        thousands of samples.
    """
    used = _effective_unknowns(solution)
    return tuple(
        max(1.0, b.rows - used[k]) if isinstance(b, SweepBlock) else math.inf
        for k, b in enumerate(solution.problem.blocks)
    )


def raised_noise(solution: Solution, excess: Sequence[float]) -> list[Block]:
    """Return blocks whose noise is raised where residuals exceed it.

    Parameters
    ----------
    solution : Solution
        A fit.
    excess : sequence of float
        Mean square residuals, one per capture.

    Returns
    -------
    list of SquareBlock or SweepBlock
        Square waves with their noise raised to what is left of them, a Birge ratio for each.
    """
    blocks: list[Block] = []
    for block, ratio in zip(solution.problem.blocks, excess, strict=True):
        if isinstance(block, SquareBlock) and ratio > 1.0:
            block = replace(block, sigma=block.sigma * math.sqrt(ratio))
        blocks.append(block)
    return blocks
