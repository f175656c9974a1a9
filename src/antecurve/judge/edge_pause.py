"""A pause amid an edge: what a dead zone about zero makes, and no linear unit does.

An output stage whose halves hand over late puts out nothing while its drive passes zero.  The tops
of a square wave only shrink, as by another gain, but each edge halts on its way.  From 15 to 85 %
of its height the time of an edge of a linear unit is a smooth function of the voltage.  A pause
is a jump of that function amid the height.  A polynomial of fifth order beside the jump describes
a pole, several poles and a resonance alike to a hundredth of the edge.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

__all__ = ["edge_pause"]

Floats = NDArray[np.float64]

_INNER = 0.7  # of the half height: from 15 to 85 %
_BESIDE = 0.1  # of a half period to either side of an edge
_ORDER = 5  # ln of a pole's edge leaves 0.7^6/6, 2 % of its time constant
_MIDDLE = np.linspace(-0.1, 0.1, 21)  # of the half height: an offset of the stage, or unlike tops
_LEAST_GAP = 0.015  # of the half height: samples within the pause tell nothing of its length
_SIGMAS = 3.0  # of noise, likewise
_LEAST_BESIDE = 4  # samples to either side of the middle
_LEAST_FREE = 4  # degrees of freedom that tell how well the polynomial describes the edge
_CERTAIN = 5.0  # standard deviations; of 210 linear units of all shapes 3.6 at most
_LEAST_SHARE = 0.03  # of the half swing; below, what bends an edge elsewhere may look like it


def edge_pause(since_s: Floats, volts: Floats, *, half_period_s: float, noise_v: float) -> float:
    """Measure a pause amid the edges.

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
    float
        Half width of the dead zone over the half swing; 0 where edges do not pause.
    """
    beside = np.abs(since_s) < _BESIDE * half_period_s
    before = beside & (since_s < 0.0)
    half_height = -float(np.median(volts[before])) if before.any() else 0.0
    if half_height <= 0.0:
        return 0.0
    near = beside & (np.abs(volts) < _INNER * half_height)
    time, height, noise = since_s[near], volts[near] / half_height, noise_v / half_height
    pauses = [_pause(time, height - middle, noise) for middle in _MIDDLE]
    certainty, share = max(pauses, key=lambda pause: pause[0])
    return share if certainty > _CERTAIN and share > _LEAST_SHARE else 0.0


def _pause(time_s: Floats, height: Floats, noise: float) -> tuple[float, float]:
    """How certain a pause at height 0 is [standard deviations], and half its length as a height."""
    apart = np.abs(height) > max(_SIGMAS * noise, _LEAST_GAP)
    time_s, height = time_s[apart], height[apart]
    above = int(np.sum(height > 0))
    free = height.size - (_ORDER + 2)
    if min(above, height.size - above) < _LEAST_BESIDE or free < _LEAST_FREE:
        return 0.0, 0.0
    columns = np.vander(height, _ORDER + 1, increasing=True)
    columns = np.column_stack([columns, 0.5 * np.sign(height)])
    fitted = np.linalg.lstsq(columns, time_s, rcond=None)[0]
    slope, length = float(fitted[1]), float(fitted[-1])
    if slope <= 0.0 or length <= 0.0:
        return 0.0, 0.0
    missed = time_s - columns @ fitted
    variance = max(float(missed @ missed) / free, (slope * noise) ** 2)
    inverse = np.linalg.pinv(columns.T @ columns)
    return length / math.sqrt(variance * float(inverse[-1, -1])), 0.5 * length / slope
