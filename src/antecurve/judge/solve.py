"""Solving the least-squares problem: starts for gross faults, passes, families of models.

scipy.optimize.least_squares (trust region reflective, Branch, Coleman and Li, SIAM J. Sci.
Comput. 21 (1999) 1-23) does the work.  Starts cover constants off by a factor of 4 either way
and capacitors that are not there; gain and delay of each start are found directly.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.observation import Evaluation
from antecurve.judge.problem import FitProblem
from antecurve.judge.unit_model import UnitModel

__all__ = ["Solution", "chi_square", "solve_from", "solve_from_nothing"]

Floats = NDArray[np.float64]

_FACTORS = {"pole": (1 / 40, 1 / 4, 1.0, 4.0), "zero": (1 / 4, 1.0, 4.0)}
_LOW_STARTS_HZ = (2.0, 40.0)  # usual, and a coupling capacitor far too small
_SHELF_STARTS_HZ = (0.5, 20.0)  # a shelf all but missing, and one off by far
_REFINED_STARTS = 6  # of the grid; chosen, not measured: more starts cost time in every fit
_GOOD_ENOUGH = 1.5  # mean square that a nominal start may have
_MARGIN = 1e-9  # off a bound, where the trust region needs room


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
    """

    problem: FitProblem
    unknowns: Floats
    evaluation: Evaluation

    @property
    def units(self) -> Floats:
        """The unit's constants in the fit's coordinates, shape (constants,)."""
        return self.unknowns[: self.problem.unit_count]


def chi_square(solution: Solution) -> float:
    """Return the sum of squares of all whitened residuals, priors included.

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


def solve_from(
    problem: FitProblem, start: Floats, *, rounds: int = 60, fixed: int | None = None
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
    fixed : int, optional
        An unknown that stays where it starts.

    Returns
    -------
    Solution
        The nearest best fit.
    """
    from scipy.optimize import least_squares

    low, high = _bounds(problem)
    inside = np.clip(start, low + _MARGIN, high - _MARGIN)
    free = np.arange(problem.size) != (-1 if fixed is None else fixed)
    if fixed is not None:
        inside[fixed] = start[fixed]
    last: dict[bytes, Evaluation] = {}

    def at(moved: Floats) -> Evaluation:
        key = moved.tobytes()
        if key not in last:
            last.clear()
            unknowns = inside.copy()
            unknowns[free] = moved
            last[key] = problem.evaluate(unknowns)
        return last[key]

    fit = least_squares(
        lambda x: at(x).residual,
        inside[free],
        jac=lambda x: at(x).jacobian[:, free],
        bounds=(low[free], high[free]),
        x_scale="jac",
        ftol=1e-10,
        xtol=1e-10,
        gtol=1e-10,
        max_nfev=rounds,
    )
    best = inside.copy()
    best[free] = fit.x
    return Solution(problem, best, at(fit.x))


def _bounds(problem: FitProblem) -> tuple[Floats, Floats]:
    low = np.full(problem.size, -np.inf)
    high = np.full(problem.size, np.inf)
    low[: problem.unit_count], high[: problem.unit_count] = problem.model.bounds
    first = problem.unit_count + problem.priors
    for observation in problem.observations:
        last = first + observation.nuisances
        low[first:last], high[first:last] = observation.nuisance_bounds
        first = last
    return low, high


def solve_from_nothing(problem: FitProblem) -> Solution:
    """Solve without a start: nominal first, then gross faults if nominal will not do.

    Parameters
    ----------
    problem : FitProblem
        The problem.

    Returns
    -------
    Solution
        The best fit found.
    """
    nominal = solve_from(problem, _with_nuisances(problem, problem.model.start))
    noise_known = any(o.noise_known for o in problem.observations)
    if noise_known and chi_square(nominal) < _GOOD_ENOUGH * nominal.evaluation.data_rows:
        return nominal
    best = nominal
    for units in _promising(problem):
        trial = solve_from(problem, _with_nuisances(problem, units), rounds=40)
        if chi_square(trial) < chi_square(best):
            best = trial
    return solve_from(problem, best.unknowns)


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
        elif parameter.role == "low":
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
    first = problem.unit_count + problem.priors
    for index, observation in enumerate(problem.observations):
        response = problem.log_response(unknowns, observation.frequency_hz, index)
        last = first + observation.nuisances
        unknowns[first:last] = observation.start(response)[0]
        first = last
    return unknowns
