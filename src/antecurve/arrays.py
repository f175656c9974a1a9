"""Arrays of frequencies, peaks of sampled functions, and read-only arrays that results hold."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from antecurve.errors import InputError
from antecurve.quantities import check_band, check_count

__all__ = [
    "Peaks",
    "even_turns",
    "frequencies",
    "highest_peaks",
    "hold_read_only",
    "log_frequencies",
    "read_only",
]

_HIGHEST_HZ = 1e18  # 2 pi times its 16th power, for the largest networks, fits a double
_POINTS_PER_DECADE = 240  # 1 % apart: between them a corner adds less than 1e-4 dB
_MOST_POINTS_PER_DECADE = 100_000  # closer together than any response of a network changes


def frequencies(frequency_hz: ArrayLike, *, zero: bool = False) -> NDArray[np.float64]:
    """Convert frequencies to an array, refusing those that nothing can be computed at.

    Parameters
    ----------
    frequency_hz : array_like, shape (...)
        Frequencies [Hz], greater than 0, up to 1e18 Hz.
    zero : bool, optional
        Whether 0 Hz is allowed as well.

    Returns
    -------
    numpy.ndarray of float, shape (...)
        The same.

    Raises
    ------
    InputError
        When one is out of range.
    """
    array = np.asarray(frequency_hz, dtype=float)
    if not np.all(((array > 0) | (zero & (array == 0))) & (array <= _HIGHEST_HZ)):
        low = "0 Hz or more" if zero else "above 0 Hz"
        raise InputError(
            "frequency_hz", frequency_hz, f"it must be finite, {low} and {_HIGHEST_HZ:g} Hz at most"
        )
    return array


def log_frequencies(
    band_hz: tuple[float, float], *, points_per_decade: int = _POINTS_PER_DECADE
) -> NDArray[np.float64]:
    """Space frequencies evenly in the logarithm, both ends included.

    Parameters
    ----------
    band_hz : tuple of float
        Low and high end [Hz], 0 < low < high.
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
    check_band(band_hz)
    check_count(points_per_decade, field="points_per_decade", most=_MOST_POINTS_PER_DECADE)
    low, high = band_hz
    count = max(2, math.ceil(points_per_decade * math.log10(high / low)) + 1)
    return np.asarray(np.geomspace(low, high, count))


def even_turns(count: int, *, step: float) -> NDArray[np.complex128]:
    """Turn by even steps: exp(1j * step * k).

    Parameters
    ----------
    count : int
        How many, from none of a step on.
    step : float
        Angle of a step [rad].

    Returns
    -------
    numpy.ndarray of complex, shape (count,)
        Each the product of two exponentials, so that some 2 sqrt(count) are computed.
    """
    inner = math.isqrt(count) + 1
    fine = np.exp(1j * step * np.arange(inner))
    coarse = np.exp(1j * (step * inner) * np.arange(-(-count // inner)))
    return np.asarray((coarse[:, None] * fine).ravel()[:count])


def read_only(values: ArrayLike) -> NDArray[np.float64]:
    """Copy numbers to an array that can't be written to.

    Parameters
    ----------
    values : array_like of float, shape (...)
        Numbers.

    Returns
    -------
    numpy.ndarray of float, shape (...)
        The same numbers; read-only.
    """
    array = np.array(values, dtype=float)
    array.setflags(write=False)
    return array


def hold_read_only(result: object, *names: str) -> None:
    """Make attributes of a frozen dataclass read-only arrays; for its ``__post_init__``.

    Parameters
    ----------
    result : object
        The instance being made.
    *names : str
        The attributes, each array_like of float.
    """
    for name in names:
        object.__setattr__(result, name, read_only(getattr(result, name)))


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

    value: NDArray[np.float64]
    position: NDArray[np.float64]


def highest_peaks(rows: NDArray[np.float64]) -> Peaks:
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
    peaks = (rows[:, 1:-1] >= rows[:, :-2]) & (rows[:, 1:-1] >= rows[:, 2:])
    row, before = np.divmod(np.flatnonzero(peaks), max(peaks.shape[1], 1))
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
