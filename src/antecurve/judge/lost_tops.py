"""Tops that an output lacks where the stimulus behind the response goes on: rare ones, too.

A linear unit is as often above what explains it as below, at the highest tops as elsewhere.  A
clipped one stands at its limit there: what explains it goes beyond the highest sample of all, and
the output no longer follows.  That needs no crowd of samples, and a crowd without it is chance.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.flat_tops import FlatTops

__all__ = ["is_lacking", "lost_tops"]

Floats = NDArray[np.float64]

_OUTLIERS = (0, 3)  # samples that a click may put above
_BESIDE_S = 0.005  # nearer ones are one top, or the ringing of one click
_LEAST_TOPS = 2  # one may be a click of the stimulus
_STANDS = 0.5  # of what is lost: an output at its limit is off it by its noise alone
_SURELY = 6.0  # standard deviations of the mean of all tops; by chance once in 1e9 records
_LACKS = 2.0  # standard deviations, beside a crowd: by chance one in forty of those there are
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


def is_lacking(level: float, output: Floats, explained: Floats, *, rate_hz: float) -> bool:
    """Tell whether an output lacks at all what explains it beyond a level where samples crowd.

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
        Whether more is missing there than by chance.
    """
    sign = math.copysign(1.0, level)
    tops = _tops(abs(level), sign * output, sign * explained, rate_hz)
    return tops is not None and tops.deviations > _LACKS


@dataclass(frozen=True, slots=True)
class _Tops:
    """Samples that should stand beyond a limit, and what is lost there.

    In standard deviations of the mean of all tops, by what is missed near the limit.
    """

    beyond: NDArray[np.intp]
    count: int
    deviations: float
    typical: float


def _tops(limit: float, own: Floats, wanted: Floats, rate_hz: float) -> _Tops | None:
    """The tops above 0; none where too few samples tell what is usual."""
    beyond = np.flatnonzero(wanted > limit)
    near = (wanted > _NEAR[0] * limit) & (wanted < _NEAR[1] * limit)
    if not beyond.size or np.count_nonzero(near) < _LEAST_NEAR:
        return None
    parts = np.split(beyond, np.flatnonzero(np.diff(beyond) > _BESIDE_S * rate_hz) + 1)
    typical = float(np.sqrt(np.mean((wanted[near] - own[near]) ** 2)))
    lost = sum(float((wanted[part] - own[part]).mean()) for part in parts)
    deviations = lost / max(typical * math.sqrt(len(parts)), 1e-300)
    return _Tops(beyond, len(parts), deviations, typical)


def _stops_at(limit: float, own: Floats, wanted: Floats, *, rate_hz: float) -> bool:
    """Whether tops above 0 are lost surely, at two places or more, and stand at a limit."""
    tops = _tops(limit, own, wanted, rate_hz)
    if tops is None or tops.count < _LEAST_TOPS or tops.deviations < _SURELY:
        return False
    own, wanted = own[tops.beyond], wanted[tops.beyond]
    off, missed = limit - own, wanted - own
    if float(off @ off) > _STANDS**2 * float(missed @ missed):
        return False
    away = wanted - wanted.mean()
    spread = max(float(away @ away), 1e-300)
    follows, doubt = float(away @ own) / spread, tops.typical / math.sqrt(spread)
    return follows + 2.0 * doubt < _FOLLOWS
