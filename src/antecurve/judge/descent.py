"""Steps of a least-squares fit: Gauss and Newton's, damped, within bounds, along bent valleys.

Steps are damped as by Levenberg and Marquardt (Nocedal and Wright, Numerical Optimization, 10.3)
and go from bound to bound.  One that has to be much shorter leaves a valley that bends; it is then
bent as the residuals are (geodesic acceleration: Transtrum, Machta and Sethna, Phys. Rev. E 83
(2011) 036701).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.observation import Evaluation
from antecurve.judge.problem import FitProblem
from antecurve.judge.unit_steps import from_steps, step_bounds, step_slopes, to_steps

__all__ = ["FIRST_DAMPING", "SHORT", "Point", "best_step", "bounds_of_steps", "line_search"]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

FIRST_DAMPING = 1e-4
"""Of the normal equations' diagonal; after that a step may be undamped."""
SHORT = 0.3
"""Share of a step below which it is bent, and damped where its start may be far off."""
_SHORTENINGS = 3  # then damping, which turns the step too, does better
_ENOUGH = 0.2  # of the slope's promise; a parabola with its least at the whole step gives 0.5
_LEAST_SHARE = 0.1  # of a step, as line searches have it (Dennis and Schnabel, 1983, A6.3.1)
_NEARBY = 0.02  # of a step: where the bend of the residuals is read
_ASIDE = 0.5  # of a step, by which a bend may leave it; Transtrum and Sethna have 0.4
_MOST_BOUNDS = 3  # times the unknowns, each of which meets a bound once or twice
_INWARDS = 1e-9  # standard deviations: less is rounding
_RIDGE = 1e-13  # of the diagonal: rounding of the normal equations themselves
_FARTHEST = 3.0
# Standard uncertainties: 1.7 tolerances.  A part of the network, or an error of the chain, that had
# to be farther off stands for a shape that the unit's model lacks, which is to be seen as such.


@dataclass(frozen=True, slots=True, eq=False)
class Point:
    """A point of a descent, with its normal equations.

    Attributes
    ----------
    problem : FitProblem
        What is solved.
    stepped : numpy.ndarray of float, shape (unknowns,)
        The unknowns in the coordinates of steps.
    evaluation : Evaluation
        Residuals and their derivatives by the unknowns.
    jacobian : numpy.ndarray of float, shape (rows, unknowns)
        Derivatives by the coordinates of steps.
    normal : numpy.ndarray of float, shape (unknowns, unknowns)
        Its square.
    gradient : numpy.ndarray of float, shape (unknowns,)
        Half of that of chi-square.
    """

    problem: FitProblem
    stepped: Floats
    evaluation: Evaluation
    jacobian: Floats
    normal: Floats
    gradient: Floats

    @classmethod
    def of(cls, problem: FitProblem, stepped: Floats, evaluation: Evaluation) -> Point:
        """Take the point of an evaluation.

        Parameters
        ----------
        problem : FitProblem
            The problem.
        stepped : numpy.ndarray of float, shape (unknowns,)
            In the coordinates of steps.
        evaluation : Evaluation
            There.

        Returns
        -------
        Point
            The point.
        """
        units = stepped[: problem.unit_count]
        jacobian = step_slopes(problem.model, units, evaluation.jacobian)
        gradient = jacobian.T @ evaluation.residual
        return cls(problem, stepped, evaluation, jacobian, jacobian.T @ jacobian, gradient)

    @classmethod
    def at(cls, problem: FitProblem, unknowns: Floats, moving: Mask | None = None) -> Point:
        """Evaluate a point.

        Parameters
        ----------
        problem : FitProblem
            The problem.
        unknowns : numpy.ndarray of float, shape (unknowns,)
            In the problem's own coordinates.
        moving : numpy.ndarray of bool, shape (unknowns,), optional
            Which of them are to be within their bounds.

        Returns
        -------
        Point
            The point.
        """
        units = problem.unit_count
        stepped = np.append(to_steps(problem.model, unknowns[:units]), unknowns[units:])
        if moving is not None:
            stepped = np.where(moving, np.clip(stepped, *bounds_of_steps(problem)), stepped)
        return cls.of(problem, stepped, _evaluated(problem, stepped))

    @property
    def unknowns(self) -> Floats:
        """The unknowns in the problem's own coordinates, shape (unknowns,)."""
        return _of_steps(self.problem, self.stepped)

    @property
    def least(self) -> float:
        """Chi-square."""
        return float(self.evaluation.residual @ self.evaluation.residual)

    @property
    def scale(self) -> Floats:
        """Length of each column of the derivatives, shape (unknowns,)."""
        return np.sqrt(np.maximum(np.diag(self.normal), np.finfo(float).tiny))


def _of_steps(problem: FitProblem, stepped: Floats) -> Floats:
    units = problem.unit_count
    return np.append(from_steps(problem.model, stepped[:units]), stepped[units:])


def _evaluated(problem: FitProblem, stepped: Floats) -> Evaluation:
    return problem.evaluate(_of_steps(problem, stepped))


def _residual(problem: FitProblem, stepped: Floats) -> Floats:
    return problem.residual(_of_steps(problem, stepped))


def bounds_of_steps(problem: FitProblem) -> tuple[Floats, Floats]:
    """Lay out the lowest and highest coordinates of steps.

    Parameters
    ----------
    problem : FitProblem
        The problem.

    Returns
    -------
    tuple of numpy.ndarray of float, shape (unknowns,)
        Infinite where there is none.
    """
    low = np.full(problem.size, -np.inf)
    high = np.full(problem.size, np.inf)
    units = problem.unit_count
    low[:units], high[:units] = step_bounds(problem.model)
    first = problem.unit_count + problem.priors
    low[units:first], high[units:first] = -_FARTHEST, _FARTHEST
    for observation in problem.observations:
        last = first + observation.nuisances
        low[first:last], high[first:last] = observation.nuisance_bounds
        first = last
    return low, high


@np.errstate(over="ignore", invalid="ignore")  # of a step too far, which is shortened
def line_search(
    point: Point, trial: Floats, bounds: tuple[Floats, Floats]
) -> tuple[Floats, Evaluation]:
    """Take a step, or the part of it where a parabola through its ends has its least.

    One that has to be much shorter is bent as the valley is, as far as that is a small correction.

    Parameters
    ----------
    point : Point
        Where it begins.
    trial : numpy.ndarray of float, shape (unknowns,)
        Where it ends, in the coordinates of steps.
    bounds : tuple of numpy.ndarray of float, shape (unknowns,)
        The lowest and highest coordinates.

    Returns
    -------
    tuple of numpy.ndarray of float and Evaluation
        The last point tried; chi-square may be greater there.
    """
    step, bend = trial - point.stepped, np.zeros(trial.size)
    slope, share, least = 2.0 * float(point.gradient @ step), 1.0, point.least
    for number in range(_SHORTENINGS):
        trial = np.clip(point.stepped + share * (step + share * bend), *bounds)
        # Most first steps stay, and the last one does: of them the derivatives are asked too.
        between = 0 < number < _SHORTENINGS - 1
        tried = None if between else _evaluated(point.problem, trial)
        residual = _residual(point.problem, trial) if tried is None else tried.residual
        size, promised = float(residual @ residual), share * slope
        if size - least < _ENOUGH * promised or not math.isfinite(size):
            break
        share *= min(max(-0.5 * promised / (size - least - promised), _LEAST_SHARE), 0.9)
        if number == 0 and share < SHORT:
            bend = _bend(point, step)
            aside = float(np.linalg.norm(bend * point.scale))
            length = float(np.linalg.norm(step * point.scale))
            share = 1.0 if aside <= _ASIDE * length else _ASIDE * length / aside
    return trial, tried or _evaluated(point.problem, trial)


def _bend(point: Point, step: Floats) -> Floats:
    """By how much a valley leaves a step aside at its end.

    The residuals' second derivative along the step, taken back by Gauss and Newton's equations.
    """
    near = _residual(point.problem, point.stepped + _NEARBY * step)
    second = (near - point.evaluation.residual) / _NEARBY - point.jacobian @ step
    used = step != 0.0
    scale = point.scale[used]
    matrix = point.normal[np.ix_(used, used)] / np.outer(scale, scale)
    matrix[np.diag_indices_from(matrix)] += FIRST_DAMPING
    bend = np.zeros(step.size)
    slopes = point.jacobian[:, used].T @ second / scale
    bend[used] = -np.linalg.solve(matrix, slopes) / scale / _NEARBY
    return bend


def best_step(
    point: Point, damping: float, moving: Mask, bounds: tuple[Floats, Floats]
) -> tuple[Floats, float]:
    """Find the damped step that is best within the bounds.

    From bound to bound, each of which is held once it is met and let go where the parabola then
    falls inwards (Nocedal and Wright, Numerical Optimization, 16.5): it falls all the way.

    Parameters
    ----------
    point : Point
        Where it begins.
    damping : float
        Of the normal equations' diagonal.
    moving : numpy.ndarray of bool, shape (unknowns,)
        Which unknowns move.
    bounds : tuple of numpy.ndarray of float, shape (unknowns,)
        The lowest and highest coordinates.

    Returns
    -------
    tuple of numpy.ndarray of float and float
        Where it ends, and by how much it should lower chi-square.
    """
    stepped, normal, gradient, scale = point.stepped, point.normal, point.gradient, point.scale
    low, high = bounds
    matrix = normal / np.outer(scale, scale)
    matrix[np.diag_indices_from(matrix)] += damping + _RIDGE
    trial = stepped
    used = moving & ~_outwards(stepped, gradient, bounds)
    for _ in range(_MOST_BOUNDS * stepped.size):
        slope = gradient / scale + matrix @ (scale * (trial - stepped))
        ahead = np.zeros(stepped.size)
        ahead[used] = np.linalg.solve(matrix[np.ix_(used, used)], -slope[used]) / scale[used]
        with np.errstate(divide="ignore", invalid="ignore"):
            room = np.where(ahead < 0, (low - trial) / ahead, (high - trial) / ahead)
        room = np.where(used & (ahead != 0.0), room, np.inf)
        first = int(np.argmin(room))
        if room[first] < 1.0:
            trial = np.where(used, np.clip(trial + room[first] * ahead, low, high), trial)
            trial[first] = low[first] if ahead[first] < 0 else high[first]
            used[first] = False
            continue
        trial = np.where(used, trial + ahead, trial)
        slope = gradient / scale + matrix @ (scale * (trial - stepped))
        inwards = moving & ~used & ~_outwards(trial, slope, bounds) & (np.abs(slope) > _INWARDS)
        if not inwards.any():
            break
        used[int(np.argmax(np.where(inwards, np.abs(slope), 0.0)))] = True
    step = trial - stepped
    return trial, float(-2.0 * gradient @ step - step @ normal @ step)


def _outwards(stepped: Floats, gradient: Floats, bounds: tuple[Floats, Floats]) -> Mask:
    """Which unknowns stand at a bound that a fall of chi-square would take them beyond."""
    low, high = bounds
    return ((stepped <= low) & (gradient > 0)) | ((stepped >= high) & (gradient < 0))
