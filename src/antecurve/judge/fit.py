"""The fit of one or more captures, from records to a solution.

A square-wave record holds more harmonics than the reduction: those passed over and those beyond
its reach, folded back by the sampling.  They are taken off as the fit predicts them and the
reduction is repeated, until nothing moves.  Whether harmonics beyond half the sampling rate are
in the record at all (an oscilloscope) or filtered out (a sound card) is told by the record.

The widest shape is fitted first; it settles record and noise.  Each other shape starts from it
with the coefficients it lacks at 0.  Shapes are compared by their evidence.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.noise import (
    excess_by_observation,
    raised_noise,
    residual_parts,
    with_estimated_noise,
)
from antecurve.judge.observation import Observation, Prediction
from antecurve.judge.pole_names import with_named_poles
from antecurve.judge.problem import Bench, FitProblem, with_observations
from antecurve.judge.solve import (
    Solution,
    chi_square,
    good_enough,
    is_good,
    solve_from,
    solve_from_faults,
    solve_from_nominal,
)
from antecurve.judge.uncertainty import log_evidence
from antecurve.judge.unit_model import UnitModel
from antecurve.judge.unit_parameters import HighEnd, LowEnd, Shape

__all__ = [
    "EVERY_SHAPE",
    "Family",
    "Fit",
    "fit_observations",
    "residual_power",
    "with_compared_shapes",
]

Mask = NDArray[np.bool_]
_Pass: TypeAlias = tuple[Solution, float, float]

EVERY_SHAPE = tuple(Shape(low, high) for low in LowEnd for high in HighEnd)
"""All shapes, the plainest first, the widest last."""
_FOLDED = (True, False)  # an oscilloscope, and a converter with a filter before it
_MORE_PASSES = 6  # records settle in two or three
_FAR_OFF = 100.0  # mean square: 20 dB over the noise, what no unit of the model leaves
_SETTLED = (
    0.1  # of chi-square: a third of a standard deviation, and the next pass moves a third of it
)
_CLEARLY = 2.0  # of the power: a wrong guess leaves the folded harmonics, several times the noise
_MOST_RISES = 2  # of what is left, in turn: of edges within one sample nothing settles their time
_HOPELESS = 60.0
# Rise of chi-square with which a shape is given up: odds of 1e13, which no prior of a few unseen
# constants makes up for.
_EVIDENCE_RATIO = 20.0
# Odds of 20 to 1 are "strong" evidence (Kass and Raftery, J. Am. Statist. Assoc. 90 (1995) 773).


@dataclass(frozen=True, slots=True, eq=False)
class Family:
    """The units of one shape, fitted.

    Attributes
    ----------
    solution : Solution
        Its best fit.
    shape : Shape
        The shape.
    odds : float
        Its evidence over that of the best shape, 1 or less.
    """

    solution: Solution
    shape: Shape
    odds: float = 1.0

    @property
    def model(self) -> UnitModel:
        """The model of the unit."""
        return self.solution.problem.model

    @property
    def acceptable(self) -> bool:
        """Whether the captures allow it: not 20 times less evident than the best."""
        return self.odds >= 1.0 / _EVIDENCE_RATIO


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """The fit of a unit.

    Attributes
    ----------
    families : tuple of Family
        The shapes tried, the most evident first; that one is reported.
    excess : tuple of float
        Per capture: mean square of the whitened residuals before they were set to 1.
    folded : bool
        Whether the records hold harmonics beyond half their sampling rates.
    """

    families: tuple[Family, ...]
    excess: tuple[float, ...]
    folded: bool = True

    @property
    def solution(self) -> Solution:
        """The fit reported."""
        return self.families[0].solution

    @property
    def observations(self) -> tuple[Observation, ...]:
        """The captures as fitted."""
        return self.solution.problem.observations

    def prediction(self, index: int) -> Prediction:
        """Predict a capture by the fit reported.

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
    bench: Bench,
    widest: Shape = EVERY_SHAPE[-1],
    near: Fit | None = None,
) -> Fit:
    """Fit the widest shape of a unit to its captures.

    Parameters
    ----------
    observations : sequence of Observation
        Captures of the same unit, reduced; at least one.
    model : UnitModel
        The unit's constants.
    bench : Bench
        What is given beside the unit.
    widest : Shape, optional
        The shape.
    near : Fit, optional
        A fit of the same captures to start from.

    Returns
    -------
    Fit
        The widest shape, and how well it describes the captures.
    """
    problem = FitProblem(tuple(observations), model, bench)
    if near is None:
        start = solve_from_nominal(problem, widest=widest)
        passes = {} if is_good(start) else _good_pass(start)
        if not is_good(start) and not passes:
            start = solve_from_faults(problem, start, widest=widest)
        solution, folded = _settled(start, _foldings(problem), passes)
    else:
        # Unsolved: the first fit is that of records less what the near one predicts of them.
        start = solve_from(problem, near.solution.unknowns, free=model.free(widest), rounds=0)
        solution, folded = _settled(start, (near.folded,), {})
    return Fit((Family(solution, widest),), excess_by_observation(solution), folded)


def with_compared_shapes(fit: Fit) -> Fit:
    """Fit the other shapes too, and compare all by their evidence.

    Parameters
    ----------
    fit : Fit
        A fit of the widest shape.

    Returns
    -------
    Fit
        The shapes, best first, the noise of the captures raised to what the widest leaves.
    """
    widest = fit.solution
    problem = with_observations(widest.problem, raised_noise(widest, fit.excess))
    free = widest.free[: problem.unit_count]
    widest = with_named_poles(solve_from(problem, widest.unknowns, free=free), folded=fit.folded)
    enough = chi_square(widest) + _HOPELESS
    solutions, hopeless = {EVERY_SHAPE[-1]: widest}, list[Mask]()
    for shape in reversed(EVERY_SHAPE[:-1]):
        free = problem.model.free(shape)
        if any(np.all(free <= wider) for wider in hopeless):
            continue  # a shape within another can't describe more
        solution = _narrowed(widest.problem, list(solutions.values()), free, enough)
        solution = with_named_poles(solution, enough=enough, folded=fit.folded)
        if chi_square(solution) < enough:
            solutions[shape] = solution
        else:
            hopeless.append(free)
    evidence = np.array([log_evidence(s) for s in solutions.values()])
    odds = np.exp(evidence - evidence.max()).tolist()
    families = [Family(s, shape, o) for (shape, s), o in zip(solutions.items(), odds, strict=True)]
    return replace(fit, families=tuple(sorted(families, key=lambda family: -family.odds)))


def _narrowed(
    problem: FitProblem, solutions: Sequence[Solution], free: Mask, enough: float
) -> Solution:
    """The same captures by another shape, from the nearest units of the least shapes around it."""
    around = [s for s in solutions if np.all(free <= s.free[: free.size])]
    least = min(int(s.free.sum()) for s in around)
    starts = []
    for solution in (s for s in around if int(s.free.sum()) == least):
        unknowns = solution.unknowns.copy()
        unknowns[: free.size] = np.where(free, unknowns[: free.size], 0.0)
        starts.append(unknowns)
    if len(starts) > 1:
        starts.sort(key=lambda unknowns: float(np.sum(problem.residual(unknowns) ** 2)))
    return solve_from(problem, starts[0], free=free, enough=enough)


def _foldings(problem: FitProblem) -> tuple[bool, ...]:
    """Whether records may be folded: both, where it is to be told."""
    return _FOLDED if any(o.edges_apart_s > 0.0 for o in problem.observations) else _FOLDED[:1]


def _good_pass(solution: Solution) -> dict[bool, _Pass]:
    """A pass after which noise explains what is left; none where more than harmonics is missing."""
    for folded in _foldings(solution.problem):
        after = _pass(solution, folded, enough=good_enough(solution.problem))
        if is_good(after[0]):
            return {folded: after}
    return {}


def _settled(
    solution: Solution, foldings: Sequence[bool], passes: Mapping[bool, _Pass]
) -> tuple[Solution, bool]:
    """Repeat reduction and fit until the harmonics passed over are taken off.

    A fit that misses by far predicts none of them: it is not repeated.
    """
    near = chi_square(solution) < _FAR_OFF * solution.evaluation.data_rows
    options = [(passes.get(f) or _pass(solution, f), f) for f in foldings]
    if near and len(options) > 1 and _alike([power for (_, _, power), _ in options]):
        options = [(_pass(fit, folded), folded) for (fit, _, _), folded in options]
    (solution, moved, least), folded = min(options, key=lambda option: option[0][2])
    best, rises = solution, 0
    for _ in range(_MORE_PASSES if near else 0):
        if moved < _SETTLED or rises >= _MOST_RISES:
            break
        solution, moved, power = _pass(solution, folded)
        rises = 0 if power < least else rises + 1
        if moved < _SETTLED or power < least:
            best, least = solution, power
    return best, folded


def _alike(powers: Sequence[float]) -> bool:
    """Whether one pass does not tell which record it is."""
    return max(powers) < _CLEARLY * min(powers)


def _pass(solution: Solution, folded: bool, *, enough: float = math.inf) -> _Pass:
    """Correct and fit again; by how much of chi-square the fit moves, and what it leaves [V^2]."""
    problem, before = solution.problem, solution.unknowns
    corrected = [
        o.corrected(problem.prediction(before, k), folded=folded)
        for k, o in enumerate(problem.observations)
    ]
    moves = any(c is not None for c in corrected)
    if moves:
        both = zip(corrected, problem.observations, strict=True)
        problem = with_observations(problem, [c or o for c, o in both])
    free = solution.free[: problem.unit_count]
    solution = solve_from(problem, before, free=free, enough=enough)
    solution = with_estimated_noise(solution)
    moved = solution.evaluation.jacobian @ (solution.unknowns - before)
    return solution, float(moved @ moved) if moves else 0.0, residual_power(solution)


def residual_power(solution: Solution) -> float:
    """Sum the squares that a fit leaves of the records.

    Parameters
    ----------
    solution : Solution
        The fit.

    Returns
    -------
    float
        About the corrected reductions [V^2].
    """
    parts = zip(solution.problem.observations, residual_parts(solution), strict=True)
    return sum(o.residual_power(part) for o, part in parts)
