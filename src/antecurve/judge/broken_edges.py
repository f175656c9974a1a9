"""Edges of a square wave that break off at the top: what clips does so, and no linear unit.

The last part of a linear edge is a sum of decaying exponentials, the slowest of them the network's
own.  A clipped edge rises towards a top that lies higher, and stops at its limit with a corner.
Both are fitted to all edges laid over each other: a cubic up to a moment with a level behind it,
and three exponentials, two of them a pair that may ring.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.held_tops import fit_by_columns

__all__ = ["edges_break_off"]

Floats = NDArray[np.float64]

_PARTS = 200  # of a half period: over so many an edge rises most
_STEEP = 0.3  # of the swing over such a part: an edge, and no noise about the middle
_APART = 0.3  # of a half period: the next edge
_FROM = -0.3  # of the top: below, an edge of several poles begins slowly
_REACH_S = 25e-6  # about the middle of an edge: eight time constants of 50 kHz
_LEAST_SAMPLES, _LEAST_RISING = 20, 6  # of all edges, and on their rise: eight unknowns
_LEAST_EDGES = 2  # steep ones: a rise and a fall
_RISING = 0.9  # of the top
_MOMENTS_S = np.linspace(1e-6, 14e-6, 53)  # at which an edge may break off
_STARTS = ((3.0, 1.0, 0.05), (3.0, 0.6, 0.1), (2.0, 5.0, 0.05), (2.0, 3.0, 0.3), (3.0, 3.0, 1.0))
"""Time constants of an exponential and of a pair [us], and the pair's frequency [rad/us]."""
_MOST = (4.0, 4.0, 6.0)  # of their logarithms, and of the frequency, likewise
_EVALUATIONS = 40  # a local fit of three unknowns settles within
_BETTER = 1.15  # times the variance; of 96 linear units without a low corner 0.89 at most
_ROUNDS = 3  # of moving edges over each other
_FARTHEST_S, _STEEPEST_PER_S = 1e-6, 3e6  # by which an edge is moved; a corner is no slope


def edges_break_off(time_s: Floats, volts: Floats, *, frequency_hz: float) -> bool:
    """Tell whether the edges of a square wave with flat tops break off.

    Parameters
    ----------
    time_s : numpy.ndarray of float, shape (samples,)
        Times [s].
    volts : numpy.ndarray of float, shape (samples,)
        Record [V].
    frequency_hz : float
        Frequency of the square wave [Hz].

    Returns
    -------
    bool
        ``False`` as well where too few samples are on the edges.
    """
    volts = volts - (volts.max() + volts.min()) / 2.0
    edges = _nearest_edges(time_s, volts, 0.5 / frequency_hz)
    if edges is None:
        return False
    number, sign, since = edges
    level = sign * volts / float(np.median(np.abs(volts)))
    near = (np.abs(since) < _REACH_S) & (level > _FROM)
    number, since, level = number[near], since[near], level[near]
    if since.size < _LEAST_SAMPLES or np.count_nonzero(level < _RISING) < _LEAST_RISING:
        return False
    for _ in range(_ROUNDS):
        fitted = _cornered(since, level)[1]
        since = since - _late(since, level - fitted, fitted, number)
    return _smooth(since, level) > _BETTER * _cornered(since, level)[0]


def _nearest_edges(
    time_s: Floats, volts: Floats, half_s: float
) -> tuple[NDArray[np.intp], Floats, Floats] | None:
    """Of each sample its edge: number, direction, and time since its middle [s]; of two or more."""
    rate = (time_s.size - 1) / float(np.ptp(time_s))
    lag = max(1, int(half_s * rate / _PARTS)) + 1
    at = np.flatnonzero((volts[:-1] < 0.0) != (volts[1:] < 0.0))
    rise = volts[np.minimum(at + lag, volts.size - 1)] - volts[np.maximum(at - lag, 0)]
    steep = np.abs(rise) > _STEEP * float(np.ptp(volts))
    at, rise = at[steep], rise[steep]
    share = volts[at] / (volts[at] - volts[at + 1])
    crossing = time_s[at] + share * (time_s[at + 1] - time_s[at])
    first = np.diff(crossing, prepend=-np.inf) > _APART * half_s
    crossing, rise = crossing[first], rise[first]
    if crossing.size < _LEAST_EDGES:
        return None
    turn = np.round((crossing - crossing[0]) / half_s)
    columns = np.column_stack([np.ones(turn.size), turn, turn % 2])
    middle_s = columns @ np.linalg.lstsq(columns, crossing, rcond=None)[0]
    number = np.searchsorted((middle_s[:-1] + middle_s[1:]) / 2.0, time_s)
    return number, np.sign(rise)[number], time_s - middle_s[number]


def _cornered(since_s: Floats, level: Floats) -> tuple[float, Floats]:
    """Sum of squares that an edge with a corner leaves, and that edge."""
    fits = []
    for moment in _MOMENTS_S:
        columns = (np.minimum(since_s - moment, 0.0) / _REACH_S)[:, None] ** np.arange(4)
        missed, coefficients = fit_by_columns(columns, level)
        fits.append((missed, columns @ coefficients))
    return min(fits, key=lambda fit: fit[0])


def _smooth(since_s: Floats, level: Floats) -> float:
    """Sum of squares that three exponentials leave."""
    from scipy.optimize import least_squares

    time = 1e6 * since_s

    def residuals(unknowns: Floats) -> Floats:
        one, pair = np.exp(-time / np.exp(unknowns[0])), np.exp(-time / np.exp(unknowns[1]))
        turn = unknowns[2] * time
        columns = np.column_stack(
            [np.ones(time.size), one, pair * np.cos(turn), pair * time * np.sinc(turn / np.pi)]
        )
        columns /= np.abs(columns).max(axis=0)
        return np.asarray(level - columns @ fit_by_columns(columns, level)[1])

    least = np.array([-_MOST[0] + 1.0, -_MOST[1] + 1.0, 0.0])
    starts = (np.array([np.log(a), np.log(b), c]) for a, b, c in _STARTS)
    fits = (
        least_squares(residuals, s, bounds=(least, _MOST), max_nfev=_EVALUATIONS) for s in starts
    )
    return 2.0 * min(float(fit.cost) for fit in fits)


def _late(since_s: Floats, missed: Floats, fitted: Floats, number: NDArray[np.intp]) -> Floats:
    """By how much each edge is late [s], by what a common one leaves of it."""
    order = np.argsort(since_s)
    slope = np.empty(since_s.size)
    apart = since_s[order] + 1e-12 * np.arange(since_s.size)  # equal times have a slope as well
    slope[order] = np.clip(np.gradient(fitted[order], apart), -_STEEPEST_PER_S, _STEEPEST_PER_S)
    along = np.bincount(number, slope * missed)
    steep = np.maximum(np.bincount(number, slope**2), 1e-300)
    return np.asarray(np.clip(-along / steep, -_FARTHEST_S, _FARTHEST_S)[number])
