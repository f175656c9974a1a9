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

from antecurve.judge.captures import Capture, SquareWaveCapture
from antecurve.judge.noise import block_excess, raised_noise, with_sweep_noise
from antecurve.judge.observations import Block, SquareBlock, SweepBlock
from antecurve.judge.periodic import harmonic_basis
from antecurve.judge.problem import Bench, FitProblem, with_blocks
from antecurve.judge.record import Record, prepare_record
from antecurve.judge.reference import check_reference
from antecurve.judge.solve import Solution, chi_square, solve_from, solve_from_nothing
from antecurve.judge.unit_model import UnitModel
from antecurve.judge.unused_harmonics import without_rest

__all__ = ["Family", "Fit", "fit_captures"]

Floats = NDArray[np.float64]

_START_SIGMA_DB = 0.02
_START_SIGMA_RAD = 0.02
_FOLDED = (True, False)
_FIRST_PASSES = 2
_MORE_PASSES = 6
_SETTLED = 0.01
_LEAST_START = {"low": 0.3, "high": 0.1, "shelf": 0.1, "lead": 0.1}
_OFF = 0.7
_LOW_CORNER_STARTS_HZ = (4.0, 15.0, 45.0)
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
    def blocks(self) -> tuple[Block, ...]:
        """The captures as fitted."""
        return self.solution.problem.blocks


def _blocks_of(
    captures: Sequence[Capture],
    *,
    bench: Bench,
    highest_hz: float,
    line_hz: tuple[float, ...] = (),
) -> tuple[Block, ...]:
    """Return the captures reduced for the fit.

    Parameters
    ----------
    captures : sequence of SquareWaveCapture or SweepCapture
        Captures of the same unit, at least one.
    bench : Bench
        What is given beside the unit.
    highest_hz : float
        Highest frequency that counts [Hz].
    line_hz : tuple of float, optional
        Frequencies of lines (hum) to take out of square waves [Hz].

    Returns
    -------
    tuple of SquareBlock or SweepBlock
        One per capture.
    """
    blocks: list[Block] = []
    for capture in captures:
        if isinstance(capture, SquareWaveCapture):
            record = prepare_record(capture, highest_hz=highest_hz)
            blocks.append(_square_block(record, capture.name, bench, highest_hz, line_hz))
            lowest, square = record.frequency_hz, True
        else:
            blocks.append(SweepBlock(capture, _START_SIGMA_DB, _START_SIGMA_RAD))
            lowest, square = float(capture.frequency_hz[0]), False
        if bench.measured is not None:
            check_reference(bench.measured, lowest, square=square, name=capture.name)
    return tuple(blocks)


def _square_block(
    record: Record, name: str, bench: Bench, highest_hz: float, line_hz: tuple[float, ...]
) -> SquareBlock:
    basis = harmonic_basis(record, highest_hz=highest_hz, name=name, line_hz=line_hz)
    volts = basis.record.volts
    noise, inflation = basis.noise(volts), 1.0
    if bench.measured is not None:
        odd = basis.orders % 2 == 1
        frequency = (basis.orders * basis.record.frequency_hz)[odd]
        size = np.abs(basis.amplitudes(volts))[odd]
        own = noise**2 * basis.variances()[odd] / size**2
        ratio = np.median(bench.measured.variance_at(frequency) / own)
        inflation = float(np.sqrt(1.0 + ratio))
    return SquareBlock(name, basis, basis.reduced(volts), noise * inflation, inflation)


def fit_captures(
    captures: Sequence[Capture],
    *,
    model: UnitModel,
    families: Sequence[UnitModel],
    bench: Bench,
    highest_hz: float,
    line_hz: tuple[float, ...] = (),
) -> Fit:
    """Fit a unit to its captures.

    Parameters
    ----------
    captures : sequence of SquareWaveCapture or SweepCapture
        Captures of the same unit, at least one.
    model : UnitModel
        The family to report where the captures allow it.
    families : sequence of UnitModel
        Other families that may explain the captures as well.
    bench : Bench
        What is given beside the unit.
    highest_hz : float
        Highest frequency that counts [Hz].
    line_hz : tuple of float, optional
        Frequencies of lines (hum) to take out of square waves [Hz].

    Returns
    -------
    Fit
        The families, best first, and how well they describe the captures.
    """
    blocks = _blocks_of(captures, bench=bench, highest_hz=highest_hz, line_hz=line_hz)
    first = solve_from_nothing(FitProblem(blocks, model, bench))
    solution = _settled(first)
    trials = [solution, *(_refitted(solution, other) for other in families)]
    best = min(trials, key=chi_square)
    excess = block_excess(best)
    final = raised_noise(best, excess)
    again = [solve_from(with_blocks(t.problem, final), _off_bounds(t)) for t in trials]
    return Fit(_ranked(again), excess)


def _settled(solution: Solution) -> Solution:
    """Repeat reduction and fit until the harmonics passed over are taken off."""
    places = range(len(solution.problem.blocks))
    squares = [p for p in places if isinstance(solution.problem.blocks[p], SquareBlock)]
    if not squares:
        return with_sweep_noise(solution)
    options = [(_passes(solution, squares, folded, _FIRST_PASSES), folded) for folded in _FOLDED]
    best, folded = min(options, key=lambda option: _misfit_volts(option[0]))
    return _passes(best, squares, folded, _MORE_PASSES)


def _passes(solution: Solution, squares: list[int], folded: bool, most: int) -> Solution:
    """Take the rest off and fit again, until the fit moves by little of its uncertainty."""
    for _ in range(most):
        blocks = list(solution.problem.blocks)
        for place in squares:
            blocks[place] = without_rest(solution, place, folded=folded)
        problem = with_blocks(solution.problem, blocks)
        before = solution.unknowns
        solution = with_sweep_noise(solve_from(problem, _off_bounds(solution)))
        moved = solution.evaluation.jacobian @ (solution.unknowns - before)
        if float(moved @ moved) < _SETTLED:
            break
    return solution


def _off_bounds(solution: Solution) -> Floats:
    """The unknowns with no corner so near 0 that the next solution can't lift it."""
    unknowns = solution.unknowns.copy()
    model = solution.problem.model
    for place, parameter in enumerate(model.parameters):
        if parameter.role in _LEAST_START:
            least = _LEAST_START[parameter.role] ** parameter.power
            unknowns[place] = max(unknowns[place], least)
        elif parameter.logarithmic:
            unknowns[place] = np.clip(
                unknowns[place], parameter.lowest + _OFF, parameter.highest - _OFF
            )
    return unknowns


def _misfit_volts(solution: Solution) -> float:
    """Sum of squares of what is left of the square-wave records [V^2]."""
    total, first = 0.0, 0
    for block in solution.problem.blocks:
        rows = block.rows
        part = solution.evaluation.residual[first : first + rows]
        first += rows
        if isinstance(block, SquareBlock):
            free = block.basis.record.time_s.size - block.basis.factor.shape[0]
            total += (float(part @ part) + free) * block.sigma**2
    return total


def _refitted(solution: Solution, model: UnitModel) -> Solution:
    """The same captures by another family, from several low corners."""
    problem = FitProblem(solution.problem.blocks, model, solution.problem.bench)
    old = solution.problem.model
    units = model.start
    for place, parameter in enumerate(model.parameters):
        known = old.index(parameter.name)
        if known is not None:
            value = old.parameters[known].value(float(solution.units[known]))
            units[place] = parameter.coordinate(value) if value < math.inf else 0.0
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
