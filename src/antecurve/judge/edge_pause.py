"""A pause amid an edge: what a dead zone about zero makes, and no linear unit does.

An output stage whose halves hand over late puts out nothing while its drive passes zero.  The tops
of a square wave only shrink, as by another gain, but each edge halts on its way.  By how much an
edge is late against a fitted one jumps where its height passes zero.  A fit that is off, as one of
such a record is, makes it late by a smooth function of the height: a parabola beside the jump
describes that.  Falling edges may be late as a whole, where the duty is off.

What a record cannot show follows from the same least squares.  The deviation of the jump depends
on where samples lie on the edges and on their noise alone.  A dead zone is said beyond five
standard deviations, so that one of 5 + 1.645 of them is said of 95 % of records.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "EDGE_REACH",
    "EDGE_SHOWN",
    "EdgeHeights",
    "edge_heights",
    "edge_pause",
    "least_pause",
]

Floats = NDArray[np.float64]

EDGE_REACH = 0.1
"""Of a half period to either side, how far an edge reaches."""
EDGE_SHOWN = 0.7
"""Of the half height, how far up and down an edge is looked at: from 15 to 85 %."""
_ORDER = 2  # of a fitted edge that is off: one less leaves twice as much, one more hides the jump
_MIDDLE = np.linspace(-0.1, 0.1, 21)  # of the half height: an offset of the stage, or unlike tops
_LEAST_GAP = 0.015  # of the half height: samples within the pause tell nothing of its length
_SIGMAS = 3.0  # of noise, likewise
_LEAST_BESIDE = 3  # samples to either side of the middle
_LEAST_FREE = 3  # degrees of freedom that tell how well the columns describe the edge
_LEAST_HEIGHTS = _ORDER + 3  # a parabola and a jump, and one more that tells whether they fit
_STEEP = 0.1  # of the steepest slope; where it is flatter, ringing turns an edge round
_UNDESCRIBED = 0.1  # of the half height: the fit is of another edge; a zone of 50 % leaves 0.01
_ROUNDS = 3  # of Newton's method, each of which squares the error
_CERTAIN = 5.0  # standard deviations; of 36 linear units fitted 3.5 at most, of 94 by truth 2.3
_LEAST_SHARE = 0.03  # of the half swing; below, what bends an edge elsewhere may look like it
_POWER = 1.645  # standard deviations that 95 % of a normal distribution lie above


@dataclass(frozen=True, slots=True, eq=False)
class EdgeHeights:
    """Samples on edges by their height, falling edges turned over.

    Attributes
    ----------
    height : numpy.ndarray of float, shape (samples,)
        Over the half height, -1 to 1.
    late_s : numpy.ndarray of float, shape (samples,)
        By how much later than on the fitted edge [s].
    slope_per_s : numpy.ndarray of float, shape (samples,)
        That of the fitted edge, in half heights [1/s].
    sign : numpy.ndarray of float, shape (samples,)
        1 on rising edges, -1 on falling ones.
    noise : float
        Standard deviation of a sample over the half height.
    """

    height: Floats
    late_s: Floats
    slope_per_s: Floats
    sign: Floats
    noise: float

    def chosen(self, which: NDArray[np.bool_]) -> EdgeHeights:
        """Take some of the samples.

        Parameters
        ----------
        which : numpy.ndarray of bool, shape (samples,)
            Those to take.

        Returns
        -------
        EdgeHeights
            With the same noise.
        """
        return EdgeHeights(
            self.height[which],
            self.late_s[which],
            self.slope_per_s[which],
            self.sign[which],
            self.noise,
        )


def edge_heights(
    volts: Floats,
    fitted: Floats,
    *,
    since_s: Floats,
    sign: Floats,
    half_period_s: float,
    noise_v: float,
) -> EdgeHeights | None:
    """Take the samples on the edges of a record.

    Parameters
    ----------
    volts : numpy.ndarray of float, shape (samples,)
        Record about its middle, turned over about falling edges [V].
    fitted : numpy.ndarray of float, shape (samples, 3)
        Fitted waveform and its two derivatives by time, likewise [V, V/s, V/s^2].
    since_s : numpy.ndarray of float, shape (samples,)
        Time since the nearest edge [s].
    sign : numpy.ndarray of float, shape (samples,)
        1 about rising edges, -1 about falling ones.
    half_period_s : float
        Half a period of the square wave [s].
    noise_v : float
        Standard deviation of a sample [V].

    Returns
    -------
    EdgeHeights or None
        ``None`` where the record has no edges.
    """
    beside = np.abs(since_s) < EDGE_REACH * half_period_s
    before = beside & (since_s < 0.0)
    half_height = -float(np.median(volts[before])) if before.any() else 0.0
    if half_height <= 0.0:
        return None
    near = beside & (np.abs(volts) < EDGE_SHOWN * half_height)
    value, slope, bend = fitted[near].T / half_height
    steep = slope > _STEEP * float(slope.max(initial=0.0))
    value, slope, bend, height = value[steep], slope[steep], bend[steep], volts[near][steep]
    height, late, most = height / half_height, np.zeros(height.size), EDGE_REACH * half_period_s
    for _ in range(_ROUNDS):
        step = value - slope * late + 0.5 * bend * late**2 - height
        late = np.clip(late + step / np.maximum(slope - bend * late, _STEEP * slope), -most, most)
    return EdgeHeights(height, late, slope, sign[near][steep], noise_v / half_height)


def edge_pause(edges: EdgeHeights) -> float:
    """Measure a pause amid the edges.

    Parameters
    ----------
    edges : EdgeHeights
        Samples on the edges.

    Returns
    -------
    float
        Half width of the dead zone over the half swing; 0 where edges do not pause.
    """
    pause = _surest(edges)
    return pause.share if pause.certainty > _CERTAIN and pause.share > _LEAST_SHARE else 0.0


def least_pause(edges: EdgeHeights, *, wanted: float) -> float:
    """Compute the least dead zone that edges would show with 95 %.

    Parameters
    ----------
    edges : EdgeHeights
        Samples on the edges of a unit without one.
    wanted : float
        Half width over the half swing of the one that is asked about, 0 to 1: what its pause
        swallows tells nothing.

    Returns
    -------
    float
        Half width over the half swing; infinite where too few samples are on the edges.
    """
    height = np.sign(edges.height) * np.maximum(np.abs(edges.height) - wanted, 0.0)
    beyond = replace(edges, height=height / (1.0 - wanted), noise=edges.noise / (1.0 - wanted))
    pause, noise = _pause(beyond, 0.0), max(edges.noise, _surest(edges).noise)
    deviation = pause.deviation * noise / max(pause.noise, np.finfo(float).tiny)
    return max((_CERTAIN + _POWER) * deviation, _LEAST_SHARE + _POWER * deviation)


@dataclass(frozen=True, slots=True)
class _Pause:
    """A jump of how late edges are, as a share of the half height."""

    share: float = 0.0
    deviation: float = math.inf
    noise: float = 0.0  # of a sample over the half height, with what the columns leave

    @property
    def certainty(self) -> float:
        """In standard deviations."""
        return self.share / self.deviation


def _surest(edges: EdgeHeights) -> _Pause:
    return max((_pause(edges, middle) for middle in _MIDDLE), key=lambda pause: pause.certainty)


def _pause(edges: EdgeHeights, middle: float) -> _Pause:
    """The jump at a height."""
    edges = edges.chosen(np.abs(edges.height - middle) > max(_SIGMAS * edges.noise, _LEAST_GAP))
    height = edges.height - middle
    above = int(np.sum(height > 0.0))
    free = height.size - (_ORDER + 3)
    if min(above, height.size - above) < _LEAST_BESIDE or free < _LEAST_FREE:
        return _Pause()
    order = np.argsort(height)
    if _heights_apart(height[order], 2.0 * _SIGMAS * edges.noise) < _LEAST_HEIGHTS:
        return _Pause()
    slope = float(np.interp(0.0, height[order], edges.slope_per_s[order]))
    columns = np.vander(height, _ORDER + 1, increasing=True)
    columns = np.column_stack([columns, 0.5 * edges.sign, 0.5 * np.sign(height)])
    columns *= edges.slope_per_s[:, None] / slope  # so that the noise of each sample is alike
    late = edges.late_s * edges.slope_per_s
    inverse = np.linalg.pinv(columns.T @ columns)
    jump = inverse @ (columns.T @ late)
    missed = late - columns @ jump
    noise = max(math.sqrt(float(missed @ missed) / free), edges.noise)
    if noise > max(_SIGMAS * edges.noise, _UNDESCRIBED):
        return _Pause()
    return _Pause(0.5 * jump[-1], 0.5 * noise * math.sqrt(inverse[-1, -1]), noise)


def _heights_apart(height: Floats, apart: float) -> int:
    """Count heights that noise keeps apart: edges sampled alike have few, however many they are."""
    count, last = 0, -math.inf
    for each in height.tolist():
        if each > last + apart:
            count, last = count + 1, each
    return count
