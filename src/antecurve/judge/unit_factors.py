"""The factors of a playback unit's response, with their exact derivatives.

Each returns ln of the factor at s and one derivative for each coordinate that moves it.

These are not `antecurve.algebra.zero_pole_gain.ZeroPoleGain`, which holds one function by its time
constants.  A fit moves many units at once in coordinates of which 0, no corner at all, is an
ordinary value, and needs slopes there, where those of a time constant are infinite or 0.  What is
less than a corner's delay would be lost to rounding between two phases; log1p keeps it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "RATE_UNIT",
    "SHARPEST_PAIR",
    "TIME_UNIT",
    "high_factor",
    "low_factor",
    "polynomial_of_squares",
    "simple_factor",
]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]
Factor = tuple[Complex, list[Complex]]

RATE_UNIT = 2.0 * math.pi
"""Unit of a rate parameter [1/s]: a corner of 1 Hz."""
TIME_UNIT = 1e-6
"""Unit of a time parameter [s]."""
_LARGEST_Q = 10.0  # of a top, beyond any that does not oscillate
SHARPEST_PAIR = 2.0 - 1.0 / _LARGEST_Q**2
"""A + SHARPEST_PAIR sqrt(B) is 0 or above: a Q of 10 at most."""
_LEAST_TIME_US = 0.01  # 16 MHz: far beyond what any record of an audio unit shows


def simple_factor(role: str, x: Floats, s: Complex, *, slopes: bool = True) -> Factor:
    """Evaluate a factor of one constant.

    Parameters
    ----------
    role : str
        ``pole``, ``zero`` by the logarithm of a time constant; ``shelf`` by its rate; ``lead``
        and ``lift`` are zeros less their delay, by the square of a time constant.
    x : numpy.ndarray of float, shape (..., 1)
        The coordinate.
    s : numpy.ndarray of complex, shape (frequencies,)
        j 2 pi f [1/s].
    slopes : bool, optional
        Whether the derivative is wanted.

    Returns
    -------
    tuple of numpy.ndarray of complex and list of numpy.ndarray of complex
        Value and derivative, shape (..., frequencies) each.
    """
    if role == "shelf":
        shifted = s + x * RATE_UNIT
        return -np.log(shifted), [-RATE_UNIT / shifted] if slopes else []
    # 1 + j turn: s is imaginary, and real functions take a fifth of the time of complex ones.
    turn = s.imag * (np.exp(x) if role in ("pole", "zero") else np.sqrt(x) * TIME_UNIT)
    square = turn**2
    level, phase = 0.5 * np.log1p(square), np.arctan(turn)
    if role in ("pole", "zero"):
        sign = -1.0 if role == "pole" else 1.0
        value = _complex(sign * level, sign * phase)
        return value, [_complex(square, turn) * (sign / (1.0 + square))] if slopes else []
    value = _complex(level, phase - turn)
    if not slopes:
        return value, []
    return value, [_complex(1.0, -turn) * (0.5 * (s.imag * TIME_UNIT) ** 2 / (1.0 + square))]


def _complex(real: Floats | float, imaginary: Floats) -> Complex:
    value = np.empty(imaginary.shape, dtype=complex)
    value.real, value.imag = real, imaginary
    return value


def low_factor(
    coefficients: Sequence[Floats], s: Complex, *, level_only: bool, slopes: bool = True
) -> Factor:
    """Evaluate a low end, 1/(1 + a/s + b/s^2 + c/s^3).

    Parameters
    ----------
    coefficients : sequence of numpy.ndarray of float, shape (..., 1)
        a, b, c over powers of 1 Hz; on levels alone those of the squared magnitude.
    s : numpy.ndarray of complex, shape (frequencies,)
        j 2 pi f [1/s].
    level_only : bool
        Whether there is no phase.
    slopes : bool, optional
        Whether the derivatives are wanted.

    Returns
    -------
    tuple of numpy.ndarray of complex and list of numpy.ndarray of complex
        Value and derivatives.
    """
    power = np.asarray((RATE_UNIT / np.abs(s)) ** 2 + 0j if level_only else RATE_UNIT / s)
    return _polynomial_factor(coefficients, power, -0.5 if level_only else -1.0, slopes)


def high_factor(
    coefficients: Sequence[Floats], s: Complex, *, level_only: bool, slopes: bool = True
) -> Factor:
    """Evaluate a top less its delay, exp(b s)/(1 + b s + c s^2), by A = b^2 - 2 c and B = c^2.

    Parameters
    ----------
    coefficients : sequence of numpy.ndarray of float, shape (..., 1)
        A and B over powers of 1 us.
    s : numpy.ndarray of complex, shape (frequencies,)
        j 2 pi f [1/s].
    level_only : bool
        Whether there is no phase.
    slopes : bool, optional
        Whether the derivatives are wanted.

    Returns
    -------
    tuple of numpy.ndarray of complex and list of numpy.ndarray of complex
        Value and derivatives.
    """
    st = s * TIME_UNIT
    if level_only:
        return _polynomial_factor(coefficients, np.abs(st) ** 2 + 0j, -0.5, slopes)
    first, second = polynomial_of_squares(coefficients[0], coefficients[1])
    square = st * st
    size = first * st + second * square
    value = np.asarray(first * st - np.log1p(size), dtype=complex)
    if not slopes:
        return value, []
    share = square / (2.0 * (1.0 + size))
    return value, [share * (1.0 + second / first * st), share * st / first]


def polynomial_of_squares(first: Floats, second: Floats) -> tuple[Floats, Floats]:
    """Find b and c of 1 + b x + c x^2 from A = b^2 - 2 c and B = c^2.

    Parameters
    ----------
    first, second : numpy.ndarray of float, shape (...)
        A and B over powers of 1 us.

    Returns
    -------
    tuple of numpy.ndarray of float, shape (...)
        b and c, with a Q of 10 at most.
    """
    square = np.sqrt(np.maximum(second, 0.0))
    least = square / _LARGEST_Q**2 + _LEAST_TIME_US**2
    return np.sqrt(np.maximum(first + 2.0 * square, least)), square


def _polynomial_factor(
    coefficients: Sequence[Floats], power: Complex, share: float, slopes: bool
) -> Factor:
    terms = [power]
    while len(terms) < len(coefficients):
        terms.append(terms[-1] * power)
    size = sum(c * term for c, term in zip(coefficients, terms, strict=True))
    value = np.asarray(share * np.log1p(size), dtype=complex)
    if not slopes:
        return value, []
    below = share / (1.0 + size)
    return value, [term * below for term in terms]
