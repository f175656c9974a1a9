"""Whether a record stands at its limits: at the ends of the converter's range most of the time.

Where the output is beyond the range all samples are exactly the largest or the smallest value
and the noise is gone: tops look flat whatever the unit does.  A record of a sound unit has flat
tops as well, so a share of samples at the ends by itself says nothing.  Two signs do:

- samples stand at the end several times as often as at any other value of the top, while those
  of the top below the end, by more than the step of the converter, carry noise;
- nearly all samples of a record with the steps of a converter are exactly the largest or the
  smallest value, and edges break off there: neither noise, tilt nor the end of an edge is left.

An ideal square wave without noise has neither: its tilt passes through the steps one by one, and
its edges approach the top ever more slowly (of an exponential, from 10 % off to half a step off
takes longer than from 90 % off to 10 % off).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["limit_share"]

Floats = NDArray[np.float64]

_LEAST_SHARE = 0.02
_TIMES = 4
_TOP = 0.25  # of the whole swing, from the middle outwards: beyond is the top
_LEAST_BELOW = 20
_BELOW_AN_EDGE = 4
_NEARLY_ALL = 0.9
_MIDDLE = 0.4
_LEAST_LEVELS = 5
_ON_GRID = 0.1
_MOST_STEPS = 30
_FINEST = 5000


def limit_share(volts: Floats) -> float:
    """Return the share of samples at the limits of a record that stands at them.

    Parameters
    ----------
    volts : numpy.ndarray of float, shape (samples,)
        The record as captured [V].

    Returns
    -------
    float
        From 0 to 1; 0 for a record that does not stand at its limits.
    """
    low, high = float(volts.min()), float(volts.max())
    step = _converter_step(volts, low, high)
    at_end = (volts == low) | (volts == high)
    share = float(np.mean(at_end))
    if share >= _NEARLY_ALL:
        return share if step > 0.0 and _edges_break_off(volts, low, high) else 0.0
    if share < _LEAST_SHARE:
        return 0.0
    ends = (_held(volts, step), _held(-volts, step))
    return float(np.mean((volts == high) & ends[0] | (volts == low) & ends[1]))


def _held(volts: Floats, step: float) -> bool:
    """Whether the tops stand at the largest value while what is below them carries noise."""
    end, span = float(volts.max()), float(np.ptp(volts))
    middle = end - span / 2.0
    top = volts > middle + _TOP * span
    counts = np.unique(volts[top], return_counts=True)[1]
    others = int(counts[:-1].max(initial=0))
    if counts[-1] < max(_LEAST_SHARE * volts.size / 2.0, _TIMES * others):
        return False
    below = np.flatnonzero(top[1:-1] & (volts[1:-1] < end - 1.5 * step)) + 1
    edges = int(np.count_nonzero(np.diff(volts > middle)))
    if below.size < max(_LEAST_BELOW, _BELOW_AN_EDGE * edges):
        return False
    bend = volts[below - 1] - 2.0 * volts[below] + volts[below + 1]
    return bool(np.median(np.abs(bend)) > max(0.5 * step, 1e-6 * span))


def _edges_break_off(volts: Floats, low: float, high: float) -> bool:
    """Whether fewer samples are on the last tenth of edges than on their middle."""
    inside = (volts > low) & (volts < high)
    height = (volts[inside] - low) / (high - low)
    middle = int(np.count_nonzero(np.abs(height - 0.5) < _MIDDLE))
    return height.size - middle < middle


def _converter_step(volts: Floats, low: float, high: float) -> float:
    """Step of the levels between the ends [V]; 0 where they are no steps of a converter."""
    levels = np.unique(volts)
    if levels.size >= _LEAST_LEVELS + 2:  # where the ends were held need not be a step
        levels = levels[1:-1]
    if not _LEAST_LEVELS <= levels.size <= volts.size / 2:
        return 0.0
    gaps = np.diff(levels)
    for divisor in range(1, _MOST_STEPS):
        step = float(gaps.min()) / divisor
        if step < (high - low) / _FINEST:
            break
        step = float(np.sum(gaps) / np.sum(np.round(gaps / step)))
        if np.all(np.abs(gaps / step - np.round(gaps / step)) < _ON_GRID):
            return step
    return 0.0
