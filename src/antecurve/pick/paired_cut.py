"""Another first cut: the pairs of candidates that make a zero of the curve by themselves.

A resistor and a capacitor in parallel that alone lead from input to output make the zero
T = R C (`antecurve.pick.structure.zero_pairs`), whatever the other elements are; so do two in
series across the output (`antecurve.pick.structure.shorting_pairs`).  The time
constants of a network within an error limit lie in a hull (`antecurve.pick.time_constants`), and T
in one of the hull's ranges for zeros.  So the two candidates of each pair are among those whose
product lies there: a window in the sum of two sorted lists.  For a narrow limit few are left of
some hundred thousand.  With such pairs chosen a box has a few free positions only; the others, and
the level, are cut by monotone bounds.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from itertools import permutations

import numpy as np
from numpy.typing import NDArray

from antecurve.curves.model import REFERENCE_FREQUENCY_HZ
from antecurve.job import Job
from antecurve.pick.boxes import Boxes, Grids, joined
from antecurve.pick.model import NetworkModel
from antecurve.pick.monotone_bounds import MonotoneBounds, narrowed
from antecurve.pick.structure import shorting_pairs, zero_pairs
from antecurve.pick.time_constants import TimeConstantHull

__all__ = ["paired_cut"]

Floats = NDArray[np.float64]

_SLACK = 1e-9  # of a logarithm: more than sums of logarithms round
_WIDEST_LIMIT = 0.02  # Np: within it ranges of time constants are still narrow, and soon found
_PORTION = 100_000  # choices at a time: bounds the memory to some 20 MB
_MOST_CHOICES = 30_000_000  # a few seconds; a wider limit is for the other cut
_MOST_BOXES = 1_000_000  # some 130 MB; a wider limit is for the other cut


def paired_cut(
    model: NetworkModel, grids: Grids, *, limit: float, deadline: float | None = None
) -> Boxes | None:
    """Find boxes with chosen zero pairs that may hold a combination within an error limit.

    Parameters
    ----------
    model : NetworkModel
        The network.
    grids : Grids
        Candidates.
    limit : float
        Largest centred error [Np].
    deadline : float or None, optional
        Value of `time.perf_counter` at which to stop.

    Returns
    -------
    Boxes or None
        Every combination within the limit is in one of them.  ``None`` where the network has no
        such pairs, too many candidates make them, or the time is over.

    Raises
    ------
    TimeIsOverError
        When the time is over before the time constants are bounded.
    """
    pairs = shorting_pairs(model.topology) or zero_pairs(model.topology)
    if model.ladder is None or not pairs or limit > _WIDEST_LIMIT:
        return None
    cut = MonotoneBounds(model, grids, limit, fine=True, deadline=deadline)
    whole = grids.whole()
    if cut.empty:
        return whole.where(slice(0, 0))
    with np.errstate(divide="ignore"):
        low, high = np.log(cut.hull.zeros_low), np.log(cut.hull.zeros_high)
    shunts = model.across_output
    interlaced = (
        cut.load_s is not None and cut.load_s < cut.hull.zeros_low.min() and len(shunts) == 1
    )
    boxes = [whole.where(slice(0, 0))]
    for zeros in permutations(range(len(low)), len(pairs)):
        chosen = whole
        said = [_Interlaced(cut, model.job, zero) for zero in zeros] if interlaced else []
        for number, (pair, zero) in enumerate(zip(pairs, zeros, strict=True)):
            parts = []
            before = [(pairs[k][0], said[k]) for k in range(number)] if said else []
            for choices in _choices(grids, chosen, pair, (low[zero], high[zero]), zero, before):
                if choices is None or (deadline is not None and time.perf_counter() > deadline):
                    return None
                if said:
                    choices = _with_shunt(grids, choices, pair[0], shunts[0], said[number])
                ordered = grids.ordered(choices)
                kept = ordered.where(cut(ordered))
                last = number == len(pairs) - 1
                parts.append(narrowed(kept, cut, grids, deadline=deadline) if last else kept)
            chosen = joined(whole.where(slice(0, 0)), *parts)
        boxes.append(chosen)
        if sum(map(len, boxes)) > _MOST_BOXES:
            return None
    apart = np.all(low[:-1] > high[1:])
    return joined(*boxes) if apart else _distinct(joined(*boxes))


class _Interlaced:
    """What one chosen pair says of the other resistances, where zeros and poles interlace.

    1/H = 1 + Z Y with Y = 1/Rp + s CL, and R/(1 + s T) is a term of Z.  So at s = -1/T the residue
    c of 1/H, which its time constants and the level determine, is R Y(-1/T) = R (1 - Rp CL/T)/Rp.
    Hence Rp is at most R/c.  The quotient of two such R is that of the residues, over the quotient
    of 1 - Rp CL/T, which is monotone in Rp CL.
    """

    def __init__(self, cut: MonotoneBounds, job: Job, zero: int) -> None:
        hull, window_db = cut.hull, job.target.level_tolerance_db
        assert cut.load_s is not None
        self._hull, self._zero, self._load_s = hull, zero, cut.load_s
        self._load = job.loading
        at_one = 2.0 * np.pi * REFERENCE_FREQUENCY_HZ
        levels = -np.log(job.gain) - np.array([1.0, -1.0]) * window_db / 20.0 * np.log(10.0)
        zeros = _log_sizes(at_one, hull.zeros_low), _log_sizes(at_one, hull.zeros_high)
        poles = _log_sizes(at_one, hull.poles_low), _log_sizes(at_one, hull.poles_high)
        least, most = _residue(hull, zero)
        self._residue = (
            levels[0] + zeros[0] - poles[1] + least, levels[1] + zeros[1] - poles[0] + most
        )  # fmt: skip

    def times(self, known: Floats) -> Floats:
        """Bounds of Rp CL for logarithms of R."""
        longest = self._load.load_capacitance * np.exp(known - self._residue[0])
        return np.asarray(np.minimum(self._load_s, longest))

    def shunt(self, known: Floats) -> tuple[Floats, Floats]:
        """Bounds of the logarithm of the resistance across the output for logarithms of R."""
        shares = np.log1p(-self.times(known) / self._hull.zeros_low[self._zero])
        ends = (known + shares - self._residue[1], known - self._residue[0])
        with np.errstate(divide="ignore"):
            low, high = (
                -np.log(np.maximum(np.exp(-end) - 1.0 / self._load.load_resistance, 0.0))
                for end in ends
            )
        return low - _SLACK, high + _SLACK

    def quotient(self, known: Floats, zero: int) -> tuple[Floats, Floats]:
        """Bounds of ln of the resistance for another zero over R, for logarithms of R."""
        hull = self._hull
        low, high = np.subtract(_residue(hull, zero), _residue(hull, self._zero)[::-1])
        times = self.times(known)
        ends = [
            np.log1p(-times / of[self._zero]) - np.log1p(-times / to[zero])
            for of, to in ((hull.zeros_low, hull.zeros_high), (hull.zeros_high, hull.zeros_low))
        ]
        return (
            low + np.minimum(0.0, np.minimum(*ends)) - _SLACK,
            high + np.maximum(0.0, np.maximum(*ends)) + _SLACK,
        )


def _log_sizes(omega: float, time_constants: Floats) -> float:
    return float(np.log(np.hypot(1.0, omega * time_constants)).sum())


def _residue(hull: TimeConstantHull, zero: int) -> tuple[float, float]:
    """Bounds of ln of the product of |1 - p/T| over the poles and 1/|1 - z/T| over other zeros."""
    least, most = hull.zeros_low[zero], hull.zeros_high[zero]
    others = np.arange(len(hull.zeros_low)) != zero
    sums = np.zeros(2)
    for sign, low, high in (
        (1.0, hull.poles_low, hull.poles_high),
        (-1.0, hull.zeros_low[others], hull.zeros_high[others]),
    ):
        ends = np.stack([1.0 - high / least, 1.0 - low / most])
        if np.any(np.sign(ends[0]) != np.sign(ends[1])):
            return -np.inf, np.inf
        logs = sign * np.log(np.abs(ends))
        sums += np.sort(logs, axis=0).sum(axis=1)
    return float(sums[0]), float(sums[1])


def _choices(
    grids: Grids,
    boxes: Boxes,
    pair: tuple[int, int],
    window: tuple[float, float],
    zero: int,
    before: list[tuple[int, _Interlaced]],
) -> Iterator[Boxes | None]:
    """Boxes with each choice of a pair whose product is in a window of logarithms, in portions.

    Its resistance has a ratio to each of those chosen before.  ``None`` where there are too many.
    """
    resistor, capacitor = (grids.grids[i] for i in pair)
    start = np.searchsorted(capacitor, window[0] - _SLACK - resistor, "left")
    stop = np.searchsorted(capacitor, window[1] + _SLACK - resistor, "right")
    count = stop - start
    if len(boxes) * int(count.sum()) > _MOST_CHOICES:
        yield None
        return
    r = np.repeat(np.arange(len(resistor)), count)
    c = np.arange(len(r)) - np.repeat(np.cumsum(count) - count - start, count)
    together = max(1, _PORTION // max(1, len(r)))
    for begin in range(0, len(boxes), together):
        portion = boxes.where(slice(begin, begin + together))
        fitting = np.ones((len(portion), len(r)), dtype=bool)
        for position, said in before:
            known = grids.grids[position][portion.first[:, position], None]
            least, most = said.quotient(known, zero)
            ratio = resistor[r] - known
            fitting &= (least <= ratio) & (ratio <= most)
        box, choice = np.nonzero(fitting)
        first, last = portion.first[box], portion.last[box]
        for ends in (first, last):
            ends[:, pair[0]] = r[choice]
            ends[:, pair[1]] = c[choice]
        yield Boxes(first, last)


def _with_shunt(
    grids: Grids, boxes: Boxes, pair_resistor: int, shunt: int, said: _Interlaced
) -> Boxes:
    """Boxes with the resistance across the output within what a pair says of it."""
    low, high = grids.logs(boxes.first), grids.logs(boxes.last)
    low[:, shunt], high[:, shunt] = said.shunt(low[:, pair_resistor])
    shrunk, nonempty = grids.shrunk(boxes, low, high)
    return shrunk.where(nonempty)


def _distinct(boxes: Boxes) -> Boxes:
    """Each box once: ranges for two zeros may overlap."""
    both = np.unique(np.concatenate([boxes.first, boxes.last], axis=1), axis=0)
    count = boxes.first.shape[1]
    return Boxes(both[:, :count], both[:, count:])
