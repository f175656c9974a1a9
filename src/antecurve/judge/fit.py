"""The fit of one or more captures, from records to a solution.

A square-wave record holds more harmonics than the reduction: those passed over and those beyond
its reach, folded back by the sampling.  They are taken off as the fit predicts them and the
reduction is repeated, until nothing moves.  Whether harmonics beyond half the sampling rate are
in the record at all (an oscilloscope) or filtered out (a sound card) is told by the record.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.noise import (
    excess_by_observation,
    raised_noise,
    residual_parts,
    with_estimated_noise,
)
from antecurve.judge.observation import Observation, Prediction
from antecurve.judge.problem import Bench, FitProblem, with_observations
from antecurve.judge.solve import Solution, chi_square, solve_from, solve_from_nothing
from antecurve.judge.unit_model import UnitModel

__all__ = ["Family", "Fit", "fit_observations"]

Floats = NDArray[np.float64]

_FOLDED = (True, False)  # an oscilloscope, and a converter with a filter before it
_FIRST_PASSES = 2  # enough to tell folded harmonics from filtered ones
_MORE_PASSES = 6  # records settle in two or three
_SETTLED = 0.01  # of chi-square: a tenth of a standard deviation
_LEAST_START = {"low": 0.3, "high": 0.1, "shelf": 0.1, "lead": 0.1}
_OFF = 0.7  # ln: a factor of two off the bound
_LOW_CORNER_STARTS_HZ = (4.0, 15.0, 45.0)  # usual, worn and far too small coupling capacitors
_IMPOSSIBLE = 6.63  # chi-square, one degree of freedom, 99 %


@dataclass(frozen=True, slots=True, eq=False)
class Family:
    """One family of units, fitted.

    Attributes
    ----------
    solution : Solution
        Its best fit.
    rise : float
        Rise of chi-square over the best family, in units of the noise seen.
    """

    solution: Solution
    rise: float

    @property
    def model(self) -> UnitModel:
        """The family."""
        return self.solution.problem.model

    @property
    def acceptable(self) -> bool:
        """Whether the captures allow it."""
        return self.rise <= _IMPOSSIBLE


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """The fit of a unit.

    Attributes
    ----------
    families : tuple of Family
        The families of units tried; the first is the one reported.
    excess : tuple of float
        Per capture: mean square of the whitened residuals before they were set to 1.
    """

    families: tuple[Family, ...]
    excess: tuple[float, ...]

    @property
    def solution(self) -> Solution:
        """The fit reported."""
        return self.families[0].solution

    @property
    def observations(self) -> tuple[Observation, ...]:
        """The captures as fitted."""
        return self.solution.problem.observations

    def prediction(self, index: int) -> Prediction:
        """Return what the fit reported predicts of a capture.

        Parameters
        ----------
        index : int
            Which capture.

        Returns
        -------
        Prediction
            At any frequencies.
        """
        return self.solution.problem.prediction(self.solution.unknowns, index)


def fit_observations(
    observations: Sequence[Observation],
    *,
    model: UnitModel,
    families: Sequence[UnitModel],
    bench: Bench,
) -> Fit:
    """Fit a unit to its captures.

    Parameters
    ----------
    observations : sequence of Observation
        Captures of the same unit, reduced; at least one.
    model : UnitModel
        The family to report where the captures allow it.
    families : sequence of UnitModel
        Other families that may explain the captures as well.
    bench : Bench
        What is given beside the unit.

    Returns
    -------
    Fit
        The families, best first, and how well they describe the captures.
    """
    first = solve_from_nothing(FitProblem(tuple(observations), model, bench))
    solution = _settled(first)
    trials = [solution, *(_refitted(solution, other) for other in families)]
    best = min(trials, key=chi_square)
    excess = excess_by_observation(best)
    final = raised_noise(best, excess)
    again = [solve_from(with_observations(t.problem, final), _off_bounds(t)) for t in trials]
    return Fit(_ranked(again), excess)


def _settled(solution: Solution) -> Solution:
    """Repeat reduction and fit until the harmonics passed over are taken off."""
    if not _corrected(solution, folded=True):
        return with_estimated_noise(solution)
    options = [(_passes(solution, folded, _FIRST_PASSES), folded) for folded in _FOLDED]
    best, folded = min(options, key=lambda option: _residual_power(option[0]))
    return _passes(best, folded, _MORE_PASSES)


def _corrected(solution: Solution, *, folded: bool) -> list[Observation]:
    """The observations less what their reduction passes over; none where nothing is."""
    problem = solution.problem
    corrected = [
        o.corrected(problem.prediction(solution.unknowns, k), folded=folded)
        for k, o in enumerate(problem.observations)
    ]
    if all(c is None for c in corrected):
        return []
    return [c or o for c, o in zip(corrected, problem.observations, strict=True)]


def _passes(solution: Solution, folded: bool, most: int) -> Solution:
    """Correct and fit again, until the fit moves by little of its uncertainty."""
    for _ in range(most):
        problem = with_observations(solution.problem, _corrected(solution, folded=folded))
        before = solution.unknowns
        solution = with_estimated_noise(solve_from(problem, _off_bounds(solution)))
        moved = solution.evaluation.jacobian @ (solution.unknowns - before)
        if float(moved @ moved) < _SETTLED:
            break
    return solution


def _off_bounds(solution: Solution) -> Floats:
    """The unknowns with no corner so near 0 that the next solution can't lift it."""
    unknowns = solution.unknowns.copy()
    model = solution.problem.model
    for index, parameter in enumerate(model.parameters):
        if parameter.role in _LEAST_START:
            least = _LEAST_START[parameter.role] ** parameter.power
            unknowns[index] = max(unknowns[index], least)
        elif parameter.logarithmic:
            unknowns[index] = np.clip(
                unknowns[index], parameter.lowest + _OFF, parameter.highest - _OFF
            )
    return unknowns


def _residual_power(solution: Solution) -> float:
    """Sum of squares about the corrected reductions [V^2]."""
    parts = zip(solution.problem.observations, residual_parts(solution), strict=True)
    return sum(o.residual_power(part) for o, part in parts)


def _refitted(solution: Solution, model: UnitModel) -> Solution:
    """The same captures by another family, from several low corners."""
    problem = FitProblem(solution.problem.observations, model, solution.problem.bench)
    old = solution.problem.model
    units = model.start
    for index, parameter in enumerate(model.parameters):
        known = old.index(parameter.name)
        if known is not None:
            value = old.parameters[known].value(float(solution.units[known]))
            units[index] = parameter.coordinate(value) if value < math.inf else 0.0
    tail = solution.unknowns[solution.problem.unit_count :]
    low = model.index("low_corner_hz")
    assert low is not None
    corner = model.parameters[low]
    spread = [corner.coordinate(f) for f in _LOW_CORNER_STARTS_HZ]
    starts: tuple[float, ...] = (float(units[low]), *spread)
    if model.low_end is old.low_end:
        starts = starts[:1]
    trials = []
    for start in starts:
        units[low] = start
        trials.append(solve_from(problem, np.concatenate([units, tail])))
    return min(trials, key=chi_square)


def _ranked(solutions: Sequence[Solution]) -> tuple[Family, ...]:
    """Families by preference: the first asked for while the captures allow it, else the best."""
    least = min(chi_square(s) for s in solutions)
    families = [Family(s, chi_square(s) - least) for s in solutions]
    asked, others = families[0], sorted(families[1:], key=lambda f: f.rise)
    if asked.acceptable:
        return (asked, *others)
    return tuple(sorted(families, key=lambda f: f.rise))
