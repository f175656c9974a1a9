"""The centred error of very many loadings, over the continuum of a band."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from antecurve.curves.model import Curve, response
from antecurve.networks.compiled import Coefficients, magnitude_squared_coefficients
from antecurve.networks.deviation import log_frequencies

__all__ = ["centred_errors"]

Floats = NDArray[np.float64]
_STRIP = 256  # rows at a time: what is computed of them stays in the cache


def centred_errors(
    coefficients: Coefficients, curve: Curve, *, band_hz: tuple[float, float]
) -> Floats:
    """Return the centred error of many transfer functions.

    Parameters
    ----------
    coefficients : Coefficients, shape (rows, powers)
        Transfer functions, ascending powers of s.
    curve : Curve
        The curve to be imposed, limits included.
    band_hz : tuple of float
        Low and high end [Hz].

    Returns
    -------
    numpy.ndarray of float, shape (rows,)
        Half of (max - min) of 20 log10(abs(H/E)) [dB].

    Raises
    ------
    InputError
        When the band is not above 0 Hz.

    Notes
    -----
    abs(H/E)**2 is a ratio of polynomials in w**2, a matrix product each, at 240 frequencies a
    decade; logarithms are taken only of the three samples around each extreme, through which a
    parabola gives what lies between them, as `antecurve.networks.deviation.error_range` does
    for a single network.
    """
    frequency = log_frequencies(*band_hz)
    squared = (2.0 * math.pi * frequency) ** 2
    weights = np.abs(response(curve, frequency)) ** -2.0
    top = magnitude_squared_coefficients(np.atleast_2d(coefficients.numerator))
    bottom = magnitude_squared_coefficients(np.atleast_2d(coefficients.denominator))
    above = weights * squared ** np.arange(top.shape[1])[:, None]
    below = squared ** np.arange(bottom.shape[1])[:, None]
    centred = np.empty(len(top))
    for first in range(0, len(top), _STRIP):
        part = slice(first, first + _STRIP)
        ratio = top[part] @ above
        ratio /= bottom[part] @ below
        high = _peak(ratio, ratio.argmax(axis=1), 1.0)
        low = _peak(ratio, ratio.argmin(axis=1), -1.0)
        centred[part] = 0.5 * (high + low)
    return centred


def _peak(ratio: Floats, place: NDArray[np.intp], sign: float) -> Floats:
    """Largest sign * 10 log10(ratio) of each row, by a parabola around the sample `place`."""
    rows, last = np.arange(len(ratio)), ratio.shape[1] - 1
    middle_place = np.clip(place, 1, max(last - 1, 1)) if last >= 2 else place
    around = [np.clip(middle_place + k, 0, last) for k in (-1, 0, 1)]
    left, middle, right = (sign * 10.0 * np.log10(ratio[rows, at]) for at in around)
    curvature = left - 2.0 * middle + right
    inside = (place == middle_place) & (curvature < 0)
    bend = np.where(inside, curvature, -1.0)
    top = middle - (left - right) ** 2 / (8.0 * bend)
    at_place = np.maximum(np.maximum(left, right), middle)
    return (
        np.where(inside, top, at_place) if last >= 2 else sign * 10.0 * np.log10(ratio[rows, place])
    )
