"""The harmonics of a record beyond its reduction, as a fit predicts them.

Those passed over and those beyond its reach, folded back by the sampling, are taken off the
record with their derivatives, so that a fit that follows moves them along.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.observations import FoldedRest, SquareBlock
from antecurve.judge.record import Record
from antecurve.judge.solve import Solution

__all__ = ["waveform", "without_rest"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

_OVERSAMPLING = 8
_REACH = 16
_MOST_ORDERS = 16_384


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


def without_rest(solution: Solution, place: int, *, folded: bool) -> SquareBlock:
    """Return a block reduced again, less the harmonics that the reduction passes over.

    Parameters
    ----------
    solution : Solution
        The fit that predicts them.
    place : int
        Which capture; a square wave.
    folded : bool
        Whether harmonics beyond half the sampling rate are in the record.

    Returns
    -------
    SquareBlock
        At the frequency that the rest of the record asks for.
    """
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
        sigma=basis.noise(volts) * block.inflation,
        rest=FoldedRest(basis.reduced(waves[:, 1:]), np.concatenate([solution.units, own])),
    )
