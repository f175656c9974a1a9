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

__all__ = ["flat_top_level"]

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
class _Bend:
    """The likeliest bend: samples beyond, slope there and its deviation, farthest of the peak."""

    count: int
    slope: float
    deviation: float
    farthest: float


def flat_top_level(output: Floats, explained: Floats) -> float | None:
    """Find the level at which an output is clipped.

    Parameters
    ----------
    output : numpy.ndarray of float, shape (samples,), at least 30
        The output as sampled: moved by a part of a sample, a sharp limit would ring.
    explained : numpy.ndarray of float, shape (samples,)
        What of it the stimulus explains.

    Returns
    -------
    float or None
        The level, in the output's unit; ``None`` where no top is flat.
    """
    size = np.abs(explained)
    middle = size < np.quantile(size, 0.5)
    slope, offset = np.polyfit(explained[middle], output[middle], 1)
    missed = (output - offset) / slope - explained
    noise = float(np.std(missed[middle]))
    if slope < _FOLLOWS or np.std(size) < _COURSE * np.mean(size):
        return None
    order = np.argsort(explained)
    for end, sign in ((order[::-1], 1.0), (order, -1.0)):
        bend = _bend(sign * explained[end], sign * missed[end], noise)
        if bend.slope + _SURELY * bend.deviation > _FLAT:
            continue
        tops = end[: bend.count]
        far = bend.farthest > _LEAST_REACH and _beyond_noise(bend, sign * output / slope, noise)
        if far and _last(tops, output.size):
            return float(np.median(output[tops]))
    return None


def _bend(explained: Floats, missed: Floats, noise: float) -> _Bend:
    """The likeliest bend of what is missed; the largest explained come first."""
    counts = np.unique((_SHARES * explained.size).astype(int))
    counts = counts[counts >= _LEAST_SAMPLES]
    at, last = explained[counts], counts - 1
    top, lost = explained[: counts[-1]], missed[: counts[-1]]
    first, miss = np.cumsum(top)[last], np.cumsum(lost)[last]
    spread = np.cumsum(top**2)[last] - 2.0 * at * first + counts * at**2
    along = np.cumsum(lost * top)[last] - at * miss
    change = along / spread
    best = int(np.argmax(change * along))
    count = int(counts[best])
    peak = max(abs(float(explained[0])), abs(float(explained[-1])))
    return _Bend(
        count,
        1.0 + float(change[best]),
        noise / float(np.sqrt(spread[best])),
        float(explained[count // 10] - at[best]) / peak,
    )


def _beyond_noise(bend: _Bend, output: Floats, noise: float) -> bool:
    """Whether a bend reaches farther than noise of what explains an output makes it."""
    noisy = output + noise * np.random.default_rng(1).standard_normal(output.size)
    order = np.argsort(-noisy)
    other = _bend(noisy[order], (output - noisy)[order], noise)
    straight = other.slope > _STRAIGHT
    return straight or bend.farthest > _FARTHER * other.farthest


def _last(tops: NDArray[np.intp], samples: int) -> bool:
    """Whether tops are several and over a record: about a gap an estimate has tops of its own."""
    several = np.count_nonzero(np.diff(np.sort(tops)) > 1) + 1 >= _LEAST_TOPS
    first, last = np.quantile(tops, (0.1, 0.9))
    return bool(several and last - first > _LEAST_EXTENT * samples)
