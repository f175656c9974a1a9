"""Tops of an output that stay flat where the stimulus goes on: clipped within the range.

Over what the stimulus explains, an output is a straight line; a clipped one bends at its limit and
goes on flat.  A line with one bend, fitted by least squares, tells them through any noise of the
output, as noise averages out.  Noise of what explains it bends the line as well, where a signal
stays below a crest.  So the same is tried on the output over itself with all the noise added: a
clipped one bends farther than that.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["FlatTops", "flat_tops"]

Floats = NDArray[np.float64]

_SHARES = np.geomspace(5e-5, 0.4, 48)  # of the samples, beyond the bend: rare peaks to a sine
_LEAST_SAMPLES = 12  # that tell a slope
_LEAST_TOPS = 4  # of one or two an estimate may be off
_FLAT = 0.35  # of the slope below: of a linear output 0.78 or more, of a clipped one 0.15 at most
_SURELY = 2.0  # standard deviations of the slope
_STRAIGHT = 0.6  # of the slope below: noise about a crest leaves half of it or less
_FARTHER = 1.6  # times what noise by itself bends; that of both channels counts for one
_FOLLOWS = 0.5  # the slope below the bend: the rest of the record follows the stimulus
_COURSE = 0.3  # of the mean: deviation of a sine 0.48; a square wave with droop has 0.2
_LEAST_REACH = 0.03  # of the peak: less is not told from an error of an estimate
_LEAST_EXTENT = 0.05  # of the record; about a gap a hundredth


@dataclass(frozen=True, slots=True)
class FlatTops:
    """Tops that stay flat.

    Attributes
    ----------
    level : float
        Where, in the channel's unit.
    share : float
        Of the samples, 0 to 1.
    """

    level: float
    share: float


@dataclass(frozen=True, slots=True)
class _Bend:
    """The likeliest bend: where, slope beyond and its deviation, farthest of the peak."""

    at: float
    slope: float
    deviation: float
    farthest: float


def flat_tops(output: Floats, explained: Floats) -> FlatTops | None:
    """Find the tops of an output that are clipped.

    Parameters
    ----------
    output : numpy.ndarray of float, shape (samples,), at least 30
        The output as sampled: moved by a part of a sample, a sharp limit would ring.
    explained : numpy.ndarray of float, shape (samples,)
        What of it the stimulus explains.

    Returns
    -------
    FlatTops or None
        Their level and share; ``None`` where no top is flat.
    """
    size = np.abs(explained)
    if np.std(size) < _COURSE * np.mean(size):
        return None
    middle = size < np.median(size)
    slope, offset = _line(explained[middle], output[middle])
    if slope < _FOLLOWS:
        return None
    missed = (output - offset) / slope - explained
    noise = float(np.std(missed[middle]))
    for sign in (1.0, -1.0):
        bend = _bend(sign * explained, sign * missed, noise)
        if bend.slope + _SURELY * bend.deviation > _FLAT:
            continue
        tops = np.flatnonzero(sign * explained > bend.at)
        far = bend.farthest > _LEAST_REACH and _beyond_noise(bend, sign * output / slope, noise)
        if far and _last(tops, output.size):
            return FlatTops(float(np.median(output[tops])), tops.size / output.size)
    return None


def _line(x: Floats, y: Floats) -> tuple[float, float]:
    """Slope and offset by least squares."""
    one, other = float(x.mean()), float(y.mean())
    away = x - one
    slope = float(away @ y) / float(away @ away)
    return slope, other - slope * one


def _bend(explained: Floats, missed: Floats, noise: float) -> _Bend:
    """The likeliest bend of what is missed."""
    counts = np.unique((_SHARES * explained.size).astype(int))
    counts = counts[counts >= _LEAST_SAMPLES]
    falling = np.sort(explained)[::-1]
    at = falling[counts]
    beyond = explained > at[-1]
    top, lost = explained[beyond], missed[beyond]
    # The first bend of those tried that a sample lies beyond; sums over all beyond each of them.
    first = at.size - np.searchsorted(at[::-1], top)
    count, total, miss, squares, products = (
        np.cumsum(np.bincount(first, x, at.size)) for x in (None, top, lost, top**2, lost * top)
    )
    spread = squares - 2.0 * at * total + count * at**2
    along = products - at * miss
    change = along / spread
    best = int(np.argmax(change * along))
    peak = max(abs(float(falling[0])), abs(float(falling[-1])))
    return _Bend(
        float(at[best]),
        1.0 + float(change[best]),
        noise / float(np.sqrt(spread[best])),
        float(falling[int(counts[best]) // 10] - at[best]) / peak,
    )


def _beyond_noise(bend: _Bend, output: Floats, noise: float) -> bool:
    """Whether a bend reaches farther than noise of what explains an output makes it."""
    noisy = output + noise * np.random.default_rng(1).standard_normal(output.size)
    other = _bend(noisy, output - noisy, noise)
    straight = other.slope > _STRAIGHT
    return straight or bend.farthest > _FARTHER * other.farthest


def _last(tops: NDArray[np.intp], samples: int) -> bool:
    """Whether tops are several and over a record: about a gap an estimate has tops of its own."""
    several = np.count_nonzero(np.diff(np.sort(tops)) > 1) + 1 >= _LEAST_TOPS
    first, last = np.quantile(tops, (0.1, 0.9))
    return bool(several and last - first > _LEAST_EXTENT * samples)
