"""Products of (1 + s T): the curve's numerator and denominator, and the roots of D - g N."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from antecurve.algebra.zero_pole_gain import ZeroPoleGain
from antecurve.curves.model import REFERENCE_FREQUENCY_HZ

__all__ = [
    "balance_roots",
    "bounded_growth",
    "gain_constant_for",
    "product",
    "roots_along",
]

_REFERENCE = 2.0 * math.pi * REFERENCE_FREQUENCY_HZ
_NEWTON_STEPS = 8
"""Each doubles the digits; a start from `numpy.roots` has eight."""
_REAL = 1e-7
"""Imaginary part, relative, below which a root counts as real: the square root of rounding, as
nearly double roots have it."""
_CANCELLED = 1e-11
"""A highest coefficient below this part of its terms is rounding."""


def product(time_constants: Sequence[Any], s: Any) -> Any:
    """Return the product of 1 + s T.

    Parameters
    ----------
    time_constants : sequence of scalar
        T [s]: floats, or elements of a symbolic field.
    s : scalar
        Real s [1/s].

    Returns
    -------
    scalar
        The product; 1 for no time constants.
    """
    return math.prod(1 + s * t for t in time_constants)


def gain_constant_for(
    gain: float, zeros: Sequence[float], zeros_at_origin: int, poles: Sequence[float]
) -> float:
    """Return g in H = g s^a N/D for a gain at 1 kHz.

    Parameters
    ----------
    gain : float
        Magnitude of H at 1 kHz.
    zeros, poles : sequence of float
        Time constants [s] of N and D.
    zeros_at_origin : int
        The power a.

    Returns
    -------
    float
        g; for a = 0 the gain at zero frequency.
    """
    top = math.prod(math.hypot(1.0, _REFERENCE * t) for t in poles)
    bottom = math.prod(math.hypot(1.0, _REFERENCE * t) for t in zeros)
    return gain * top / (bottom * _REFERENCE**zeros_at_origin)


def bounded_growth(slope: float) -> float:
    """Return the time constant of a pole that keeps the level at 1 kHz.

    Parameters
    ----------
    slope : float
        The factor k [s], 0 or greater.

    Returns
    -------
    float
        T = k sqrt(1 + (w T)^2) [s], w = 2 pi 1 kHz; infinite where there is none, w k >= 1.
    """
    remainder = 1.0 - (_REFERENCE * slope) ** 2
    return slope / math.sqrt(remainder) if remainder > 0.0 else math.inf


def balance_roots(
    curve: ZeroPoleGain[float], poles: Sequence[float], gain_constant: float
) -> tuple[float, ...]:
    """Return the time constants T > 0 at which D(-1/T) = g (-1/T)^a N(-1/T).

    Parameters
    ----------
    curve : ZeroPoleGain
        The curve; its zeros are N.
    poles : sequence of float
        Time constants [s] of D.
    gain_constant : float
        The constant g.

    Returns
    -------
    tuple of float
        Real roots [s], longest first, to floating-point precision.
    """
    times = [*curve.zeros_s, *poles]
    unit = math.exp(sum(math.log(t) for t in times) / len(times))
    top, bottom = _expanded(poles, unit), _expanded(curve.zeros_s, unit)
    if curve.zeros_at_origin:
        bottom = np.convolve(bottom, (1.0 / unit, 0.0))
    difference = np.polysub(top, gain_constant * bottom)
    if top.size == bottom.size and abs(difference[0]) <= _CANCELLED * top[0]:
        # The gain at high frequency is 1: what is left of the highest power is rounding, which
        # would spoil the other roots.
        difference = difference[1:]
    roots = np.roots(difference)
    starts = -unit / roots.real[_is_real_negative(roots)]
    polished = (_polished_root(curve, poles, gain_constant, float(t)) for t in starts)
    return tuple(sorted((t for t in polished if t > 0), reverse=True))


def roots_along(
    curve: ZeroPoleGain[float], poles: NDArray[Any], gain_constants: NDArray[Any]
) -> NDArray[Any]:
    """Return what `balance_roots` does for many sets of poles, to about 1e-8.

    Parameters
    ----------
    curve : ZeroPoleGain
        The curve; its zeros are N.
    poles : ndarray of float, shape (n, m)
        Time constants [s] of D for each set.
    gain_constants : ndarray of float, shape (n,)
        The constant g for each set.

    Returns
    -------
    ndarray of float, shape (n, degree)
        Real roots [s] of each set, longest first, then not a number.
    """
    unit = float(np.exp(np.mean(np.log([*curve.zeros_s, *np.median(poles, axis=0)]))))
    top = np.ones((len(poles), 1))
    for column in poles.T:
        longer = np.zeros((len(poles), top.shape[1] + 1))
        longer[:, :-1] = top * (column / unit)[:, np.newaxis]
        longer[:, 1:] += top
        top = longer
    bottom = _expanded(curve.zeros_s, unit)
    if curve.zeros_at_origin:
        bottom = np.convolve(bottom, (1.0 / unit, 0.0))
    top[:, top.shape[1] - bottom.size :] -= gain_constants[:, np.newaxis] * bottom
    degree = top.shape[1] - 1
    companions = np.zeros((len(poles), degree, degree))
    companions[:, range(1, degree), range(degree - 1)] = 1.0
    usable = np.abs(top[:, 0]) > 0.0
    companions[usable, 0, :] = -top[usable, 1:] / top[usable, :1]
    roots = np.linalg.eigvals(companions)
    real = _is_real_negative(roots) & usable[:, np.newaxis]
    times = np.full(roots.shape, np.nan)
    times[real] = -unit / roots.real[real]
    return np.asarray(-np.sort(-times, axis=1))


def _expanded(times: Sequence[float], unit: float) -> NDArray[Any]:
    """Coefficients of prod(1 + s T) in s unit, highest power first."""
    total: NDArray[Any] = np.ones(1)
    for time in times:
        total = np.convolve(total, (time / unit, 1.0))
    return total


def _is_real_negative(roots: NDArray[Any]) -> NDArray[Any]:
    return np.asarray((roots.real < 0) & (np.abs(roots.imag) <= _REAL * np.abs(roots)))


def _polished_root(
    curve: ZeroPoleGain[float], poles: Sequence[float], gain_constant: float, start: float
) -> float:
    """The root of D(-1/T) = g (-1/T)^a N(-1/T) next to a start, by Newton's method."""
    s = -1.0 / start
    for _ in range(_NEWTON_STEPS):
        top, top_slope = _value_and_slope(poles, s)
        bottom, bottom_slope = _value_and_slope(curve.zeros_s, s)
        if curve.zeros_at_origin:
            bottom, bottom_slope = s * bottom, bottom + s * bottom_slope
        slope = top_slope - gain_constant * bottom_slope
        if slope == 0.0:
            break
        step = (top - gain_constant * bottom) / slope
        s -= step
        if abs(step) <= 1e-16 * abs(s):
            break
    return -1.0 / s if s else math.inf


def _value_and_slope(times: Sequence[float], s: float) -> tuple[float, float]:
    value, slope = 1.0, 0.0
    for t in times:
        value, slope = value * (1.0 + s * t), slope * (1.0 + s * t) + value * t
    return value, slope
