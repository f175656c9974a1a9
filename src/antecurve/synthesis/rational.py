"""Products of (1 + s T): the curve's numerator and denominator, and the roots of D - g N."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from antecurve.curves.model import REFERENCE_FREQUENCY_HZ, Factors
from antecurve.quantities import format_quantity

__all__ = [
    "Violation",
    "balance_roots",
    "counted",
    "level_constant",
    "load_pole_violation",
    "polished_root",
    "product",
    "settled",
    "unsettled",
]

_REFERENCE = 2.0 * math.pi * REFERENCE_FREQUENCY_HZ
_NEWTON_STEPS = 8


@dataclass(frozen=True, slots=True)
class Violation:
    """A condition that a curve, a level or a loading does not meet.

    Attributes
    ----------
    condition : str
        The inequality with its numbers, and that it does not hold.
    structural : bool
        Whether no level and no pole can help.
    """

    condition: str
    structural: bool = False


def counted(number: int, what: str) -> str:
    """Return a number of things in words.

    Parameters
    ----------
    number : int
        How many.
    what : str
        One of them.

    Returns
    -------
    str
        Such as ``1 pole`` or ``2 poles``.
    """
    return f"{number} {what}{'' if number == 1 else 's'}"


def product(time_constants: Sequence[float], s: float) -> float:
    """Return the product of 1 + s T.

    Parameters
    ----------
    time_constants : sequence of float
        T [s].
    s : float
        Real s [1/s].

    Returns
    -------
    float
        The product; 1 for no time constants.
    """
    return math.prod(1.0 + s * t for t in time_constants)


def level_constant(
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


def load_pole_violation(found: Factors, gain: float, load_pole: float) -> Violation | None:
    """Say that the pole of the load's capacitance does not lie above the curve's own poles.

    Parameters
    ----------
    found : Factors
        The curve.
    gain : float
        Magnitude of H at 1 kHz.
    load_pole : float
        T5 [s], as it came out.

    Returns
    -------
    Violation or None
        The condition, or ``None`` when it holds.
    """
    shortest = found.poles_s[-1]
    if 0.0 < load_pole <= shortest:
        return None
    outcome = "the load's capacitance leaves no such network"
    if load_pole > 0.0:
        outcome = f"T5 = {format_quantity(load_pole, 's')}"
    return Violation(
        "the pole that the load's capacitance adds must lie above the curve's highest pole, "
        f"0 < T5 <= {format_quantity(shortest, 's')}, but {outcome} "
        f"at {20.0 * math.log10(gain):.2f} dB at 1 kHz: the level is too high, or the load's "
        "capacitance too large for the resistor across the output"
    )


def settled(now: Sequence[float], last: Sequence[float], tolerance: float) -> bool:
    """Return whether an iteration has come to rest.

    Parameters
    ----------
    now, last : sequence of float
        The unknowns after a round and before it.
    tolerance : float
        Largest relative change.

    Returns
    -------
    bool
        Whether each has changed by no more.
    """
    return len(now) == len(last) and all(
        abs(a - b) <= tolerance * abs(a) for a, b in zip(now, last, strict=True)
    )


def unsettled(gain: float) -> Violation:
    """Say that the equations for a level have no solution.

    Parameters
    ----------
    gain : float
        Magnitude of H at 1 kHz.

    Returns
    -------
    Violation
        The condition.
    """
    return Violation(
        "the level must be low enough for its equations to have a solution with positive "
        f"elements, but there is none at {20.0 * math.log10(gain):.2f} dB at 1 kHz"
    )


def balance_roots(found: Factors, poles: Sequence[float], level: float) -> tuple[float, ...]:
    """Return the time constants T > 0 at which D(-1/T) = g (-1/T)^a N(-1/T).

    Parameters
    ----------
    found : Factors
        The curve; its zeros are N.
    poles : sequence of float
        Time constants [s] of D.
    level : float
        The constant g.

    Returns
    -------
    tuple of float
        Real roots [s], longest first, to floating-point precision.
    """
    times = [*found.zeros_s, *poles]
    unit = math.exp(sum(math.log(t) for t in times) / len(times))
    top: NDArray[Any] = np.ones(1)
    bottom: NDArray[Any] = np.ones(1)
    for pole in poles:
        top = np.polymul(top, [pole / unit, 1.0])
    for zero in found.zeros_s:
        bottom = np.polymul(bottom, [zero / unit, 1.0])
    for _ in range(found.zeros_at_origin):
        bottom = np.polymul(bottom, [1.0 / unit, 0.0])
    roots = np.roots(np.polysub(top, level * bottom))
    real = [r.real for r in roots if r.real < 0 and abs(r.imag) <= 1e-7 * abs(r)]
    polished = (polished_root(found, poles, level, float(-unit / r)) for r in real)
    return tuple(sorted((t for t in polished if t > 0), reverse=True))


def polished_root(found: Factors, poles: Sequence[float], level: float, start: float) -> float:
    """Return the root of D(-1/T) = g (-1/T)^a N(-1/T) next to a start, by Newton's method.

    Parameters
    ----------
    found : Factors
        The curve; its zeros are N.
    poles : sequence of float
        Time constants [s] of D.
    level : float
        The constant g.
    start : float
        A time constant [s] close by.

    Returns
    -------
    float
        The root T [s].
    """
    s = -1.0 / start
    for _ in range(_NEWTON_STEPS):
        top, top_slope = _value_and_slope(poles, s)
        bottom, bottom_slope = _value_and_slope(found.zeros_s, s)
        if found.zeros_at_origin:
            bottom, bottom_slope = s * bottom, bottom + s * bottom_slope
        slope = top_slope - level * bottom_slope
        if slope == 0.0:
            break
        step = (top - level * bottom) / slope
        s -= step
        if abs(step) <= 1e-16 * abs(s):
            break
    return -1.0 / s if s else math.inf


def _value_and_slope(times: Sequence[float], s: float) -> tuple[float, float]:
    value, slope = 1.0, 0.0
    for t in times:
        value, slope = value * (1.0 + s * t), slope * (1.0 + s * t) + value * t
    return value, slope
