"""Bracketing: zeros of a function of one unknown, and where a condition begins to hold."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from antecurve.algebra.bracketed_root import bracketed_root
from antecurve.algebra.zero_pole_gain import ZeroPoleGain

__all__ = [
    "DECADES_BELOW",
    "IMPLIED_RANGE_S",
    "boundary",
    "bracketing_grid",
    "crossings",
    "secant_root",
    "with_dips",
    "with_edges",
]

IMPLIED_RANGE_S = (1e-12, 1e2)
"""Time constants [s] among which the pole of a curve without ultrasonic pole is looked for."""

DECADES_BELOW = 9
"""How far below the load's own time constant its pole is looked for."""

_POINTS_PER_DECADE = 12
"""Two zeros of one function are seldom closer than a fifth of a decade."""
_CLOSELY_PER_DECADE = 96
"""Eight times as many, where no zero was seen."""
_CLOSE = np.concatenate([1.0 - np.geomspace(1e-6, 3e-2, 6), 1.0 + np.geomspace(1e-6, 3e-2, 6)])
"""Factors to look at beside each time constant of the curve, where functions change fastest."""
_EDGE_STEPS = 60
"""Halvings: a decade down to the last place of a double."""
_EDGE_LEAST = 8
"""Halvings before the approach to an edge may end early."""
_STEEPER = 4.0
"""How many times as steep as across points a function may be between them: where it touches 0 as
a line, a parabola or a square root does, 1.4 times tells."""
_EXTREME_STEPS = 30
"""Evaluations for an extreme: it only has to show on which side of 0 it is."""
_JUMP = 1e-6
"""Largest value that counts as a zero: beyond it the sign changes by a jump."""
_FAR = 1e9
"""Stands for a value that is not defined; the functions are of order 1."""
_SECANTS = 12
"""Steps towards a zero close by: each multiplies the correct digits by 1.6."""
_SECANT_STEP = 1e-6
"""Of the unknown, for the first secant: far above rounding, far below any curvature."""
_LAST_PLACES = 8
"""How many times the last place of a double a zero may be off."""
_EPSILON = float(np.finfo(float).eps)


class _UndefinedError(ValueError):
    """A function is not defined where it was evaluated."""


def boundary(works: Callable[[float], bool], *, fails: float, holds: float, halvings: int) -> float:
    """Find where a condition begins to hold, by bisection of the logarithm.

    Parameters
    ----------
    works : callable
        The condition.
    fails, holds : float
        A value at which it fails and one at which it holds, both above 0.
    halvings : int
        Number of steps; each halves the ratio's logarithm.

    Returns
    -------
    float
        The last value at which it holds.
    """
    for _ in range(halvings):
        middle = math.sqrt(fails * holds)
        if works(middle):
            holds = middle
        else:
            fails = middle
    return holds


def bracketing_grid(
    curve: ZeroPoleGain[float], *, low: float, high: float, closely: bool = False
) -> NDArray[Any]:
    """Space time constants evenly in the logarithm, and closer around the curve's own.

    Parameters
    ----------
    curve : ZeroPoleGain
        The curve.
    low, high : float
        Ends of the range [s], both included.
    closely : bool, optional
        Whether to look at more of them.

    Returns
    -------
    ndarray of float
        Time constants [s], ascending.
    """
    density = _CLOSELY_PER_DECADE if closely else _POINTS_PER_DECADE
    count = math.ceil(density * math.log10(high / low)) + 1
    close = np.outer([*curve.zeros_s, *curve.poles_s], _CLOSE).ravel()
    close = close[(close > low) & (close < high)]
    return np.asarray(np.unique(np.concatenate([np.geomspace(low, high, count), close])))


def with_edges(
    points: Sequence[float] | NDArray[Any],
    values: Sequence[float] | NDArray[Any],
    at: Callable[[float], float],
) -> tuple[list[float], list[float]]:
    """Add to a function's values those at the edges of where it is defined.

    Parameters
    ----------
    points : sequence of float, shape (n,)
        Where it was looked at, above 0 and ascending.
    values : sequence of float, shape (n,)
        Its values, not a number where it is not defined.
    at : callable
        The function.

    Returns
    -------
    points, values : list of float
        With the last point where the function is defined between two of them.
    """
    abscissae, ordinates = [float(points[0])], [float(values[0])]
    for k in range(1, len(points)):
        before, after = math.isfinite(values[k - 1]), math.isfinite(values[k])
        if before != after:
            inner, outer = (k - 1, k) if before else (k, k - 1)
            edge, value = _edge(float(points[inner]), float(points[outer]), values[inner], at)
            if edge != float(points[inner]):
                abscissae.append(edge)
                ordinates.append(value)
        abscissae.append(float(points[k]))
        ordinates.append(float(values[k]))
    return abscissae, ordinates


def _edge(
    good: float, bad: float, value: float, at: Callable[[float], float]
) -> tuple[float, float]:
    """The last point towards `bad` where the function is defined, or has changed its sign."""
    for step in range(_EDGE_STEPS):
        middle = math.sqrt(good * bad)
        there = at(middle)
        if not math.isfinite(there):
            bad = middle
            continue
        good, value, last = middle, float(there), value
        if (value > 0) != (last > 0) or (
            step > _EDGE_LEAST and abs(value - last) < abs(value) / 99
        ):
            break
    return good, value


def with_dips(
    points: Sequence[float] | NDArray[Any],
    values: Sequence[float] | NDArray[Any],
    at: Callable[[float], float],
) -> tuple[list[float], list[float]]:
    """Add to a function's values those where it comes nearest to 0 without a change of sign.

    Parameters
    ----------
    points : sequence of float, shape (n,)
        Where it was looked at, above 0 and ascending.
    values : sequence of float, shape (n,)
        Its values, not a number where it is not defined.
    at : callable
        The function.

    Returns
    -------
    points, values : list of float
        With the extreme point between each three of which the middle one is nearest to 0, unless
        it is too far from 0 for what lies between.
    """
    samples = {float(x): float(v) for x, v in zip(points, values, strict=True)}
    for k in range(1, len(points) - 1):
        three = [float(v) for v in values[k - 1 : k + 2]]
        same = all(v > 0 for v in three) or all(v < 0 for v in three)
        if same and _may_touch(points[k - 1 : k + 2], three):
            dip = _dip(float(points[k - 1]), float(points[k + 1]), at)
            if dip is not None:
                samples[dip] = at(dip)
        # Between the last two points before an edge.
        for inner, outer in ((k - 1, k + 1), (k + 1, k - 1)):
            if math.isfinite(three[inner - k + 1]) and not math.isfinite(three[outer - k + 1]):
                low, high = sorted((float(points[inner]), float(points[k])))
                dip = _dip(low, high, at)
                if dip is not None:
                    samples[dip] = at(dip)
    abscissae = sorted(samples)
    return abscissae, [samples[x] for x in abscissae]


def _may_touch(points: Sequence[float] | NDArray[Any], values: Sequence[float]) -> bool:
    """Whether the middle of three values is nearest to 0, and near enough for a touch beside it."""
    before, middle, after = (abs(value) for value in values)
    if middle >= min(before, after):
        return False
    left, right = (math.log(points[k + 1] / points[k]) for k in range(2))
    steepest = max((before - middle) / left, (after - middle) / right)
    return middle <= _STEEPER * steepest * max(left, right)


def _dip(low: float, high: float, at: Callable[[float], float]) -> float | None:
    """Where the function comes nearest to 0, or goes through it."""
    from scipy.optimize import minimize_scalar

    start = at(float(low))
    if not math.isfinite(start):
        return None
    sign = math.copysign(1.0, start)

    def signed(exponent: float) -> float:
        value = sign * at(math.exp(exponent))
        return value if math.isfinite(value) else _FAR

    extreme = minimize_scalar(
        signed,
        bounds=(math.log(low), math.log(high)),
        method="bounded",
        options={"maxiter": _EXTREME_STEPS},
    )
    return math.exp(float(extreme.x)) if extreme.fun < _FAR else None


def crossings(
    points: Sequence[float] | NDArray[Any],
    values: Sequence[float] | NDArray[Any],
    at: Callable[[float], float],
) -> Iterator[float]:
    """Find where a function goes through 0.

    Parameters
    ----------
    points : sequence of float, shape (n,)
        Where it was looked at, in ascending order.
    values : sequence of float, shape (n,)
        Its values there, not a number where it is not defined.
    at : callable
        The function.

    Yields
    ------
    float
        Each zero, to floating-point precision; jumps are no zeros.
    """
    for k in range(len(points) - 1):
        low, high = float(values[k]), float(values[k + 1])
        if math.isfinite(low) and math.isfinite(high) and (low > 0) != (high > 0):
            yield from _between((float(points[k]), low), (float(points[k + 1]), high), at)


def secant_root(start: float, at: Callable[[float], float]) -> float | None:
    """Follow secants from a value to a zero of a function close by.

    Parameters
    ----------
    start : float
        The value, above 0.
    at : callable
        The function, not a number where it is not defined.

    Returns
    -------
    float or None
        The zero, to floating-point precision; ``None`` where secants lead to none.
    """
    before, x = start * (1.0 + _SECANT_STEP), start
    last, value = at(before), at(x)
    for _ in range(_SECANTS):
        if value == 0.0:
            return x
        if not math.isfinite(value) or value == last:
            return None
        step = value * (x - before) / (value - last)
        before, last, x = x, value, x - step
        if abs(step) <= _LAST_PLACES * _EPSILON * abs(x):
            return x
        if x <= 0.0:
            return None
        value = at(x)
    return None


def _between(
    first: tuple[float, float], second: tuple[float, float], at: Callable[[float], float]
) -> Iterator[float]:
    """The zero between two points where the function has different signs, gaps left out."""

    def defined(x: float) -> float:
        value = at(x)
        if not math.isfinite(value):
            raise _UndefinedError
        return value

    try:
        root = bracketed_root(
            defined, first=first[0], second=second[0], relative=_LAST_PLACES * _EPSILON
        )
    except _UndefinedError:  # somewhere in between
        gap = _undefined(first, second, at)
        for start in (first, second) if gap is not None else ():
            edge = _edge(start[0], gap or 0.0, start[1], at)
            if (edge[1] > 0) != (start[1] > 0):
                low, high = sorted((start, edge))
                yield from _between(low, high, at)
        return
    if abs(at(root)) <= _JUMP:
        yield root


def _undefined(
    first: tuple[float, float], second: tuple[float, float], at: Callable[[float], float]
) -> float | None:
    """A point where the function is not defined, on the way to its change of sign."""
    (low, sign), (high, _) = first, second
    for _ in range(_EDGE_STEPS):
        middle = math.sqrt(low * high)
        value = at(middle)
        if not math.isfinite(value):
            return middle
        low, high = (middle, high) if (value > 0) == (sign > 0) else (low, middle)
    return None
