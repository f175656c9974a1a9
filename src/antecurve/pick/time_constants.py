"""Which time constants a network can have whose error stays within a limit.

The magnitude of H depends on its time constants alone, up to a constant:

.. math:: \\ln|H(j\\omega)| = \\mathrm{const} + a\\ln\\omega
          + \\sum_i \\tfrac12\\ln(1+\\omega^2 z_i^2) - \\sum_j \\tfrac12\\ln(1+\\omega^2 p_j^2)

with real z_i, p_j >= 0 for every RC ladder.  A subdivision of their logarithms keeps all boxes
in which the centred error over some frequencies of the band can be within the limit; the hull
of what is kept bounds each time constant of every network that counts.  The frequencies are
some of the band, so the hull holds for the error over the whole band as well.  Narrower ranges
come from `antecurve.pick.root_ranges`, shrunk by the same test as a box.

Every box is tested by an affine bound: with u = ln T + ln w the function 0.5 ln(1 + exp 2u) has
slope s = 1/(1 + exp(-2u)) and second derivative 2 s (1 - s), which is at most 1/2 and grows by no
more than exp(2h) within a distance h.  Time constants far outside the band, below 1/20 of 1/w at
its high end or above 20/w at its low end, are one cell each: there the function is within
0.00125 Np of 0, or of ln w plus a constant.  Of small limits these cells lie farther out.

**Interlaced networks.** Let all shunt elements be resistors across the output.  With A the
admittance of the series arm and source, and Y = 1/Rp + s CL that of shunt resistors and load,
H = A/(A + Y).  A and A + Y are RC admittances with the same poles but for infinity.  At s = -1/T
each rises with s between two poles, from minus to plus infinity, and has one zero there.  So the
k-th zero and the k-th pole of H both lie above the next zero and the next pole.  At a zero of A the
sum is Y, which is positive where T > Rp CL; then the pole of H lies below that zero.  Where H has
one pole more than zeros, A is positive at infinity.  Beyond its last pole A stays above that, so
that Y is negative at the last pole of H, which lies below Rp CL.
"""

from __future__ import annotations

import math
import time
from dataclasses import dataclass, field, replace
from functools import lru_cache
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from antecurve.pick.affine import exclude_and_contract
from antecurve.pick.root_ranges import RootRanges, TimeIsOverError

__all__ = ["TimeConstantHull", "contracted", "symmetric", "time_constant_hull"]

Floats = NDArray[np.float64]

_EDGE = 0.05  # of 1/w at an end of the band: further out the share departs by 0.00125 Np at most
_FAR = 60.0  # logarithm of a time constant: beyond any, and its exponential still a double
_WIDE = 0.8  # half width of a cell, by judgement: over wider ones a tangent bounds loosely
_STOP = 0.3  # width of a cell, by judgement: narrower ones tighten the hull little
_STOP_PER_LIMIT = 6.0  # 1/Np, by judgement: a wide limit blurs the hull more than its cells do
_START = 2e-3  # Np, by judgement: ranges of smaller limits come from those of this one
_FINE_STOP = 0.1  # width of a cell, by judgement: its curvature lets it shrink further by itself
_AT_ONCE = 1_000  # boxes: what is at hand of them fits into a processor's cache, 40 % less time
_MOST_FINE_BOXES = 20_000  # half a second
_ROUNDS = 6  # of shrinking, which each come nearer by a square
_MOST_BOXES = 12_000  # bounds the time; beyond it cells stay as wide as they are
_LIMIT_STEP = 1.25  # growth of the rounded limits: the next one is at most this much too wide
_FINE_LIMIT_STEP = 1.02  # the same of fine hulls, from which much more follows
_EPS = 1e-9  # keeps a value on the edge on its side in spite of rounding
_ANY_LEVEL = 1e3  # Np: no bound at all


@dataclass(frozen=True, slots=True, eq=False)
class TimeConstantHull:
    """Bounds of time constants, longest first.

    Attributes
    ----------
    zeros_low, zeros_high : numpy.ndarray of float, shape (zeros,)
        Time constants of the numerator [s]; a low bound may be 0, a high one very large.
    poles_low, poles_high : numpy.ndarray of float, shape (poles,)
        Time constants of the denominator [s].
    empty : bool
        Whether no time constants at all keep the error within the limit.
    """

    zeros_low: Floats
    zeros_high: Floats
    poles_low: Floats
    poles_high: Floats
    empty: bool = False


def time_constant_hull(
    target: Floats, omega: Floats, *, zeros: int, poles: int, limit: float,
    near: tuple[tuple[float, ...], tuple[float, ...]] | None = None,
    load_s: float | None = None, deadline: float | None = None,
) -> TimeConstantHull:  # fmt: skip
    """Bound the time constants of every network within an error limit.

    Parameters
    ----------
    target : numpy.ndarray of float, shape (frequencies,)
        ln|E| less a times ln(omega) for a zeros at the origin [Np]; a constant is no matter.
    omega : numpy.ndarray of float, shape (frequencies,)
        Frequencies [rad/s], ascending.
    zeros, poles : int
        Number of time constants of numerator and denominator.
    limit : float
        Largest centred error [Np].
    near : tuple of tuple of float or None, optional
        Time constants of the zeros and of the poles of the curve [s]: to bound those of networks
        by `antecurve.pick.root_ranges`, narrowly.  By default by a subdivision, roughly and in a
        quarter of the time.
    load_s : float or None, optional
        Of a network whose zeros and poles interlace the longest time constant that load resistance
        and capacitance can have with the shunt resistance [s].
    deadline : float or None, optional
        Value of `time.perf_counter` at which to give up.

    Returns
    -------
    TimeConstantHull
        Valid for every network with as many or fewer time constants.  Hulls are kept, and
        limits rounded up a little, so that networks of one job share them.

    Raises
    ------
    TimeIsOverError
        When the deadline passes.
    """
    step = _LIMIT_STEP if near is None else _FINE_LIMIT_STEP
    rounded = step ** math.ceil(math.log(limit, step) - _EPS)
    levels = tuple(target - target.mean())
    return _hull(_Asked(levels, tuple(omega), zeros, poles, rounded, near, load_s, deadline))


def contracted(
    low: Floats, high: Floats, target: Floats, omega: Floats, *, zeros: int, poles: int,
    limit: float, near: tuple[tuple[float, ...], tuple[float, ...]] | None = None,
    load_s: float | None = None,
) -> tuple[Floats, Floats, NDArray[np.int64]]:  # fmt: skip
    """Tighten boxes of logarithms of time constants by what keeps the error within a limit.

    Parameters
    ----------
    low, high : numpy.ndarray of float, shape (boxes, zeros + poles)
        Ends of the boxes, longest time constants first, zeros before poles; -60 stands for 0.
    target, omega, zeros, poles, limit, near : optional
        See `time_constant_hull`.
    load_s : float or None, optional
        See there [s].

    Returns
    -------
    low, high : numpy.ndarray of float, shape (some boxes, zeros + poles)
        What is left of the boxes.
    kept : numpy.ndarray of int, shape (some boxes,)
        Which boxes have something left.
    """
    levels = tuple(target - target.mean())
    cells = _Cells(_Asked(levels, tuple(omega), zeros, poles, limit, near, load_s, None))
    low, high, ordered = cells.sort(low, high, zeros)
    low, high, kept = cells.reduce(low, high, limit)
    return low, high, ordered[kept]


def symmetric(time_constants: Floats) -> Floats:
    """Compute elementary symmetric functions.

    Parameters
    ----------
    time_constants : numpy.ndarray of float, shape (count,)
        The numbers.

    Returns
    -------
    numpy.ndarray of float, shape (count + 1,)
        e_0, e_1, ...
    """
    functions = np.array([1.0])
    for t in time_constants:
        functions = np.append(functions, 0.0) + t * np.concatenate([[0.0], functions])
    return functions


@dataclass(frozen=True, slots=True)
class _Asked:
    """What a hull is asked for; the deadline makes no other hull of it."""

    target: tuple[float, ...]
    omega: tuple[float, ...]
    zeros: int
    poles: int
    limit: float
    near: tuple[tuple[float, ...], tuple[float, ...]] | None
    load_s: float | None
    deadline: float | None = field(compare=False)


@lru_cache(maxsize=64)
def _hull(asked: _Asked) -> TimeConstantHull:
    cells = _Cells(asked)
    low, high = _start(asked)
    if asked.near is None or asked.limit < _START:
        low, high = _subdivided(cells, asked, low, high)
    for _ in range(0 if asked.near is None else _ROUNDS):
        low, high, _ = cells.reduce(*cells.sort(low, high, asked.zeros)[:2], asked.limit)
    if not len(low):
        nothing = np.zeros(0)
        return TimeConstantHull(nothing, nothing, nothing, nothing, empty=True)
    lowest = np.where(low.min(axis=0) <= -_FAR, 0.0, np.exp(low.min(axis=0)))
    highest = np.exp(high.max(axis=0))
    zeros = asked.zeros
    return TimeConstantHull(lowest[:zeros], highest[:zeros], lowest[zeros:], highest[zeros:])


def _start(asked: _Asked) -> tuple[Floats, Floats]:
    """One box of logarithms of time constants that holds all within the limit."""
    count = asked.zeros + asked.poles
    if asked.near is None:
        return np.full((1, count), -_FAR), np.full((1, count), _FAR)
    return _ranges(replace(asked, limit=max(asked.limit, _START)))


@lru_cache(maxsize=64)
def _ranges(asked: _Asked) -> tuple[Floats, Floats]:
    assert asked.near is not None
    interlaced = asked.load_s is not None and asked.poles == asked.zeros + 1
    ranges = RootRanges(
        np.array(asked.target), np.array(asked.omega),
        near=(np.array(asked.near[0]), np.array(asked.near[1])),
        counts=(asked.zeros, asked.poles), limit=asked.limit,
        shortest=asked.load_s if interlaced and asked.load_s else math.inf,
        deadline=asked.deadline,
    )  # fmt: skip
    ends = [np.concatenate(both) for both in zip(ranges.zeros(), ranges.poles(), strict=True)]
    with np.errstate(divide="ignore"):
        low, high = np.clip(np.log(ends), -_FAR, _FAR)[:, None]
    return low, high


def _subdivided(cells: _Cells, asked: _Asked, low: Floats, high: Floats) -> tuple[Floats, Floats]:
    """Boxes of logarithms of time constants, each as narrow as the limit deserves."""
    limit, fine = asked.limit, asked.near is not None
    stop = _FINE_STOP if fine else _STOP + _STOP_PER_LIMIT * limit
    kept: list[tuple[Floats, Floats]] = []
    examined = 0
    while len(low):
        examined += len(low)
        low, high, _ = cells.reduce(*cells.sort(low, high, asked.zeros)[:2], limit)
        width = cells.width(low, high)
        done = width.max(axis=1, initial=0.0) < stop
        if examined > (_MOST_FINE_BOXES if fine else _MOST_BOXES):
            done[:] = True
        kept.append((low[done], high[done]))
        low, high, width = low[~done], high[~done], width[~done]
        low, high = cells.halve(low, high, width)
    lows, highs = (np.concatenate([k[i] for k in kept]) for i in (0, 1))
    return lows, highs


class _Cells:
    """Boxes of logarithms of time constants."""

    def __init__(self, asked: _Asked) -> None:
        omega = np.array(asked.omega)
        self._deadline = asked.deadline
        self._target = np.array(asked.target)
        self._load_s = asked.load_s
        self._log = np.log(omega)
        self._sign = np.array([1.0] * asked.zeros + [-1.0] * asked.poles)
        # There a fine hull's share departs by half of the limit at most.
        edge = _EDGE if asked.near is None else min(_EDGE, math.sqrt(asked.limit))
        self._floor = math.log(edge / omega[-1])
        self._ceiling = math.log(1.0 / (edge * omega[0]))

    def sort(
        self, low: Floats, high: Floats, zeros: int
    ) -> tuple[Floats, Floats, NDArray[np.int64]]:
        """Longest first, among zeros and among poles, and these one after the other.

        With the places of the boxes that have such time constants.
        """
        low, high = low.copy(), high.copy()
        if self._load_s is not None:
            low, high = self._interlaced(low, high, zeros)
            if self._load_s > 0.0 and low.shape[1] == 2 * zeros + 1:
                high[:, -1] = np.minimum(high[:, -1], math.log(self._load_s) + _EPS)
        for start, stop in ((0, zeros), (zeros, low.shape[1])):
            for a in range(start, stop - 1):
                high[:, a + 1] = np.minimum(high[:, a + 1], high[:, a])
            for a in reversed(range(start, stop - 1)):
                low[:, a] = np.maximum(low[:, a], low[:, a + 1])
        whole = np.flatnonzero(np.all(low <= high, axis=1))
        return low[whole], high[whole], whole

    def _interlaced(self, low: Floats, high: Floats, zeros: int) -> tuple[Floats, Floats]:
        """Each zero and its pole above the next ones, and the pole below a zero above the load."""
        poles = low.shape[1] - zeros
        above_load = -math.inf if self._load_s == 0.0 else math.log(self._load_s or 1.0) + _EPS
        groups = [
            [i for i in (k if k < zeros else -1, zeros + k if k < poles else -1) if i >= 0]
            for k in range(max(zeros, poles))
        ]
        for longer, shorter in pairwise(groups):
            top = high[:, longer].min(axis=1, keepdims=True)
            high[:, shorter] = np.minimum(high[:, shorter], top)
        for shorter, longer in pairwise(groups[::-1]):
            bottom = low[:, shorter].max(axis=1, keepdims=True)
            low[:, longer] = np.maximum(low[:, longer], bottom)
        for k in range(min(zeros, poles)):
            settled = low[:, k] > above_load
            pole = zeros + k
            high[:, pole] = np.where(settled, np.minimum(high[:, pole], high[:, k]), high[:, pole])
            low[:, k] = np.where(settled, np.maximum(low[:, k], low[:, pole]), low[:, k])
        return low, high

    def width(self, low: Floats, high: Floats) -> Floats:
        """Widths, the far cells counted as nothing."""
        clipped = np.clip(high, self._floor, self._ceiling)
        return np.asarray(clipped - np.clip(low, self._floor, self._ceiling))

    def reduce(
        self, low: Floats, high: Floats, limit: float
    ) -> tuple[Floats, Floats, NDArray[np.int64]]:
        """Drop boxes that can't hold an error within the limit; tighten the rest, and say which."""
        kept = []
        for first in range(0, max(len(low), 1), _AT_ONCE):
            if self._deadline is not None and time.perf_counter() > self._deadline:
                raise TimeIsOverError
            block = slice(first, first + _AT_ONCE)
            *ends, places = self._reduced(low[block], high[block], limit)
            kept.append((*ends, places + first))
        lows, highs, places = (np.concatenate(part) for part in zip(*kept, strict=True))
        return lows, highs, places

    def _reduced(
        self, low: Floats, high: Floats, limit: float
    ) -> tuple[Floats, Floats, NDArray[np.int64]]:
        """What `reduce` returns, of a block."""
        below = low < self._floor - _EPS
        above = high > self._ceiling + _EPS
        centre, half = (low + high) / 2.0, (high - low) / 2.0
        wide = below | above | (half > _WIDE)
        u = np.clip(centre, -_FAR, _FAR)[:, None, :] + self._log[:, None]
        slope = 1.0 / (1.0 + np.exp(-2.0 * u))
        growth = np.exp(2.0 * np.minimum(half, 3.0))[:, None, :]
        curvature = np.minimum(0.5, 2.0 * slope * (1.0 - slope) * growth)
        spare = 0.5 * curvature * half[:, None, :] ** 2
        value = _softplus(u)
        box, constant = np.nonzero(wide)
        if len(box):
            least, most = self._range(low[wide], high[wide], below[wide], above[wide])
            spare[box, :, constant] = (most - least) / 2.0
            value[box, :, constant] = (most + least) / 2.0
            slope[box, :, constant] = 0.0
        rows = (value * self._sign).sum(axis=-1) - self._target
        rows = rows - rows.mean(axis=1, keepdims=True)
        noise = limit + spare.sum(axis=-1)
        bound = exclude_and_contract(
            rows, slope * self._sign, np.where(wide, 0.0, half), noise,
            offset=np.full(len(low), _ANY_LEVEL), level_row=False,
        )  # fmt: skip
        keep = bound.keep
        inner_low = np.where(wide, low, centre + half * bound.low)[keep]
        inner_high = np.where(wide, high, centre + half * bound.high)[keep]
        return inner_low, inner_high, np.flatnonzero(keep)

    def _range(
        self, low: Floats, high: Floats, below: NDArray[np.bool_], above: NDArray[np.bool_]
    ) -> tuple[Floats, Floats]:
        """Least and most of each time constant's share; a constant share is left out above."""
        u_low = low[:, None] + self._log
        least = _softplus(u_low)
        most = _softplus(high[:, None] + self._log)
        # A cell that reaches to infinity: 0.5 ln(1 + exp 2u) = ln w + ln T + excess; ln T is a
        # constant and left out, and the excess falls with T, so its low end bounds it.
        excess = least - u_low
        endless = above[:, None]
        least = np.where(endless, self._log, np.where(below[:, None], 0.0, least))
        most = np.where(endless, self._log + excess, most)
        return least, most

    def halve(self, low: Floats, high: Floats, width: Floats) -> tuple[Floats, Floats]:
        """Halve each box at its widest side; far cells are cut off first."""
        if not len(low):
            return low, high
        box = np.arange(len(low))
        axis = width.argmax(axis=1)
        a, b = low[box, axis], high[box, axis]
        middle = (
            np.clip(a, self._floor, self._ceiling) + np.clip(b, self._floor, self._ceiling)
        ) / 2
        cut_low = (a < self._floor - _EPS) & (b - self._floor <= 2.0)
        cut_high = (
            (b > self._ceiling + _EPS) & (a >= self._floor - _EPS) & (self._ceiling - a <= 2.0)
        )
        middle = np.where(cut_low, self._floor, np.where(cut_high, self._ceiling, middle))
        upper, lower = high.copy(), low.copy()
        upper[box, axis] = middle
        lower[box, axis] = middle
        return np.concatenate([low, lower]), np.concatenate([upper, high])


def _softplus(u: Floats) -> Floats:
    return np.asarray(np.maximum(u, 0.0) + 0.5 * np.log1p(np.exp(-2.0 * np.abs(u))))
