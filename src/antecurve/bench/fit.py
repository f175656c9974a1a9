"""The fit of one or more captures, from records to a solution.

A square-wave record holds more harmonics than the reduction: those passed over and those beyond
its reach, folded back by the sampling.  They are taken off as the fit predicts them and the
reduction is repeated, until nothing moves.  Whether harmonics beyond half the sampling rate are
in the record at all (an oscilloscope) or filtered out (a sound card) is told by the record.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from antecurve.bench.captures import Capture, SquareWaveCapture
from antecurve.bench.periodic import Record, harmonic_basis, prepare_record
from antecurve.bench.problem import (
    Bench,
    Block,
    FitProblem,
    FoldedRest,
    SquareBlock,
    SweepBlock,
    with_blocks,
)
from antecurve.bench.reference import check_reference
from antecurve.bench.solve import Solution, chi_square, solve_from, solve_from_nothing
from antecurve.bench.unit_model import UnitModel

__all__ = [
    "DIFFERENT",
    "Family",
    "Fit",
    "block_excess",
    "block_rows",
    "blocks_of",
    "fit_captures",
    "sweep_freedom",
    "waveform",
]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

_START_SIGMA_DB = 0.02
_START_SIGMA_RAD = 0.02
_LEAST_SIGMA_DB = 2e-4
_OVERSAMPLING = 8
_REACH = 16
_MOST_ORDERS = 16_384
_FOLDED = (True, False)
_FIRST_PASSES = 2
_MORE_PASSES = 6
_SETTLED = 0.01
_LEAST_START = {"low": 0.3, "high": 0.1, "shelf": 0.1, "lead": 0.1}
_OFF = 0.7
_LOW_CORNER_STARTS_HZ = (4.0, 15.0, 45.0)
DIFFERENT = 3.84
"""Rise of chi-square that tells two models apart at 95 %, one degree of freedom."""


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
        return self.rise <= DIFFERENT


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


def blocks_of(
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
        Frequencies of lines (hum) to take out of square waves.

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
    return SquareBlock(name, basis, basis.reduced(volts), basis.noise(volts))


def waveform(solution: Solution, place: int, *, orders: Floats | None = None) -> Floats:
    """Return the fitted waveform of a square-wave capture at the record's times.

    Parameters
    ----------
    solution : Solution
        The fit.
    place : int
        Which capture.
    orders : numpy.ndarray of float, shape (harmonics,), optional
        Harmonics to sum; by default all up to the reach of the fit.

    Returns
    -------
    numpy.ndarray of float, shape (samples,)
        Output [V], without offset.
    """
    problem = solution.problem
    block = problem.blocks[place]
    assert isinstance(block, SquareBlock)
    frequency = block.basis.record.frequency_hz
    if orders is None:
        orders = np.arange(1.0, _top_order(block) + 1.0)
    found = block.amplitudes(
        problem.own(solution.unknowns, place),
        problem.log_response(solution.unknowns, orders * frequency),
        orders,
        problem.rise_time(solution.unknowns).value_s,
    ).value
    return _synthesised(block.basis.record, orders, found[:, None])[:, 0]


def _synthesised(record: Record, orders: Floats, amplitudes: Complex) -> Floats:
    """Waveforms at the record's times from amplitudes, shape (harmonics, waveforms)."""
    points = 2 ** math.ceil(math.log2(_OVERSAMPLING * orders.max()))
    spectrum = np.zeros((amplitudes.shape[1], points // 2 + 1), dtype=complex)
    spectrum[:, orders.astype(int)] = amplitudes.T * points / 2.0
    periods = np.fft.irfft(spectrum, points)
    place = np.mod(record.time_s * record.frequency_hz, 1.0) * points
    left = np.minimum(place.astype(int), points - 1)
    share = place - left
    right = np.where(left + 1 == points, 0, left + 1)
    return np.asarray((periods[:, left] * (1.0 - share) + periods[:, right] * share).T)


def _top_order(block: SquareBlock) -> int:
    record = block.basis.record
    reach = max(
        _REACH * float(block.basis.orders.max()),
        _REACH * record.rate_hz / 2.0 / record.frequency_hz,
    )
    return int(min(_MOST_ORDERS, reach))


def _without_rest(solution: Solution, place: int, *, folded: bool) -> SquareBlock:
    """The block reduced again, less the harmonics that the reduction passes over."""
    block = solution.problem.blocks[place]
    assert isinstance(block, SquareBlock)
    record = block.basis.record
    top = _top_order(block)
    if not folded:
        top = min(top, int(record.rate_hz / 2.0 / record.frequency_hz))
    rest = np.setdiff1d(np.arange(1.0, top + 1.0), block.basis.orders)
    if not rest.size:
        return block
    problem, unknowns = solution.problem, solution.unknowns
    frequency = rest * record.frequency_hz
    own = problem.own(unknowns, place)
    found = block.amplitudes(
        own,
        problem.log_response(unknowns, frequency),
        rest,
        problem.rise_time(unknowns).value_s,
    )
    by_unit = found.value[:, None] * problem.model.linearised(solution.units, frequency).derivative
    columns = np.hstack([found.value[:, None], by_unit, block.own_slopes(found)])
    first = _synthesised(record, rest, columns[:, :1])[:, 0]
    step = block.basis.frequency_step(record.volts - first)
    record = replace(record, frequency_hz=record.frequency_hz + step)
    waves = _synthesised(record, rest, columns)
    volts = record.volts - waves[:, 0]
    slope = np.gradient(waves[:, 0], record.time_s) * record.time_s / record.frequency_hz
    basis = block.basis.moved(step, volts, name=block.name, rest_slope=slope)
    return replace(
        block,
        basis=basis,
        data=basis.reduced(volts),
        sigma=basis.noise(volts),
        rest=FoldedRest(basis.reduced(waves[:, 1:]), np.concatenate([solution.units, own])),
    )


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
        Frequencies of lines (hum) to take out of square waves.

    Returns
    -------
    Fit
        The families, best first, and how well they describe the captures.
    """
    blocks = blocks_of(captures, bench=bench, highest_hz=highest_hz, line_hz=line_hz)
    first = solve_from_nothing(FitProblem(blocks, model, bench))
    solution = _settled(first)
    trials = [solution, *(_refitted(solution, other) for other in families)]
    best = min(trials, key=chi_square)
    excess = block_excess(best)
    final = _scaled_blocks(best, excess)
    again = [solve_from(with_blocks(t.problem, final), _off_bounds(t)) for t in trials]
    return Fit(_ranked(again), excess)


def _settled(solution: Solution) -> Solution:
    """Repeat reduction and fit until the harmonics passed over are taken off."""
    places = range(len(solution.problem.blocks))
    squares = [p for p in places if isinstance(solution.problem.blocks[p], SquareBlock)]
    if not squares:
        return _with_sweep_noise(solution)
    options = [(_passes(solution, squares, folded, _FIRST_PASSES), folded) for folded in _FOLDED]
    best, folded = min(options, key=lambda option: _misfit_volts(option[0]))
    return _passes(best, squares, folded, _MORE_PASSES)


def _passes(solution: Solution, squares: list[int], folded: bool, most: int) -> Solution:
    """Take the rest off and fit again, until the fit moves by little of its uncertainty."""
    for _ in range(most):
        blocks = list(solution.problem.blocks)
        for place in squares:
            blocks[place] = _without_rest(solution, place, folded=folded)
        problem = with_blocks(solution.problem, blocks)
        before = solution.unknowns
        solution = _with_sweep_noise(solve_from(problem, _off_bounds(solution)))
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
            unknowns[place] = max(unknowns[place], _LEAST_START[parameter.role])
        elif parameter.logarithmic:
            unknowns[place] = np.clip(
                unknowns[place], parameter.lowest + _OFF, parameter.highest - _OFF
            )
    return unknowns


def _misfit_volts(solution: Solution) -> float:
    """Sum of squares of what is left of the square-wave records [V^2]."""
    total, first = 0.0, 0
    for block in solution.problem.blocks:
        rows = block_rows(block)
        part = solution.evaluation.residual[first : first + rows]
        first += rows
        if isinstance(block, SquareBlock):
            free = block.basis.record.time_s.size - block.basis.factor.shape[0]
            total += (float(part @ part) + free) * block.sigma**2
    return total


def block_rows(block: Block) -> int:
    """Return the number of residuals of a block.

    Parameters
    ----------
    block : SquareBlock or SweepBlock
        The block.

    Returns
    -------
    int
        Two per harmonic; one per frequency of a sweep, two with phase.
    """
    if isinstance(block, SquareBlock) or block.capture.phase_deg is not None:
        return 2 * block.frequency_hz.size
    return block.frequency_hz.size


def _with_sweep_noise(solution: Solution) -> Solution:
    """Set each sweep's noise to what is left of it, and solve again."""
    if all(isinstance(b, SquareBlock) for b in solution.problem.blocks):
        return solution
    for _ in range(2):
        blocks, first = [], 0
        shared = _effective_unknowns(solution)
        for place, block in enumerate(solution.problem.blocks):
            rows = block_rows(block)
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
        sigma_db=max(level, _LEAST_SIGMA_DB, resolution_db(block)),
        sigma_rad=max(phase, _LEAST_SIGMA_DB / 8.7),
    )


def _scatter(residual: Floats) -> float:
    """Variance of what neighbours do not share (von Neumann), or all of it if that is less."""
    whole = float(np.mean(residual**2))
    return min(whole, float(np.mean(np.diff(residual) ** 2)) / 2.0)


def resolution_db(block: SweepBlock) -> float:
    """Return the standard uncertainty that the printed digits of a sweep leave.

    Parameters
    ----------
    block : SweepBlock
        The sweep.

    Returns
    -------
    float
        Half a digit, equally likely anywhere within [dB].
    """
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
        rows = block_rows(block)
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
        rows = block_rows(block)
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
        max(1.0, block_rows(b) - used[k]) if isinstance(b, SweepBlock) else math.inf
        for k, b in enumerate(solution.problem.blocks)
    )


def _scaled_blocks(solution: Solution, excess: tuple[float, ...]) -> list[Block]:
    """Blocks whose noise is raised where residuals exceed it (a Birge ratio per capture)."""
    blocks: list[Block] = []
    for block, ratio in zip(solution.problem.blocks, excess, strict=True):
        if isinstance(block, SquareBlock) and ratio > 1.0:
            block = replace(block, sigma=block.sigma * math.sqrt(ratio))
        blocks.append(block)
    return blocks


def _refitted(solution: Solution, model: UnitModel) -> Solution:
    """The same captures by another family, from several low corners."""
    problem = FitProblem(solution.problem.blocks, model, solution.problem.bench)
    old = solution.problem.model
    units = model.start
    for place, parameter in enumerate(model.parameters):
        known = old.index(parameter.name)
        if known is not None:
            units[place] = solution.units[known]
    tail = solution.unknowns[solution.problem.unit_count :]
    low = model.index("low_corner_hz")
    assert low is not None
    starts: tuple[float, ...] = (float(units[low]), *_LOW_CORNER_STARTS_HZ)
    if model.low_end is old.low_end:
        starts = starts[:1]
    trials = []
    for corner in starts:
        units[low] = corner
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
