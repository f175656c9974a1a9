"""Loops over builds that the extra ``fast`` compiles; without it they run as they stand, slowly.

A strip of builds at a time goes through the steps of `antecurve.networks.build_program` and over
the frequencies, and never leaves the processor's caches.  A loop over a strip becomes a few of the
processor's wide instructions.  Compiled once, the loops are kept on disk beside this module.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache
from typing import Any

import numpy as np

from antecurve.networks.build_program import ADD, ADD_RECIPROCAL, SET, SET_RECIPROCAL

__all__ = ["STENCIL", "STRIP", "comparing", "measuring"]

STRIP = 128
"""Builds at a time: some 60 KiB with all that is known of them, well within the second cache."""
STENCIL = 5
"""Frequencies about the highest one that tell what lies between."""
_ZERO, _ONE = np.float32(0.0), np.float32(1.0)
_FAR = np.float32(1e30)  # beyond any error


def _compiled(function: Callable[..., None]) -> Callable[..., None]:
    try:
        from numba import njit
    except ImportError:
        return function
    # Sums may be fused and divisions by one number shared; what is not finite stays so.
    how = {"nogil": True, "error_model": "numpy", "fastmath": {"contract", "nsz", "arcp"}}
    compiled: Callable[..., None]
    try:
        compiled = njit(cache=True, **how)(function)
    except RuntimeError:  # no folder that it could be kept in
        compiled = njit(**how)(function)
    return compiled


def _run(steps: Any, rows: Any) -> None:
    for number in range(steps.shape[0]):
        does, to = steps[number, 0], rows[steps[number, 1]]
        one, other = rows[steps[number, 2]], rows[steps[number, 3]]
        if does == SET:
            for build in range(STRIP):
                to[build] = one[build] * other[build]
        elif does == ADD:
            for build in range(STRIP):
                to[build] += one[build] * other[build]
        elif does == SET_RECIPROCAL:
            for build in range(STRIP):
                to[build] = 1.0 / one[build]
        elif does == ADD_RECIPROCAL:
            for build in range(STRIP):
                to[build] += 1.0 / one[build]
        else:
            for build in range(STRIP):
                to[build] -= one[build] * other[build]


def _coefficients(
    parts: Any, first: int, steps: Any, ends: Any, about: Any, rows: Any, level: Any, columns: Any
) -> None:
    """Relative deviations of the coefficients of a strip, and its power at the reference."""
    for part in range(parts.shape[0]):
        row = rows[part]
        for build in range(STRIP):
            row[build] = parts[part, first + build]
    run(steps, rows)
    divisor = np.zeros(STRIP)
    level[:] = 0.0
    for end in range(ends.shape[0]):
        row, column = rows[ends[end]], columns[end]
        nominal, scale, above, below = about[:, end]
        for build in range(STRIP):
            column[build] = np.float32((row[build] - nominal) * scale)
        for build in range(STRIP):
            level[build] += row[build] * above
        for build in range(STRIP):
            divisor[build] += row[build] * below
    for build in range(STRIP):
        level[build] /= divisor[build]


def _between(value: Any, at: Any, best: Any, weights: Any, sign: Any, to: Any, first: int) -> None:
    """The extremes of a strip with what lies between each and the higher frequency beside it."""
    last = value.shape[0] - 1
    for build in range(STRIP):
        here = at[build]
        start = min(max(here - STENCIL // 2, 0), last + 1 - STENCIL)
        before, after = value[max(here - 1, 0), build], value[min(here + 1, last), build]
        # In numbers: a branch that goes either way by chance costs more than all the rest.
        rises = max(int(sign * after > sign * before), int(here == 0)) * int(here < last)
        most = sign * best[build]
        for point in range(weights.shape[2]):
            total = _ZERO
            for beside in range(STENCIL):
                weight = weights[here - start, rises, point, beside]
                total += weight * value[start + beside, build]
            most = max(most, sign * total)
        to[first + build] = sign * most


run, coefficients, between = _compiled(_run), _compiled(_coefficients), _compiled(_between)


@lru_cache
def measuring(above: int, below: int) -> Callable[..., None]:
    """Make the loop that measures builds.

    Parameters
    ----------
    above, below : int
        Coefficients of numerator and denominator.

    Returns
    -------
    callable
        Of the parts (parts, builds), steps, rows, ends, `about`, the table over frequency
        (frequencies, coefficients + 1) and the weights (places, 2, points, `STENCIL`).  It writes
        the largest and the smallest q of each build and its power ratio at the reference.
    """

    def measure(
        parts: Any, steps: Any, rows: Any, ends: Any, about: Any, table: Any, weights: Any,
        high: Any, low: Any, level: Any,
    ) -> None:  # fmt: skip
        points = table.shape[0]
        columns = np.empty((above + below, STRIP), np.float32)
        value = np.empty((points, STRIP), np.float32)
        most, least = np.empty(STRIP, np.float32), np.empty(STRIP, np.float32)
        most_at, least_at = np.empty(STRIP, np.int32), np.empty(STRIP, np.int32)
        for first in range(0, parts.shape[1], STRIP):
            coefficients(
                parts, first, steps, ends, about, rows, level[first : first + STRIP], columns
            )
            most[:], least[:], most_at[:], least_at[:] = -_FAR, _FAR, 0, 0
            for point in range(points):
                here, offset = np.int32(point), table[point, above + below]
                for build in range(STRIP):
                    top, bottom = _ZERO, _ZERO
                    for k in range(above):
                        top += table[point, k] * columns[k, build]
                    for k in range(below):
                        bottom += table[point, above + k] * columns[above + k, build]
                    q = (offset + (_ONE + offset) * top - bottom) / (_ONE + bottom)
                    value[point, build] = q
                    # Either way something is written: a choice, which needs no branch.
                    more, less = q > most[build], q < least[build]
                    most_at[build] = here if more else most_at[build]
                    least_at[build] = here if less else least_at[build]
                    most[build] = q if more else most[build]
                    least[build] = q if less else least[build]
            between(value, most_at, most, weights, _ONE, high, first)
            between(value, least_at, least, weights, -_ONE, low, first)

    return _compiled(measure)


@lru_cache
def comparing(above: int, below: int) -> Callable[..., None]:
    """Make the loop that compares builds with those beside them.

    Parameters
    ----------
    above, below : int
        Coefficients of numerator and denominator.

    Returns
    -------
    callable
        As of `measuring`, with the parts of either channel; it writes the largest and the
        smallest relative difference of abs(H)**2 and both power ratios at the reference.
    """

    def compare(
        parts: Any, others: Any, steps: Any, rows: Any, ends: Any, about: Any, table: Any,
        weights: Any, high: Any, low: Any, level: Any, other_level: Any,
    ) -> None:  # fmt: skip
        points = table.shape[0]
        columns = np.empty((above + below, STRIP), np.float32)
        beside = np.empty((above + below, STRIP), np.float32)
        value = np.empty((points, STRIP), np.float32)
        most, least = np.empty(STRIP, np.float32), np.empty(STRIP, np.float32)
        most_at, least_at = np.empty(STRIP, np.int32), np.empty(STRIP, np.int32)
        for first in range(0, parts.shape[1], STRIP):
            strip = slice(first, first + STRIP)
            coefficients(parts, first, steps, ends, about, rows, level[strip], columns)
            coefficients(others, first, steps, ends, about, rows, other_level[strip], beside)
            most[:], least[:], most_at[:], least_at[:] = -_FAR, _FAR, 0, 0
            for point in range(points):
                here = np.int32(point)
                for build in range(STRIP):
                    top, bottom, other_top, other_bottom = _ZERO, _ZERO, _ZERO, _ZERO
                    for k in range(above):
                        top += table[point, k] * columns[k, build]
                        other_top += table[point, k] * beside[k, build]
                    for k in range(below):
                        bottom += table[point, above + k] * columns[above + k, build]
                        other_bottom += table[point, above + k] * beside[above + k, build]
                    # (1 + n)/(1 + d) of one over that of the other, less 1, without cancellation
                    apart = (top - other_top) + (other_bottom - bottom)
                    apart += top * other_bottom - other_top * bottom
                    q = apart / ((_ONE + bottom) * (_ONE + other_top))
                    value[point, build] = q
                    # Either way something is written: a choice, which needs no branch.
                    more, less = q > most[build], q < least[build]
                    most_at[build] = here if more else most_at[build]
                    least_at[build] = here if less else least_at[build]
                    most[build] = q if more else most[build]
                    least[build] = q if less else least[build]
            between(value, most_at, most, weights, _ONE, high, first)
            between(value, least_at, least, weights, -_ONE, low, first)

    return _compiled(compare)
