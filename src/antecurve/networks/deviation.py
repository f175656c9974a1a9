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

from antecurve.checked import checked
from antecurve.curves.model import REFERENCE_FREQUENCY_HZ, Curve, response
from antecurve.networks.centred_error import highest_peaks, log_frequencies
from antecurve.networks.compiled import transfer
from antecurve.networks.conditions import AnyNetwork, Conditions, conditions_of, network_of
from antecurve.networks.topology import Loading, Network
from antecurve.results import Result

__all__ = ["ErrorRange", "error_db", "error_range", "reference_gain"]


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
    samples around each, see `antecurve.networks.centred_error`.
    """
    network = network_of(design)
    conditions = conditions_of(design, conditions)
    curve, band_hz, loading = conditions.curve, conditions.band_hz, conditions.loading
    frequency = log_frequencies(*band_hz)
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
        centred_db=(high + low) / 2.0,
        at_1khz_db=max(abs(high), abs(low)),
        rms_db=rms,
        lowest_hz=lowest_hz,
        highest_hz=highest_hz,
    )
