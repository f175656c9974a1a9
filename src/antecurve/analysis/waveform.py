"""What a square wave becomes: exact, by partial fractions, in periodic steady state.

A square wave of +-A and half period h, rising at time 0, through r/(s - p) is, for 0 <= t < h,

.. math:: y(t) = A r \\, \\frac{2 (e^{pt} - 1) - (e^{ph} - 1)}{p \\, (1 + e^{ph})}

and y(t + h) = -y(t); for p = 0 it is A r (t - h/2).  (The particular solution -A r/p plus the
multiple of exp(pt) that makes y(h) = -y(0).)  A rational function is the sum over its
poles, plus A times its value at infinite frequency.  A finite rise time makes the input a
trapezoid, which is the running mean of the square wave over the rise time; so is its response.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from antecurve.algebra.partial_fractions import PartialFractions
from antecurve.checked import checked
from antecurve.errors import InputError

__all__ = ["SquareWave", "drive", "response_to_square_wave", "slope"]

Floats = NDArray[np.float64]
Values = NDArray[np.float64] | NDArray[np.complex128]
_HAIR = 1e-15  # of the count of half periods: above the rounding of a double, 1.1e-16 (IEEE 754)


@checked
@dataclass(frozen=True, slots=True)
class SquareWave:
    """A symmetrical square wave of EMF, rising at time 0.

    Attributes
    ----------
    frequency_hz : float
        Repetition frequency [Hz], above 0.
    amplitude_v : float
        Amplitude of EMF [V]: it swings from -amplitude to +amplitude, above 0.
    rise_time_s : float
        Time of the straight edge from end to end [s], 0 or greater, at most half a period;
        from 10 % to 90 % it takes 0.8 of it.

    Raises
    ------
    InputError
        When a value is out of range.
    """

    frequency_hz: float
    amplitude_v: float = 1.0
    rise_time_s: float = 0.0

    def __post_init__(self) -> None:
        for name, value in (("frequency", self.frequency_hz), ("amplitude", self.amplitude_v)):
            if not (math.isfinite(value) and value > 0):
                raise InputError(name, value, "it must be finite and above 0")
        if not (0 <= self.rise_time_s <= self.half_period_s):
            raise InputError(
                "rise time",
                self.rise_time_s,
                f"it must lie between 0 and half a period, {self.half_period_s:g} s",
            )

    @property
    def half_period_s(self) -> float:
        """Half a period [s]."""
        return 0.5 / self.frequency_hz


def _expm1_over(p: complex, t: Floats) -> Values:
    """(exp(p t) - 1)/p, real where p is."""
    if p == 0:
        return t
    q = p.real if p.imag == 0 else p
    return np.asarray(np.expm1(q * t) / q)


def _second(p: complex, t: Floats) -> Values:
    """(exp(p t) - 1 - p t)/p**2, by its series where that loses digits."""
    q = p.real if p.imag == 0 else p
    y = q * t
    small = np.abs(y) < 0.5
    series = np.zeros_like(y)
    for k in range(16, 1, -1):
        series = (series + 1.0) * np.where(small, y, 0.0) / (k + 1.0)
    series = 0.5 * (1.0 + series)
    direct = (np.expm1(y) - y) / np.where(small, 1.0, y) ** 2
    return np.asarray(np.where(small, series, direct) * t * t)


def _mean_before(p: complex, t: Floats, width: Floats) -> Values:
    """Mean of (exp(p u) - 1)/p over t - width <= u <= t."""
    start = t - width
    safe = np.where(width > 0, width, 1.0)
    inside = np.where(width > 0, _second(p, width) / safe, 0.0)
    q = p.real if p.imag == 0 else p
    return np.asarray(_expm1_over(p, start) + np.exp(q * start) * inside)


def _kernel(p: complex, t: Floats, half: float, rise: float) -> Values:
    """Response of 1/(s - p) to a unit square wave or trapezoid, for 0 <= t < half."""
    whole = _expm1_over(p, np.array(half))
    divisor = 1.0 + np.exp(p.real * half if p.imag == 0 else p * half)
    if rise == 0:
        return np.asarray((2.0 * _expm1_over(p, t) - whole) / divisor)
    edge = t < rise
    flat = (2.0 * _mean_before(p, np.where(edge, rise, t), np.full_like(t, rise)) - whole) / divisor
    before = np.where(edge, rise - t, 0.0)
    after = np.where(edge, t, 0.0)
    mean_before = (2.0 * _mean_before(p, np.full_like(t, half), before) - whole) / divisor
    mean_after = (2.0 * _mean_before(p, after, after) - whole) / divisor
    ramp = (after * mean_after - before * mean_before) / rise
    return np.asarray(np.where(edge, ramp, flat))


def _fold(wave: SquareWave, time_s: ArrayLike) -> tuple[Floats, Floats]:
    """Time within the half period, and the sign of that half."""
    half = wave.half_period_s
    time = np.asarray(time_s, dtype=float)
    count = time / half
    # A sample that rounding puts a hair before an edge belongs to what follows the edge.
    count = np.floor(count + _HAIR * np.maximum(1.0, np.abs(count)))
    within = np.clip(time - count * half, 0.0, half)
    return within, 1.0 - 2.0 * np.mod(count, 2.0)


def drive(wave: SquareWave, time_s: ArrayLike) -> Floats:
    """Evaluate the square wave itself.

    Parameters
    ----------
    wave : SquareWave
        The wave.
    time_s : array_like, shape (...)
        Times [s]; at an edge without rise time the value after it.

    Returns
    -------
    numpy.ndarray of float, shape (...)
        EMF [V].
    """
    within, sign = _fold(wave, time_s)
    shape = np.ones_like(within)
    if wave.rise_time_s:
        shape = np.clip(2.0 * within / wave.rise_time_s - 1.0, -1.0, 1.0)
    return np.asarray(wave.amplitude_v * sign * shape)


def response_to_square_wave(
    fractions: PartialFractions, wave: SquareWave, time_s: ArrayLike
) -> Floats:
    """Work out what a square wave becomes, in periodic steady state.

    Parameters
    ----------
    fractions : PartialFractions
        Partial fractions of the function.
    wave : SquareWave
        The wave.
    time_s : array_like, shape (...)
        Times [s]; at an edge without rise time the value after it.

    Returns
    -------
    numpy.ndarray of float, shape (...)
        The trace [V times the unit of H].
    """
    within, sign = _fold(wave, time_s)
    total = np.zeros(within.shape)
    for pole, residue in zip(fractions.poles, fractions.residues, strict=True):
        p, r = complex(pole), complex(residue)
        part = _kernel(p, within, wave.half_period_s, wave.rise_time_s)
        if p.imag == 0 and r.imag == 0:
            total += r.real * part.real
        else:
            total += (r * part).real
    plain = fractions.direct * drive(wave, within) if fractions.direct else 0.0
    return np.asarray(sign * (wave.amplitude_v * total + plain))


def slope(fractions: PartialFractions, wave: SquareWave, time_s: ArrayLike) -> Floats:
    """Evaluate the slope of the trace.

    Parameters
    ----------
    fractions : PartialFractions
        Partial fractions of the function.
    wave : SquareWave
        The wave.
    time_s : array_like, shape (...)
        Times [s].

    Returns
    -------
    numpy.ndarray of float, shape (...)
        Slope [V/s]; at an edge without rise time the value after it, the jump left out.

    Notes
    -----
    The slope of a running mean over the rise time is the difference of its ends divided by the
    rise time.  Without rise time each mode has the slope 2 A r exp(p t)/(1 + exp(p h)).
    """
    if wave.rise_time_s:
        sharp = SquareWave(wave.frequency_hz, wave.amplitude_v)
        time = np.asarray(time_s, dtype=float)
        now = response_to_square_wave(fractions, sharp, time)
        then = response_to_square_wave(fractions, sharp, time - wave.rise_time_s)
        return np.asarray((now - then) / wave.rise_time_s)
    within, sign = _fold(wave, time_s)
    total = np.zeros(within.shape)
    for pole, residue in zip(fractions.poles, fractions.residues, strict=True):
        term = residue * np.exp(pole * within) / (1.0 + np.exp(pole * wave.half_period_s))
        total += term.real
    return np.asarray(2.0 * wave.amplitude_v * sign * total)
