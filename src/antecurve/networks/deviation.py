"""The error of a network against a curve, in dB, and its range over a band.

e(f) = 20 log10(abs(H/E)).  The level of the network as a whole is no error: the centred error
is half of (max - min) over the band, the error at 1 kHz is the largest magnitude with 0 dB at
1 kHz.  Ranges are over the continuum of the band, not only over a grid.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from antecurve.curves.model import REFERENCE_FREQUENCY_HZ, Curve, response
from antecurve.networks.compiled import transfer
from antecurve.networks.topology import Loading, Network

__all__ = ["ErrorRange", "error_db", "error_range", "log_frequencies"]

_POINTS_PER_DECADE = 240


@dataclass(frozen=True, slots=True)
class ErrorRange:
    """The error over a band.

    Attributes
    ----------
    band_hz : tuple of float
        Low and high end [Hz].
    centred_db : float
        Half of (max - min) of the error [dB].
    at_1khz_db : float
        Largest magnitude of the error with 0 dB at 1 kHz [dB].
    rms_db : float
        Root mean square of the error over log frequency about its mean [dB].
    lowest_hz, highest_hz : float
        Frequencies [Hz] of the smallest and largest error.
    """

    band_hz: tuple[float, float]
    centred_db: float
    at_1khz_db: float
    rms_db: float
    lowest_hz: float
    highest_hz: float


def log_frequencies(
    low_hz: float, high_hz: float, *, points_per_decade: int = _POINTS_PER_DECADE
) -> NDArray[np.float64]:
    """Return frequencies evenly spaced in the logarithm, both ends included.

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
    """
    count = max(2, math.ceil(points_per_decade * math.log10(high_hz / low_hz)) + 1)
    return np.asarray(np.geomspace(low_hz, high_hz, count))


def error_db(
    network: Network,
    curve: Curve,
    frequency_hz: ArrayLike,
    *,
    loading: Loading,
    published: bool = False,
) -> NDArray[np.float64]:
    """Return the error of a network in dB, 0 at 1 kHz.

    Parameters
    ----------
    network : Network
        The network.
    curve : Curve
        The curve it has to impose.
    frequency_hz : array_like, shape (frequencies,)
        Frequencies [Hz], greater than 0.
    loading : Loading
        Source and load.
    published : bool, optional
        Whether to compare with the published time constants alone.

    Returns
    -------
    numpy.ndarray of float, shape (frequencies,)
        20 log10(abs(H/E)) [dB] less its value at 1 kHz.

    Raises
    ------
    InputError
        When a frequency is not finite and greater than 0.
    """
    frequency = np.append(np.atleast_1d(np.asarray(frequency_hz, float)), REFERENCE_FREQUENCY_HZ)
    ratio = transfer(network, frequency, loading=loading)
    ratio = ratio / response(curve, frequency, published=published)
    level = 20.0 * np.log10(np.abs(ratio))
    return np.asarray(level[:-1] - level[-1])


def error_range(
    network: Network,
    curve: Curve,
    *,
    band_hz: tuple[float, float],
    loading: Loading,
    published: bool = False,
) -> ErrorRange:
    """Return the error of a network over a band.

    Parameters
    ----------
    network : Network
        The network.
    curve : Curve
        The curve it has to impose.
    band_hz : tuple of float
        Low and high end [Hz].
    loading : Loading
        Source and load.
    published : bool, optional
        Whether to compare with the published time constants alone.

    Returns
    -------
    ErrorRange
        Centred error, error at 1 kHz, rms.

    Raises
    ------
    InputError
        When the band is not above 0 Hz.

    Notes
    -----
    Sampled at 240 points a decade; the extremes between points by a parabola through the three
    samples around each, in error below 1e-8 dB for responses made of RC time constants.
    """
    frequency = log_frequencies(*band_hz)
    error = error_db(network, curve, frequency, loading=loading, published=published)
    high_hz, high = _extreme(frequency, error)
    low_hz, low = _extreme(frequency, -error)
    weights = np.ones_like(error)
    weights[[0, -1]] = 0.5
    mean = float(np.average(error, weights=weights))
    rms = math.sqrt(float(np.average((error - mean) ** 2, weights=weights)))
    return ErrorRange(
        band_hz=(float(band_hz[0]), float(band_hz[1])),
        centred_db=(high + low) / 2.0,
        at_1khz_db=max(abs(high), abs(low)),
        rms_db=rms,
        lowest_hz=low_hz,
        highest_hz=high_hz,
    )


def _extreme(frequency: NDArray[np.float64], error: NDArray[np.float64]) -> tuple[float, float]:
    """Frequency and value of the maximum, by a parabola through the samples around it."""
    top = int(np.argmax(error))
    if top in (0, len(error) - 1):
        return float(frequency[top]), float(error[top])
    left, middle, right = (float(error[top + k]) for k in (-1, 0, 1))
    curvature = left - 2.0 * middle + right
    if curvature >= 0:
        return float(frequency[top]), middle
    shift = 0.5 * (left - right) / curvature
    step = math.log(frequency[top + 1] / frequency[top])
    return float(frequency[top] * math.exp(shift * step)), middle - 0.25 * (left - right) * shift
