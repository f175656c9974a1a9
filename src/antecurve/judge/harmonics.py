"""Harmonics of a square wave as a fit predicts them, with their derivatives."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.record import Record

__all__ = [
    "HarmonicModel",
    "along_record",
    "one_period",
    "reduced_orders",
    "response_at_orders",
    "summed_orders",
    "whitened",
]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

_REACH = 16  # times the reduction: the amplitude there is 1/16 and folds to less than noise
_MOST_ORDERS = 16_384  # what bounds memory; of 20 Hz it is 330 kHz
_MOST_ODD = 170  # all up to order 100 and a dozen per octave beyond
_MOST_EVEN = 16  # enough to tell distortion; higher ones are weaker
_EXACT_ORDERS = 128  # beyond them nodes lie farther apart than harmonics
_NODES_PER_OCTAVE = 24  # a cubic between them is off by 1e-8 of a first-order corner
_MANY = 1000  # frequencies, of which evaluating the response takes longer than the cubic
_OVERSAMPLING = 8  # of the highest harmonic: linear interpolation errs by a hundredth of it


@dataclass(frozen=True, slots=True, eq=False)
class HarmonicModel:
    """Model amplitudes of harmonics with what their derivatives need.

    Attributes
    ----------
    value : numpy.ndarray of complex, shape (harmonics,)
        Amplitudes [V].
    omega : numpy.ndarray of float, shape (harmonics,)
        Angular frequencies [rad/s].
    by_duty, by_rise_time : numpy.ndarray of complex, shape (harmonics,)
        Derivatives by the duty [V] and by the rise time [V/s].
    """

    value: Complex
    omega: Floats
    by_duty: Complex
    by_rise_time: Complex


def whitened(factor: Floats, columns: Complex, scale: float) -> Floats:
    """Multiply an upper triangular matrix with the parts of a few complex columns.

    Parameters
    ----------
    factor : numpy.ndarray of float, shape (2 harmonics, 2 harmonics)
        The matrix, over real and imaginary parts, laid out column by column.
    columns : numpy.ndarray of complex, shape (columns, harmonics)
        The columns, one a row.
    scale : float
        What the product is multiplied with.

    Returns
    -------
    numpy.ndarray of float, shape (2 harmonics, columns)
        The product, laid out column by column.
    """
    from scipy.linalg.blas import dtrmm

    parts = np.concatenate([columns.real, columns.imag], axis=1)
    return np.asarray(dtrmm(scale, factor, parts.T, overwrite_b=1))


def summed_orders(record: Record, reduced: Floats, *, folded: bool) -> Floats:
    """Choose the harmonics that a fitted waveform sums.

    Parameters
    ----------
    record : Record
        The record.
    reduced : numpy.ndarray of float, shape (harmonics,)
        Orders of its reduction.
    folded : bool
        Whether harmonics beyond half the sampling rate are in the record.

    Returns
    -------
    numpy.ndarray of float, shape (orders,)
        All orders from 1 up.
    """
    half_rate = record.rate_hz / 2.0 / record.frequency_hz
    reach = min(_REACH * max(float(reduced.max()), half_rate), _MOST_ORDERS)
    return np.arange(1.0, int(reach if folded else min(reach, half_rate)) + 1.0)


def reduced_orders(top: float, *, samples: int) -> Floats:
    """List the orders to which a record of a square wave is reduced.

    Parameters
    ----------
    top : float
        The highest order wanted.
    samples : int
        Samples of the record.

    Returns
    -------
    numpy.ndarray of float, shape (harmonics,)
        All low odd orders, then a spread of the higher ones; a few even ones.
    """
    most = min(_MOST_ODD, max(8, samples // 12))
    odd = np.arange(1.0, max(top, 3.0) + 0.5, 2.0)
    if odd.size > most:
        low = odd[: most // 2]
        spread = np.geomspace(low[-1] + 2.0, odd[-1], most - low.size)
        odd = np.union1d(low, 2.0 * np.floor(spread / 2.0) + 1.0)
    even = np.arange(2.0, max(top, 3.0) + 0.5, 2.0)[: min(_MOST_EVEN, most // 2)]
    return np.union1d(odd, even)


def response_at_orders(log_response: Callable[[Floats], Complex], frequency_hz: Floats) -> Complex:
    """Evaluate ln of a response at many harmonics, which changes slowly over the high ones.

    Parameters
    ----------
    log_response : callable
        ln of the response at frequencies [Hz].
    frequency_hz : numpy.ndarray of float, shape (harmonics,)
        Frequencies [Hz], ascending.

    Returns
    -------
    numpy.ndarray of complex, shape (harmonics,)
        Natural logarithm, up to whole circles; of thousands of harmonics all but the lowest by
        cubics over ln f.
    """
    if frequency_hz.size < _MANY:
        return log_response(frequency_hz)
    low, high = frequency_hz[:_EXACT_ORDERS], frequency_hz[_EXACT_ORDERS:]
    count = math.ceil(_NODES_PER_OCTAVE * math.log2(float(high[-1] / high[0]))) + 1
    step = math.log(float(high[-1] / high[0])) / count
    # One node more at either end: each cubic goes through four.
    node_hz = high[0] * np.exp(step * np.arange(-1.0, count + 2.0))
    known = log_response(np.concatenate([low, node_hz]))
    position = np.log(high / high[0]) / step
    first = np.minimum(position.astype(int), count - 1)
    t, nodes = position - first, known[low.size :]
    # The logarithm of a product turns by whole circles where its phase passes half of one.
    nodes = nodes.real + 1j * np.unwrap(nodes.imag)
    # Lagrange's polynomials through -1, 0, 1 and 2.
    before, after = t * (t - 1.0), (t + 1.0) * (t - 2.0)
    cubic = nodes[first] * (before * (t - 2.0) / -6.0) + nodes[first + 1] * (
        after * (t - 1.0) / 2.0
    )
    cubic += nodes[first + 2] * (after * t / -2.0) + nodes[first + 3] * (before * (t + 1.0) / 6.0)
    return np.concatenate([known[: low.size], cubic])


def one_period(orders: Floats, amplitudes: Complex, *, oversampling: int = _OVERSAMPLING) -> Floats:
    """Sum harmonics over one period.

    Parameters
    ----------
    orders : numpy.ndarray of float, shape (harmonics,)
        Orders.
    amplitudes : numpy.ndarray of complex, shape (harmonics, waveforms)
        Amplitudes [V].
    oversampling : int, optional
        Points over a turn of the highest harmonic, between which a chord is drawn.

    Returns
    -------
    numpy.ndarray of float, shape (waveforms, points)
        At evenly spaced points from time 0 on [V].
    """
    points = 2 ** math.ceil(math.log2(oversampling * orders.max()))
    spectrum = np.zeros((amplitudes.shape[1], points // 2 + 1), dtype=complex)
    spectrum[:, orders.astype(int)] = amplitudes.T * points / 2.0
    return np.fft.irfft(spectrum, points)


def along_record(record: Record, periods: Floats) -> Floats:
    """Repeat waveforms along a record.

    Parameters
    ----------
    record : Record
        The record, at whose frequency they repeat.
    periods : numpy.ndarray of float, shape (waveforms, points)
        One period of each, as `one_period` sums it [V].

    Returns
    -------
    numpy.ndarray of float, shape (waveforms, samples)
        On the chords between the points [V].
    """
    points, turns = periods.shape[1], record.time_s * record.frequency_hz
    position = (turns - np.floor(turns)) * points
    before = np.minimum(position.astype(int), points - 1)
    share = position - before
    after = np.where(before + 1 == points, 0, before + 1)
    left, right = periods.take(before, axis=1), periods.take(after, axis=1)
    return np.asarray(left * (1.0 - share) + right * share)
