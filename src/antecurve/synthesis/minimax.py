"""The smallest largest error near a point, by sequential linear programs."""

from __future__ import annotations

import math
import time
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

__all__ = ["minimax"]

_REACH = 0.1
"""First step, in nepers: errors of some dB are linear that far."""
_SMALLEST_REACH = 1e-9
"""A step this small moves the error by less than 1e-8 dB."""
_PROGRAMS = 200
"""Most linear programs; some dozens do."""

Floats = NDArray[np.float64]


def minimax(
    error: Callable[[Floats], tuple[Floats, Floats]],
    start: Floats,
    *,
    held: int | None = None,
    within: tuple[Floats, Floats] | None = None,
    least_gain: float = 0.0,
    until: float = math.inf,
) -> Floats:
    """Minimise the largest magnitude of several errors from a start.

    Parameters
    ----------
    error : callable
        From a point, shape (unknowns,), to the errors, shape (errors,), and their slopes, shape
        (errors, unknowns).
    start : numpy.ndarray of float, shape (unknowns,)
        Where to begin.
    held : int, optional
        An unknown that stays as it is.
    within : tuple of numpy.ndarray, optional
        Least and most of each unknown, the start among them; by default no bounds.
    least_gain : float, optional
        Share of the error, 0 or greater: a step that gains no more is the last.
    until : float, optional
        Value of `time.perf_counter` from which no further step is taken.

    Returns
    -------
    numpy.ndarray of float, shape (unknowns,)
        The point; never worse than the start.

    Notes
    -----
    The largest of the linearised errors is made least within a region that grows where a step
    holds good and shrinks where it does not.
    """
    from scipy.optimize import linprog

    point, reach = start, _REACH
    errors, slopes = error(point)
    largest = float(np.abs(errors).max())
    ones = np.ones((len(errors), 1))
    for _ in range(_PROGRAMS):
        if time.perf_counter() > until:
            break
        low, high = np.full(len(point), -reach), np.full(len(point), reach)
        if within is not None:
            low, high = np.maximum(low, within[0] - point), np.minimum(high, within[1] - point)
        steps = list(zip(low, high, strict=True))
        if held is not None:
            steps[held] = (0.0, 0.0)
        program = linprog(
            np.r_[np.zeros(len(point)), 1.0],
            A_ub=np.block([[slopes, -ones], [-slopes, -ones]]),
            b_ub=np.r_[-errors, errors],
            bounds=[*steps, (0.0, None)],
        )
        if program.status != 0:
            break
        moved = point + program.x[:-1]
        moved_errors, moved_slopes = error(moved)
        if (most := float(np.abs(moved_errors).max())) < largest:
            gain = 1.0 - most / largest
            point, largest, reach = moved, most, 2.0 * reach
            errors, slopes = moved_errors, moved_slopes
            if gain < least_gain:
                break
        else:
            reach *= 0.25
        if reach < _SMALLEST_REACH:
            break
    return point
