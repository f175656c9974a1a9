"""A square wave laid over a record's harmonics: delay, gain and duty to start a fit from."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.harmonics import HarmonicModel

__all__ = ["AlignedSquare", "aligned_square"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

_DUTY_ORDERS = 6  # even harmonics that grow with the duty's error up to 3 %
_START_DUTY = (-0.05, 0.05)  # error of the duty to start from
_LONGEST_ORDER = 512  # the delays below resolve eight points of a period of this harmonic
_DELAYS = 4096  # of a period tried for the start


@dataclass(frozen=True, slots=True)
class AlignedSquare:
    """How a square wave lies over a record.

    Attributes
    ----------
    gain : float
        Factor of the model's amplitudes, above 0.
    delay : float
        Delay of the rising edge, as a share of the period.
    duty_error : float
        Error of the duty.
    missed : float
        Share of the record's power that it misses.
    """

    gain: float
    delay: float
    duty_error: float
    missed: float


def aligned_square(orders: Floats, amplitudes: Complex, model: HarmonicModel) -> AlignedSquare:
    """Find delay by correlation over a period, gain by projection, duty by even harmonics.

    Parameters
    ----------
    orders : numpy.ndarray of float, shape (harmonics,)
        Orders of the harmonics.
    amplitudes : numpy.ndarray of complex, shape (harmonics,)
        Amplitudes of the record [V].
    model : HarmonicModel
        Amplitudes of a square wave of duty 0.5 without delay [V].

    Returns
    -------
    AlignedSquare
        By the harmonics below order 512.
    """
    low = orders < _LONGEST_ORDER
    orders, data, value = orders[low], amplitudes[low], model.value[low]
    spectrum = np.zeros(_DELAYS, dtype=complex)
    spectrum[orders.astype(int)] = data * np.conj(value)
    correlation = np.fft.ifft(spectrum).real * _DELAYS
    at = int(np.argmax(correlation))
    power, total = (float(np.sum(np.abs(x) ** 2)) for x in (value, data))
    gain = max(float(correlation[at]), 1e-12 * total) / power
    even = (orders % 2 == 0) & (orders <= _DUTY_ORDERS)
    slope = gain * model.by_duty[low][even]
    turned = data[even] * np.exp(2j * math.pi * orders[even] * at / _DELAYS)
    error = np.vdot(slope, turned).real / (np.vdot(slope, slope).real + 1e-300)
    duty = float(np.clip(error, *_START_DUTY))
    missed = 1.0 - float(correlation[at]) ** 2 / (power * total)
    return AlignedSquare(gain, at / _DELAYS - duty / 2.0, duty, missed)
