"""Tops that an output lacks where the stimulus behind the response goes on: rare ones, too.

A linear unit is as often above what explains it as below, at the highest tops as elsewhere.  A
clipped one stands at its limit there: what explains it goes beyond the highest sample of all, and
the output no longer follows.  That needs no crowd of samples, and a crowd without it is chance.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.flat_tops import FlatTops

__all__ = ["lost_tops", "stops_at"]

Floats = NDArray[np.float64]

_OUTLIERS = (0, 3)  # samples that a click may put above
_BESIDE_S = 0.005  # nearer ones are one top, or the ringing of one click
_LEAST_TOPS = 2  # one may be a click of the stimulus
_LEAST_BEYOND = 2  # samples, which tell a slope
_STANDS = 0.5  # of what is lost: an output at its limit is off it by its noise alone
_SURELY = 6.0  # standard deviations of the mean of all tops; by chance once in 1e9 records
_FOLLOWS = 0.5  # of what explains it: soft compression keeps 0.8, a limit nothing
_NEAR = (0.6, 0.95)  # of the limit: errors of an estimate grow with the level
_LEAST_NEAR = 30  # samples that tell them


def lost_tops(output: Floats, explained: Floats, *, rate_hz: float) -> FlatTops | None:
    """Find the level at which an output stops while what explains it goes on.

    Parameters
    ----------
    output, explained : numpy.ndarray of float, shape (samples,)
        The output as sampled, and what of it the stimulus explains.
    rate_hz : float
        Sampling rate [Hz].

    Returns
    -------
    FlatTops or None
        The level, and the share of samples that stand there; ``None`` where nothing is lost.
    """
    size, sign = np.abs(output), np.sign(output)
    ways = [(size, sign * explained, 1.0)]  # most limits are alike both ways
    ways += [(s * output, s * explained, s) for s in (1.0, -1.0)]
    for own, wanted, way in ways:
        highest = np.sort(np.partition(own, -1 - max(_OUTLIERS))[-1 - max(_OUTLIERS) :])
        for above in _OUTLIERS:
            level = float(highest[-1 - above])
            if level > 0.0 and _stops_at(level, own, wanted, rate_hz=rate_hz):
                return FlatTops(way * level, float(np.mean(wanted > level)))
    return None


def stops_at(level: float, output: Floats, explained: Floats, *, rate_hz: float) -> bool:
    """Tell whether an output stops at a level while what explains it goes on.

    Parameters
    ----------
    level : float
        The level, with its sign, in the output's unit.
    output, explained : numpy.ndarray of float, shape (samples,)
        The output as sampled, and what of it the stimulus explains.
    rate_hz : float
        Sampling rate [Hz].

    Returns
    -------
    bool
        Whether tops are lost surely, at two places or more.
    """
    sign = math.copysign(1.0, level)
    return _stops_at(abs(level), sign * output, sign * explained, rate_hz=rate_hz)


def _stops_at(limit: float, own: Floats, wanted: Floats, *, rate_hz: float) -> bool:
    """The same for tops above 0."""
    beyond = np.flatnonzero(wanted > limit)
    near = (wanted > _NEAR[0] * limit) & (wanted < _NEAR[1] * limit)
    if beyond.size < _LEAST_BEYOND or np.count_nonzero(near) < _LEAST_NEAR:
        return False
    tops = np.split(beyond, np.flatnonzero(np.diff(beyond) > _BESIDE_S * rate_hz) + 1)
    if len(tops) < _LEAST_TOPS:
        return False
    missed = wanted - own
    typical = float(np.sqrt(np.mean(missed[near] ** 2)))
    lost = np.array([float(missed[top].mean()) for top in tops])
    off = limit - own[beyond]
    sure = float(lost.sum()) > _SURELY * typical * math.sqrt(len(tops))
    if not sure or float(off @ off) > _STANDS**2 * float(missed[beyond] @ missed[beyond]):
        return False
    away = wanted[beyond] - wanted[beyond].mean()
    spread = max(float(away @ away), 1e-300)
    follows, doubt = float(away @ own[beyond]) / spread, typical / math.sqrt(spread)
    return follows + 2.0 * doubt < _FOLLOWS
