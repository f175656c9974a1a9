"""Where a rational function with real poles and zeros is 1: the roots of D(s) = k s^a N(s)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from antecurve.algebra.zero_pole_gain import ZeroPoleGain, product_coefficients

__all__ = ["unity_roots", "unity_roots_along"]

_NEWTON_STEPS = 8
"""Each doubles the digits; a start from `numpy.roots` has eight."""
_REAL = 1e-7
"""Imaginary part, relative, below which a root counts as real: the square root of rounding, as
nearly double roots have it."""
_CANCELLED = 1e-11
"""A highest coefficient below this part of its terms is rounding."""
_ROUNDING = 1e-16
"""Relative step below which a double does not change."""

Floats = NDArray[np.float64]


def unity_roots(function: ZeroPoleGain[float]) -> tuple[float, ...]:
    """Find the time constants T > 0 at which H(-1/T) = 1.

    Parameters
    ----------
    function : ZeroPoleGain
        Real zeros and poles, none of the poles at the origin.

    Returns
    -------
    tuple of float
        Real roots [s], longest first, to floating-point precision.
    """
    times = [*function.zeros_s, *function.poles_s]
    unit = math.exp(sum(math.log(t) for t in times) / len(times))
    top, bottom = _expanded(function.poles_s, unit), _numerator(function, unit)
    difference = np.zeros(max(top.size, bottom.size))
    difference[-top.size :] = top
    difference[-bottom.size :] -= function.gain_constant * bottom
    if top.size == bottom.size and abs(difference[0]) <= _CANCELLED * top[0]:
        # The gain at high frequency is 1: the highest power is rounding, which would spoil the
        # other roots.
        difference = difference[1:]
    roots = _polynomial_roots(difference[np.newaxis])[0]
    starts = -unit / roots.real[_is_real_negative(roots)]
    polished = (_polished_root(function, float(t)) for t in starts)
    return tuple(sorted((t for t in polished if t > 0), reverse=True))


def unity_roots_along(
    function: ZeroPoleGain[float], *, poles_s: Floats, gain_constants: Floats
) -> Floats:
    """Find `unity_roots` for many sets of poles, to about 1e-8.

    Parameters
    ----------
    function : ZeroPoleGain
        Its zeros count; poles and gain constant are given by the set.
    poles_s : numpy.ndarray of float, shape (sets, poles)
        Time constants [s] of D for each set.
    gain_constants : numpy.ndarray of float, shape (sets,)
        The constant k for each set.

    Returns
    -------
    numpy.ndarray of float, shape (sets, degree)
        Real roots [s] of each set, longest first, then not a number.
    """
    sets = len(poles_s)
    unit = float(np.exp(np.mean(np.log([*function.zeros_s, *np.median(poles_s, axis=0)]))))
    top = np.ones((sets, 1))
    for column in poles_s.T:
        longer = np.zeros((sets, top.shape[1] + 1))
        longer[:, :-1] = top * (column / unit)[:, np.newaxis]
        longer[:, 1:] += top
        top = longer
    bottom = _numerator(function, unit)
    top[:, top.shape[1] - bottom.size :] -= gain_constants[:, np.newaxis] * bottom
    roots = _polynomial_roots(top)
    real = _is_real_negative(roots)
    times = np.full(roots.shape, np.nan)
    times[real] = -unit / roots.real[real]
    return np.asarray(-np.sort(-times, axis=1))


def _polynomial_roots(coefficients: Floats) -> NDArray[Any]:
    """Roots of polynomials, highest power first, one a row; 0 where the highest is missing.

    Eigenvalues of the companion matrices, as `numpy.roots` has them for one polynomial.
    """
    sets, degree = len(coefficients), coefficients.shape[1] - 1
    if degree < 1:
        return np.zeros((sets, 0))
    companions = np.zeros((sets, degree, degree))
    companions[:, 1:, :-1] = np.eye(degree - 1)
    highest = coefficients[:, :1]
    usable = highest != 0.0
    np.divide(-coefficients[:, 1:], highest, out=companions[:, 0], where=usable)
    return np.asarray(np.linalg.eigvals(companions) * usable)


def _expanded(times: Sequence[float], unit: float) -> Floats:
    """Coefficients of prod(1 + s T) in s unit, highest power first."""
    return np.array(product_coefficients([t / unit for t in times])[::-1], dtype=float)


def _numerator(function: ZeroPoleGain[float], unit: float) -> Floats:
    """Coefficients of s^a N(s), highest power of s unit first."""
    at_origin = function.power_at_origin
    expanded = _expanded(function.zeros_s, unit)
    if not at_origin:
        return expanded
    return np.append(expanded, np.zeros(at_origin)) * (1.0 / unit) ** at_origin


def _is_real_negative(roots: NDArray[Any]) -> NDArray[np.bool_]:
    return np.asarray((roots.real < 0) & (np.abs(roots.imag) <= _REAL * np.abs(roots)))


def _polished_root(function: ZeroPoleGain[float], start: float) -> float:
    """The root of D(-1/T) = k (-1/T)^a N(-1/T) next to a start, by Newton's method."""
    s = -1.0 / start
    for _ in range(_NEWTON_STEPS):
        top, top_slope = _value_and_slope(function.poles_s, s)
        bottom, bottom_slope = _value_and_slope(function.zeros_s, s)
        for _ in range(function.power_at_origin):
            bottom, bottom_slope = s * bottom, bottom + s * bottom_slope
        slope = top_slope - function.gain_constant * bottom_slope
        if slope == 0.0:
            break
        step = (top - function.gain_constant * bottom) / slope
        s -= step
        if abs(step) <= _ROUNDING * abs(s):
            break
    return -1.0 / s if s else math.inf


def _value_and_slope(times: Sequence[float], s: float) -> tuple[float, float]:
    """prod(1 + s T) and its derivative by s."""
    value, slope = 1.0, 0.0
    for t in times:
        value, slope = value * (1.0 + s * t), slope * (1.0 + s * t) + value * t
    return value, slope
