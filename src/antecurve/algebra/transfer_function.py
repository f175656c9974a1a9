"""A ratio of polynomials in s by its coefficients, for one network or for many builds at once."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from antecurve.algebra.zero_pole_gain import ZeroPoleGain
from antecurve.arrays import frequencies
from antecurve.errors import InputError

__all__ = [
    "TransferFunction",
    "magnitude_squared_coefficients",
    "polynomial_values",
    "squared_powers",
]

Floats = NDArray[np.float64]


def polynomial_values(polynomial: ArrayLike, s: ArrayLike) -> NDArray[np.complex128]:
    """Evaluate P(s).

    Parameters
    ----------
    polynomial : array_like of float, shape (..., n + 1)
        Coefficients of ascending powers of s; leading axes run over builds.
    s : array_like of complex, shape (points,)
        Complex frequencies [rad/s].

    Returns
    -------
    numpy.ndarray of complex, shape (..., points)
        The values.

    Examples
    --------
    >>> polynomial_values([1.0, 2.0], [3j])
    array([1.+6.j])
    """
    coefficients = np.asarray(polynomial)
    at = np.asarray(s, dtype=complex)
    powers = np.ascontiguousarray(at ** np.arange(coefficients.shape[-1])[:, None])
    if coefficients.dtype.kind not in "iuf":
        return np.asarray(coefficients @ powers)
    # Real and imaginary parts side by side: half the multiplications of complex ones.
    return np.asarray(coefficients @ powers.view(float)).view(complex)


def magnitude_squared_coefficients(polynomial: ArrayLike) -> Floats:
    """Compute the coefficients of abs(P(j w))**2 in powers of w**2.

    Parameters
    ----------
    polynomial : array_like, shape (..., n + 1)
        Real coefficients of P(s), ascending.

    Returns
    -------
    numpy.ndarray of float, shape (..., n + 1)
        Coefficients of ascending powers of w**2.

    Examples
    --------
    >>> magnitude_squared_coefficients([1.0, 2.0])  # abs(1 + 2jw)**2 = 1 + 4 w**2
    array([1., 4.])
    """
    p: Floats = np.asarray(polynomial, dtype=float)
    order = p.shape[-1] - 1
    squared: Floats = p * p
    for power in range(order + 1):
        for apart in range(1, min(power, order - power) + 1):
            product = p[..., power - apart] * p[..., power + apart]
            product *= -2.0 if apart % 2 else 2.0
            squared[..., power] += product
    return squared


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
class TransferFunction:
    """A ratio of polynomials in s by its coefficients.

    Attributes
    ----------
    numerator : numpy.ndarray of float, shape (..., m + 1)
        Coefficients of ascending powers of s; leading axes run over builds.
    denominator : numpy.ndarray of float, shape (..., n + 1)
        Likewise.
    """

    numerator: Floats
    denominator: Floats

    def value(self, s: ArrayLike) -> NDArray[np.complex128]:
        """Evaluate H(s).

        Parameters
        ----------
        s : array_like of complex, shape (points,)
            Complex frequencies [rad/s], none of them a pole.

        Returns
        -------
        numpy.ndarray of complex, shape (..., points)
            The values.
        """
        return np.asarray(
            polynomial_values(self.numerator, s) / polynomial_values(self.denominator, s)
        )

    def response(self, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """Evaluate H(j 2 pi f).

        Parameters
        ----------
        frequency_hz : array_like, shape (frequencies,)
            Frequencies [Hz].

        Returns
        -------
        numpy.ndarray of complex, shape (..., frequencies)
            The response.
        """
        frequency = np.atleast_1d(frequencies(frequency_hz, zero=True))
        if frequency.ndim > 1:
            raise InputError("frequency_hz", frequency_hz, "it must have one dimension")
        return self.value(2j * math.pi * frequency)

    def magnitude_squared(self) -> TransferFunction:
        """Compute abs(H(j w))**2 as a ratio of polynomials in w**2.

        Returns
        -------
        TransferFunction
            Coefficients of ascending powers of w**2, in place of powers of s.
        """
        return TransferFunction(
            magnitude_squared_coefficients(self.numerator),
            magnitude_squared_coefficients(self.denominator),
        )

    def zero_pole_gain(self, *, matched_at_hz: float) -> ZeroPoleGain[complex]:
        """Find zeros and poles of one function as time constants -1/s, with its gain.

        Parameters
        ----------
        matched_at_hz : float
            Frequency [Hz], greater than 0, at which both forms have the same value; away from
            it they differ by what the roots are off.

        Returns
        -------
        ZeroPoleGain
            Time constants [s], longest first; real for the poles of any RC network.
        """
        at_origin = int(np.argmax(self.numerator != 0))
        zeros = _root_time_constants(self.numerator[at_origin:])
        plain = ZeroPoleGain(zeros, _root_time_constants(self.denominator), at_origin)
        wanted = complex(self.response(matched_at_hz)[0])
        gain_constant = (wanted / complex(plain.response(matched_at_hz))).real
        return ZeroPoleGain(zeros, plain.poles_s, at_origin, 0, gain_constant)


def _root_time_constants(polynomial: Floats) -> tuple[complex, ...]:
    """Roots of the polynomial in -T = 1/s; scaled so that its ends have like size."""
    trimmed = np.trim_zeros(polynomial, "b")
    order = len(trimmed) - 1
    if order < 1:
        return ()
    scale = abs(trimmed[order] / trimmed[0]) ** (1.0 / order)
    scaled = trimmed / trimmed[0] / scale ** np.arange(order + 1)
    # P(s) = 0 with s = -1/(scale u)  <=>  sum_k scaled_k (-1)^k u^(order-k) = 0
    roots = np.roots(scaled * (-1.0) ** np.arange(order + 1)) * scale
    return tuple(sorted((complex(r) for r in roots), key=abs, reverse=True))
