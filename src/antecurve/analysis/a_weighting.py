"""Frequency weighting A of IEC 61672-1."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from antecurve.errors import InputError

__all__ = ["a_weighting"]


def a_weighting(frequency_hz: ArrayLike) -> NDArray[np.float64]:
    """Work out frequency weighting A.

    .. math:: A(f) = 20 \\lg \\frac{f_4^2 f^4}{(f^2 + f_1^2) \\sqrt{f^2 + f_2^2}
              \\sqrt{f^2 + f_3^2} \\, (f^2 + f_4^2)} - A_{1000}

    Parameters
    ----------
    frequency_hz : array_like, shape (...)
        Frequencies [Hz], greater than 0.

    Returns
    -------
    numpy.ndarray of float, shape (...)
        Weighting [dB], 0 at 1 kHz.

    Raises
    ------
    InputError
        When a frequency is not finite and greater than 0.

    Notes
    -----
    The pole frequencies follow from the definition in annex E of IEC 61672-1:2013 (f_r = 1 kHz,
    f_L = 10**1.5 Hz, f_H = 10**3.9 Hz, f_A = 10**2.45 Hz, D**2 = 1/2), not from the rounded
    20.60, 107.7, 737.9 and 12194 Hz.

    Examples
    --------
    >>> a_weighting([100.0, 1000.0, 10000.0]).round(1).tolist()
    [-19.1, 0.0, -2.5]
    """
    frequency = np.asarray(frequency_hz, dtype=float)
    if not np.all(np.isfinite(frequency) & (frequency > 0)):
        raise InputError("frequency", frequency_hz, "it must be finite and above 0 Hz")
    return np.asarray(_level(frequency) - _level(np.array(1000.0)))


def _level(frequency: NDArray[np.float64]) -> NDArray[np.float64]:
    f1, f2, f3, f4 = _poles()
    f = frequency
    amplitude = f4**2 * f**4 / ((f**2 + f1**2) * (f**2 + f4**2))
    return np.asarray(20.0 * np.log10(amplitude / np.sqrt((f**2 + f2**2) * (f**2 + f3**2))))


def _poles() -> tuple[float, float, float, float]:
    """Pole frequencies [Hz] by the equations of annex E."""
    reference, low, high, corner = 1e6, 1e3, 10.0**7.8, 10.0**2.45
    d = math.sqrt(0.5)
    b = (reference + low * high / reference - d * (low + high)) / (1.0 - d)
    c = low * high
    f1 = math.sqrt((-b - math.sqrt(b * b - 4.0 * c)) / 2.0)
    f4 = math.sqrt((-b + math.sqrt(b * b - 4.0 * c)) / 2.0)
    f2 = (3.0 - math.sqrt(5.0)) / 2.0 * corner
    f3 = (3.0 + math.sqrt(5.0)) / 2.0 * corner
    return f1, f2, f3, f4
