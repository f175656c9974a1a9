"""Straight edges: what a limit of the slope makes, and no linear unit does.

The edge of a linear unit bends all the way.  From 15 to 85 % of its height the quadratic mean off
its best straight line is 6 % of the height for one pole, 1.6 % for very many alike (a Gaussian
edge), and was never below 0.56 % for edges of 4 us and longer of 160 simulated units of all
shapes.  Where an output follows as fast as it can, it is 0.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["StraightEdge", "straight_edge"]

Floats = NDArray[np.float64]

_INNER = 0.7  # of the half height: from 15 to 85 %
_STRAIGHT = 0.0035  # of the height; 160 linear units of all shapes have 0.0056 and more
_LEAST_SAMPLES = 12  # on edges: a line and ten more
_SHORTEST_S = 4e-6  # between 15 and 85 %: faster than a pole at 50 kHz is no limit that matters
_BEFORE, _BEHIND = 0.1, 0.1  # of a half period
_LONGEST_S = 100e-6  # for the whole height: beyond, a tilting top counts as an edge
_PARTS = 5  # of the height, each of which needs samples: on two heights any edge is straight
_SURE = 3.0  # standard deviations of the noise's mean square


@dataclass(frozen=True, slots=True)
class StraightEdge:
    """Edges of constant slope.

    Attributes
    ----------
    slope_v_per_s : float
        Their slope [V/s].
    duration_s : float
        Time for the whole height at that slope [s].
    """

    slope_v_per_s: float
    duration_s: float


def straight_edge(
    since_s: Floats, volts: Floats, *, half_period_s: float, noise_v: float
) -> StraightEdge | None:
    """Tell whether edges are straight.

    Parameters
    ----------
    since_s : numpy.ndarray of float, shape (samples,)
        Time since the nearest edge [s].
    volts : numpy.ndarray of float, shape (samples,)
        Record about its middle, turned over about falling edges [V].
    half_period_s : float
        Half a period of the square wave [s].
    noise_v : float
        Standard deviation of a sample [V].

    Returns
    -------
    StraightEdge or None
        ``None`` where edges bend, or too few samples are on them.
    """
    before = (since_s > -_BEFORE * half_period_s) & (since_s < 0.0)
    if before.sum() < _LEAST_SAMPLES:
        return None
    half_height = -float(np.median(volts[before]))
    if half_height <= 0.0:
        return None
    near = (since_s > -_BEFORE * half_period_s) & (since_s < _BEHIND * half_period_s)
    near &= np.abs(volts) < _INNER * half_height
    parts, _ = np.histogram(volts[near], _PARTS, (-_INNER * half_height, _INNER * half_height))
    if near.sum() < _LEAST_SAMPLES or parts.min() < 2:
        return None
    line = np.polynomial.Polynomial.fit(since_s[near], volts[near], 1)
    slope = float(line.deriv()(0.0))
    if slope <= 0.0:
        return None
    missed = volts[near] - line(since_s[near])
    free = float(near.sum()) - 2.0
    sure = 1.0 - _SURE * math.sqrt(2.0 / free)
    bend = math.sqrt(max(0.0, float(missed @ missed) / free - sure * noise_v**2))
    duration = 2.0 * half_height / slope
    if bend > _STRAIGHT * 2.0 * half_height:
        return None
    if not _SHORTEST_S / _INNER < duration < _LONGEST_S:
        return None
    return StraightEdge(slope, duration)
