"""The centred error over the continuum of a band: half of (max - min) of 20 log10(abs(H/E)).

`CentredError` evaluates many networks of any topology; `antecurve.networks.deviation` reports on
one; `antecurve.networks.build_errors` evaluates very many builds of one topology.

What lies between the samples of a band is told by a parabola through the three samples around
each peak.  Between samples h apart in ln f it misses by at most 0.0642 h**3 times the largest
third derivative of the error.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.algebra.transfer_function import TransferFunction
from antecurve.curves.model import Curve, response
from antecurve.quantities import check_band, check_count

__all__ = ["CentredError", "Peaks", "highest_peaks", "log_frequencies", "squared_powers"]

Floats = NDArray[np.float64]

_POINTS_PER_DECADE = 240  # 1 % apart: between them a corner adds less than 1e-4 dB
_MOST_POINTS_PER_DECADE = 100_000  # closer together than any response of a network changes
_STRIP = 256  # rows at a time: what is computed of them stays in the cache


def log_frequencies(
    low_hz: float, high_hz: float, *, points_per_decade: int = _POINTS_PER_DECADE
) -> Floats:
    """Space frequencies evenly in the logarithm, both ends included.

    Parameters
    ----------
    low_hz, high_hz : float
        Ends [Hz], 0 < low < high.
    points_per_decade : int, optional
        Least number of points per decade.

    Returns
    -------
    numpy.ndarray of float, shape (frequencies,)
        Frequencies [Hz], ascending.

    Raises
    ------
    InputError
        When the ends are not finite, above 0 Hz and ascending.
    """
    check_band((low_hz, high_hz))
    check_count(points_per_decade, field="points_per_decade", most=_MOST_POINTS_PER_DECADE)
    count = max(2, math.ceil(points_per_decade * math.log10(high_hz / low_hz)) + 1)
    return np.asarray(np.geomspace(low_hz, high_hz, count))


def squared_powers(frequency_hz: Floats, count: int) -> Floats:
    """Compute the powers of w**2 that multiply the coefficients of abs(H)**2.

    Parameters
    ----------
    frequency_hz : numpy.ndarray of float, shape (frequencies,)
        Frequencies [Hz].
    count : int
        Number of powers, from 0 up.

    Returns
    -------
    numpy.ndarray of float, shape (count, frequencies)
        (2 pi f)**(2 n).
    """
    squared = (2.0 * math.pi * frequency_hz) ** 2
    return np.asarray(squared ** np.arange(count)[:, None])


@dataclass(frozen=True, slots=True, eq=False)
class Peaks:
    """The largest value of each of some sampled functions, between the samples as well.

    Attributes
    ----------
    value : numpy.ndarray of float, shape (rows,)
        Largest values, in the unit of the samples.
    position : numpy.ndarray of float, shape (rows,)
        Where they are, in steps from the first sample.
    """

    value: Floats
    position: Floats


def highest_peaks(rows: Floats) -> Peaks:
    """Find the largest value of each row, every peak by a parabola through three samples.

    Parameters
    ----------
    rows : numpy.ndarray of float, shape (rows, samples)
        Evenly spaced samples, 2 or more of each function.

    Returns
    -------
    Peaks
        Values and positions; at an end of the range the sample there.
    """
    best = rows.argmax(axis=1)
    each = np.arange(len(rows))
    value, position = rows[each, best], best.astype(float)
    row, before = np.nonzero((rows[:, 1:-1] >= rows[:, :-2]) & (rows[:, 1:-1] >= rows[:, 2:]))
    left, middle, right = (rows[row, before + step] for step in range(3))
    curvature = left - 2.0 * middle + right
    peak = curvature < 0.0
    shift = np.zeros(len(row))
    shift[peak] = 0.5 * (left - right)[peak] / curvature[peak]
    top = middle - 0.25 * (left - right) * shift
    np.maximum.at(value, row, top)
    highest = top == value[row]
    position[row[highest]] = (before + 1 + shift)[highest]
    return Peaks(value, position)


class CentredError:
    """Evaluates the centred error of many transfer functions over the continuum of a band.

    Parameters
    ----------
    curve : Curve
        The curve to be imposed, limits included.
    band_hz : tuple of float
        Low and high end [Hz], 0 < low < high.

    Raises
    ------
    InputError
        When the band is not finite, above 0 Hz and ascending.

    Notes
    -----
    abs(H/E)**2 is a ratio of polynomials in w**2, a matrix product each, at 240 frequencies a
    decade.
    """

    __slots__ = ("_curve_db", "_frequency")

    def __init__(self, curve: Curve, *, band_hz: tuple[float, float]) -> None:
        frequency = log_frequencies(*band_hz)
        self._frequency = frequency
        self._curve_db = 20.0 * np.log10(np.abs(response(curve, frequency)))

    def __call__(self, coefficients: TransferFunction) -> Floats:
        """Compute centred errors.

        Parameters
        ----------
        coefficients : TransferFunction, shape (rows, powers)
            Transfer functions, ascending powers of s.

        Returns
        -------
        numpy.ndarray of float, shape (rows,)
            Half of (max - min) of 20 log10(abs(H/E)) over the band [dB].
        """
        power = coefficients.magnitude_squared()
        top, bottom = np.atleast_2d(power.numerator), np.atleast_2d(power.denominator)
        powers = squared_powers(self._frequency, max(top.shape[1], bottom.shape[1]))
        centred = np.empty(len(top))
        for first in range(0, len(top), _STRIP):
            part = slice(first, first + _STRIP)
            ratio = top[part] @ powers[: top.shape[1]]
            ratio /= bottom[part] @ powers[: bottom.shape[1]]
            error = 10.0 * np.log10(ratio) - self._curve_db
            centred[part] = 0.5 * (highest_peaks(error).value + highest_peaks(-error).value)
        return centred
