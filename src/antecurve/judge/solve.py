"""Solving the least-squares problem: starts for gross faults, and one solution from each.

Steps are those of `descent.py`.  Priors keep the normal equations regular.  Starts cover constants
off by a factor of 4 either way and capacitors that are not there; gain and delay of each start are
found directly.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.descent import (
    FIRST_DAMPING,
    SHORT,
    Point,
    best_step,
    bounds_of_steps,
    line_search,
)
from antecurve.judge.observation import Evaluation
from antecurve.judge.problem import FitProblem
from antecurve.judge.unit_model import UnitModel
from antecurve.judge.unit_parameters import HighEnd, Shape

__all__ = [
    "Solution",
    "chi_square",
    "good_enough",
    "is_good",
    "solve_from",
    "solve_from_faults",
    "solve_from_nominal",
    "still_to_gain",
    "with_own_start",
]

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

_FACTORS = {"pole": (1 / 40, 1 / 4, 1.0, 4.0), "zero": (1 / 4, 1.0, 4.0)}
_LOW_STARTS_HZ = (2.0, 40.0)  # usual, and a coupling capacitor far too small
_SHELF_STARTS_HZ = (0.5, 20.0)  # a shelf all but missing, and one off by far
_REFINED_STARTS = 6  # of the grid; chosen, not measured: more starts cost time in every fit
_GOOD_ENOUGH = 1.5  # mean square that a nominal start may have
_SETTLED = 1e-10  # of chi-square: a step of a hundred-thousandth of a standard deviation
_ROUNDING = 1e-13  # of chi-square itself: what double precision leaves of a sum of 1,000 squares
_LITTLE = 1e-5  # of chi-square: a step of a three-hundredth of a standard deviation
_CONVERGING = 0.1  # of the step before; Gauss and Newton's steps near a minimum fall faster
_MOST_CRAWLING = 3  # steps; where two constants cancel, a valley has no bottom that matters
_NEAR = 1e-3  # of chi-square: a step of a thirtieth of a standard deviation
_NOTHING = 1e-4  # of chi-square, gained by as many steps: a hundredth of a standard deviation
_PACE = 4  # steps, of which a zigzag makes two a turn
_HARDLY = 0.02  # of chi-square, a step: a wider shape falls to a thousandth of it
_MOST_DAMPING = 1e8  # beyond, no step is short enough: the point is the best there is
_NOTABLE = 4.0
# Of chi-square, by which a resonant top must describe more: two standard deviations.  Less is
# noise, which a pole and a zero that cancel each other explain as well.
_AHEAD = 3.0  # times the next step's promise: what a fit may still gain, by judgement


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """Where a fit came to rest.

    Attributes
    ----------
    problem : FitProblem
        What was solved.
    unknowns : numpy.ndarray of float, shape (unknowns,)
        The best fit.
    evaluation : Evaluation
        Residuals and derivatives there.
    free : numpy.ndarray of bool, shape (unknowns,)
        Which unknowns could move.
    """

    problem: FitProblem
    unknowns: Floats
    evaluation: Evaluation
    free: Mask

    @property
    def units(self) -> Floats:
        """The unit's constants in the fit's coordinates, shape (constants,)."""
        return self.unknowns[: self.problem.unit_count]


def chi_square(solution: Solution) -> float:
    """Sum the squares of all whitened residuals, priors included.

    Parameters
    ----------
    solution : Solution
        The fit.

    Returns
    -------
    float
        Chi-square.
    """
    return float(solution.evaluation.residual @ solution.evaluation.residual)


def still_to_gain(solution: Solution) -> float:
    """Predict how far one more step would lower chi-square, by the slopes at a solution.

    Parameters
    ----------
    solution : Solution
        The fit.

    Returns
    -------
    float
        0 where it is settled.
    """
    problem = solution.problem
    point = Point.at(problem, solution.unknowns)
    return float(best_step(point, 0.0, solution.free, bounds_of_steps(problem))[1])


def solve_from(
    problem: FitProblem,
    start: Floats,
    *,
    rounds: int = 60,
    free: Mask | None = None,
    enough: float = math.inf,
    far: bool = False,
    rough: bool = False,
) -> Solution:
    """Solve from one start.

    Parameters
    ----------
    problem : FitProblem
        The problem.
    start : numpy.ndarray of float, shape (size,)
        Where to start.
    rounds : int, optional
        Most evaluations.
    free : numpy.ndarray of bool, shape (constants,), optional
        Which of the unit's constants move; the others stay where they start.
    enough : float, optional
        Chi-square to reach; a solution that is not on its way there is given up, as is one that
        would not get there at the pace of its last steps.
    far : bool, optional
        Whether the start may be far off: steps that had to be shortened are damped from then on,
        which turns them, where they would zigzag through a valley, and what the slopes promise
        gives none up.
    rough : bool, optional
        Whether it is to be the start of a wider shape only, and ends where it hardly falls.

    Returns
    -------
    Solution
        The nearest best fit.
    """
    moving = np.ones(problem.size, dtype=bool)
    if free is not None:
        moving[: problem.unit_count] = free
    limits = bounds_of_steps(problem)
    point = Point.at(problem, start, moving)
    damping, crawling, before = FIRST_DAMPING, 0, math.inf
    reached = [math.inf] * max(_MOST_CRAWLING, _PACE)
    for ahead in range(rounds, 0, -1):
        whole, expected = best_step(point, damping, moving, limits)
        least = point.least
        promised = math.inf if far else _AHEAD * expected
        if expected < _SETTLED + _ROUNDING * least or least - promised > enough:
            break
        pace = (reached[-_PACE] - least) / _PACE
        if least - ahead * pace > enough or (rough and pace < _HARDLY * least):
            break
        crawling = crawling + 1 if _CONVERGING * before < expected < _LITTLE else 0
        stuck = expected < _NEAR and reached[-_MOST_CRAWLING] - least < _NOTHING
        if stuck or crawling > _MOST_CRAWLING:
            break
        before = expected
        reached.append(least)
        trial, tried = line_search(point, whole, limits)
        with np.errstate(over="ignore"):  # a step far off; its square is infinite
            falls = float(tried.residual @ tried.residual) < least
        if not falls or (far and _shortened(point.stepped, trial, whole)):
            damping = 10.0 * max(damping, FIRST_DAMPING)
            if damping > _MOST_DAMPING:
                break
        else:
            damping = 0.0 if damping <= FIRST_DAMPING else damping / 10.0
        if falls:
            point = Point.of(problem, trial, tried)
    return Solution(problem, point.unknowns, point.evaluation, moving)


def _shortened(unknowns: Floats, trial: Floats, whole: Floats) -> bool:
    """Whether a small share of a step was taken: the parabola does not reach as far."""
    taken, whole = trial - unknowns, whole - unknowns
    return float(taken @ taken) < SHORT**2 * float(whole @ whole)


def solve_from_nominal(problem: FitProblem, *, widest: Shape) -> Solution:
    """Solve from the nominal unit, and from one with a resonant top.

    Each way leads over the plainest shape: where a time constant is far off, a straight way to the
    widest shape ends with a playback zero amid the band that stands in for it.
    A least with a playback zero and one of a resonance may both be there, and from the first no
    descent reaches the second.

    Parameters
    ----------
    problem : FitProblem
        The problem.
    widest : Shape
        The shape to end at.

    Returns
    -------
    Solution
        The better of both.
    """
    plain = problem.model.free(Shape())
    start = _start(problem, problem.model.start)
    near = solve_from(problem, start, rounds=40, free=plain, rough=True)
    return _by_both_tops(problem, near.unknowns, widest, enough=good_enough(problem))


def solve_from_faults(problem: FitProblem, best: Solution, *, widest: Shape) -> Solution:
    """Solve from the most promising units of a grid with gross faults, until one is good.

    The way leads over the plainest shape to the widest one.

    Parameters
    ----------
    problem : FitProblem
        The problem.
    best : Solution
        The solution from the nominal unit.
    widest : Shape
        The shape to end at.

    Returns
    -------
    Solution
        The best of all, the one given included.
    """
    plain, seen = problem.model.free(Shape()), list[Solution]()
    enough = good_enough(problem)
    for units in _promising(problem):
        start = _start(problem, units)
        near = solve_from(problem, start, rounds=40, free=plain, far=True, rough=True)
        if any(_alike(near, other) for other in seen):
            continue
        seen.append(near)
        wide = _by_both_tops(problem, near.unknowns, widest, far=True, enough=enough)
        best = min(best, wide, key=chi_square)
        if is_good(best):
            return best
    # None came near; the best of those given up on their way is followed to its end.
    return solve_from(problem, best.unknowns, free=problem.model.free(widest), far=True)


def good_enough(problem: FitProblem) -> float:
    """Choose the chi-square that noise, where it is known, explains.

    Parameters
    ----------
    problem : FitProblem
        The problem.

    Returns
    -------
    float
        Chi-square; infinite where the noise of a capture is told by its residuals.
    """
    if not all(o.noise_known for o in problem.observations):
        return math.inf
    return _GOOD_ENOUGH * sum(o.rows for o in problem.observations)


def is_good(solution: Solution) -> bool:
    """Tell whether noise, known beforehand, explains most of what a solution leaves.

    Parameters
    ----------
    solution : Solution
        The solution.

    Returns
    -------
    bool
        False where no capture's noise is known.
    """
    known = any(o.noise_known for o in solution.problem.observations)
    return known and chi_square(solution) < _GOOD_ENOUGH * solution.evaluation.data_rows


def _start(problem: FitProblem, units: Floats) -> Floats:
    """All unknowns of the plainest shape of a unit."""
    return _with_nuisances(problem, np.where(problem.model.free(Shape()), units, 0.0))


def _alike(one: Solution, other: Solution) -> bool:
    """Whether two solutions of one problem are the same least."""
    apart = other.evaluation.jacobian @ (one.unknowns - other.unknowns)
    return float(apart @ apart) < _NOTABLE


def _by_both_tops(
    problem: FitProblem,
    start: Floats,
    widest: Shape,
    *,
    far: bool = False,
    enough: float = math.inf,
) -> Solution:
    """The widest shape from a start, straight and by a resonant top."""
    free, count = problem.model.free, problem.unit_count
    straight = solve_from(problem, start, free=free(widest), far=far, enough=enough)
    if not np.all(free(widest) >= free(Shape(high_end=HighEnd.PAIR))):
        return straight
    resonant = start.copy()
    resonant[:count] = problem.model.with_resonant_top(start[:count])
    bent = solve_from(problem, resonant, free=free(widest), far=far, enough=enough)
    return bent if chi_square(bent) < chi_square(straight) - _NOTABLE else straight


def _promising(problem: FitProblem) -> list[Floats]:
    """The best few of a grid of faulty units."""
    grid = _fault_grid(problem.model)
    cost = np.zeros(len(grid))
    nominal = np.zeros(problem.bench.sources)
    for index, observation in enumerate(problem.observations):
        base = problem.beside_unit(nominal, observation.frequency_hz, index)
        responses = problem.model.log_response(grid, observation.frequency_hz) + base
        cost += np.array([observation.start(r)[1] for r in responses])
    return [grid[k] for k in np.argsort(cost)[:_REFINED_STARTS]]


def _fault_grid(model: UnitModel) -> Floats:
    choices: list[list[float]] = []
    for parameter in model.parameters:
        if parameter.logarithmic:
            factors = _FACTORS[parameter.role]
            choices.append([parameter.start + math.log(f) for f in factors])
        elif parameter.role == "low_1":
            choices.append([parameter.coordinate(f) for f in _LOW_STARTS_HZ])
        elif parameter.role == "shelf":
            choices.append(list(_SHELF_STARTS_HZ))
        else:
            choices.append([parameter.start])
    return np.array(list(itertools.product(*choices)))


def _with_nuisances(problem: FitProblem, units: Floats) -> Floats:
    """All unknowns for a unit: sources at 0, gain and delay of each capture found directly."""
    unknowns = np.zeros(problem.size)
    unknowns[: problem.unit_count] = units
    return with_own_start(problem, unknowns)


def with_own_start(problem: FitProblem, unknowns: Floats, *, rounds: int = 0) -> Floats:
    """Find gain and delay of each capture directly, as a start for a fit.

    Parameters
    ----------
    problem : FitProblem
        The problem.
    unknowns : numpy.ndarray of float, shape (size,)
        All unknowns; those of single captures are not read.
    rounds : int, optional
        Gauss and Newton's steps of each capture's own unknowns, all others held.

    Returns
    -------
    numpy.ndarray of float, shape (size,)
        Unit and sources of error as given, with each capture's own.
    """
    started = unknowns.copy()
    first = problem.unit_count + problem.priors
    for index, observation in enumerate(problem.observations):
        response = problem.log_response(started, observation.frequency_hz, index)
        own = observation.start(response)[0]
        total = problem.log_response(started, observation.evaluated_hz, index)
        shared = np.zeros((total.size, 0), dtype=complex)
        for _ in range(rounds):
            point = observation.evaluate(own, total, shared, problem.rise_time(started))
            columns = point.jacobian[:, -own.size :]
            own = own - np.linalg.lstsq(columns, point.residual, rcond=None)[0]
        last = first + observation.nuisances
        started[first:last] = own
        first = last
    return started
