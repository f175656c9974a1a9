"""The centred error: half of (max - min) of 20 log10(abs(H/E)) over a band, in dB.

The level of a network as a whole is no error.  `error_range` reports on one network, `CentredError`
evaluates many of any topology, both over the continuum of the band: what lies between samples is
told by a parabola through the three samples around each peak.  Between samples h apart in ln f it
misses by at most 0.0642 h**3 times the largest third derivative of the error.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from antecurve.algebra.transfer_function import TransferFunction, squared_powers
from antecurve.arrays import highest_peaks, log_frequencies
from antecurve.checked import checked
from antecurve.curves.model import (
    REFERENCE_FREQUENCY_HZ,
    Curve,
    response,
)
from antecurve.networks.compiled import transfer
from antecurve.networks.conditions import AnyNetwork, Conditions, conditions_of, network_of
from antecurve.networks.topology import Loading, Network
from antecurve.results import Result

__all__ = [
    "CentredError",
    "ErrorRange",
    "error_db",
    "error_range",
    "reference_gain",
    "sampled_half_range",
]

Floats = NDArray[np.float64]
Extreme = TypeVar("Extreme", float, Floats)

_STRIP = 256
"""Networks at a time: what is computed of them stays in the cache."""


def _half_range(highest: Extreme, lowest: Extreme) -> Extreme:
    """The centred error by the extremes of an error."""
    return 0.5 * (highest - lowest)


def sampled_half_range(error: Floats, *, axis: int = -1) -> Floats:
    """Compute the centred error of errors at samples, as they stand.

    Parameters
    ----------
    error : numpy.ndarray of float, shape (...)
        Errors [dB or Np], one axis over frequency.
    axis : int, optional
        That axis.

    Returns
    -------
    numpy.ndarray of float, shape (...)
        Half of (max - min) in the unit of the errors; the axis over frequency is gone.
    """
    return np.asarray(_half_range(error.max(axis=axis), error.min(axis=axis)))


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
        frequency = log_frequencies(band_hz)
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
            centred[part] = _half_range(highest_peaks(error).value, -highest_peaks(-error).value)
        return centred


@dataclass(frozen=True, slots=True)
class ErrorRange(Result):
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


@checked
def reference_gain(network: Network, *, loading: Loading) -> float:
    """Compute output level over EMF at 1 kHz.

    Parameters
    ----------
    network : Network
        The network.
    loading : Loading
        Source and load.

    Returns
    -------
    float
        abs(H) at 1 kHz.
    """
    return abs(complex(transfer(network, REFERENCE_FREQUENCY_HZ, loading=loading)[0]))


@checked
def error_db(
    network: Network,
    curve: Curve,
    frequency_hz: ArrayLike,
    *,
    loading: Loading,
    published: bool = False,
) -> NDArray[np.float64]:
    """Compute the error of a network in dB, 0 at 1 kHz.

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


@checked
def error_range(
    design: AnyNetwork,
    conditions: Conditions | None = None,
    *,
    published: bool = False,
) -> ErrorRange:
    """Find the range of the error of a network over a band.

    Parameters
    ----------
    design : HasNetwork or Network
        What is analysed: a design, or a network that comes with `conditions`.
    conditions : Conditions, optional
        Curve, generator, unit and band; those of the design by default.
    published : bool, optional
        Whether to compare with the published time constants alone.

    Returns
    -------
    ErrorRange
        Centred error, error at 1 kHz, rms.

    Raises
    ------
    InputError
        When the band is not finite, above 0 Hz and ascending.

    Notes
    -----
    Sampled at 240 points a decade; the extremes between points by a parabola through the three
    samples around each.
    """
    network = network_of(design)
    conditions = conditions_of(design, conditions)
    curve, band_hz, loading = conditions.curve, conditions.band_hz, conditions.loading
    frequency = log_frequencies(band_hz)
    error = error_db(network, curve, frequency, loading=loading, published=published)
    peaks = highest_peaks(np.stack([error, -error]))
    high, low = peaks.value.tolist()
    highest_hz, lowest_hz = (
        frequency[0] * (frequency[1] / frequency[0]) ** peaks.position
    ).tolist()
    weights = np.ones_like(error)
    weights[[0, -1]] = 0.5
    mean = float(np.average(error, weights=weights))
    rms = math.sqrt(float(np.average((error - mean) ** 2, weights=weights)))
    return ErrorRange(
        band_hz=(float(band_hz[0]), float(band_hz[1])),
        centred_db=_half_range(high, -low),
        at_1khz_db=max(abs(high), abs(low)),
        rms_db=rms,
        lowest_hz=lowest_hz,
        highest_hz=highest_hz,
    )
