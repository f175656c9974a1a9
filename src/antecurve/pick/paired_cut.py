"""Another first cut: the pairs of candidates that make a zero of the curve by themselves.

A resistor and a capacitor in parallel that alone lead from input to output make the zero
T = R C (`antecurve.pick.structure.zero_pairs`), whatever the other elements are.  The time
constants of a network within an error limit lie in a hull (`antecurve.pick.time_constants`), and T
in one of the hull's ranges for zeros.  So the two candidates of each pair are among those whose
product lies there: a window in the sum of two sorted lists.  For a narrow limit few are left of
some hundred thousand.  With such pairs chosen a box has a few free positions only; the others, and
the level, are cut by monotone bounds.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import permutations

import numpy as np
from numpy.typing import NDArray

from antecurve.pick.boxes import Boxes, Grids, joined
from antecurve.pick.model import NetworkModel
from antecurve.pick.monotone_bounds import MonotoneBounds, narrowed
from antecurve.pick.structure import zero_pairs
from antecurve.pick.time_constants import TimeConstantHull

__all__ = ["paired_cut"]

Floats = NDArray[np.float64]

_SLACK = 1e-9  # of a logarithm: more than sums of logarithms round
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
        Value of `time.perf_counter` after which boxes are returned as they are.

    Returns
    -------
    Boxes or None
        Every combination within the limit is in one of them.  ``None`` where the network has no
        such pairs or too many candidates make them.
    """
    pairs = zero_pairs(model.topology)
    if model.ladder is None or not pairs:
        return None
    cut = MonotoneBounds(model, grids, limit, fine=True)
    whole = grids.whole()
    if cut.empty:
        return whole.where(slice(0, 0))
    with np.errstate(divide="ignore"):
        low, high = np.log(cut.hull.zeros_low), np.log(cut.hull.zeros_high)
    boxes = [whole.where(slice(0, 0))]
    for zeros in permutations(range(len(low)), len(pairs)):
        chosen = whole
        for number, (pair, zero) in enumerate(zip(pairs, zeros, strict=True)):
            ratios = [
                (pairs[k][0], *_resistance_ratio(cut.hull, zero, zeros[k], cut.load_s))
                for k in range(number)
            ]
            parts = []
            for choices in _choices(grids, chosen, pair, (low[zero], high[zero]), ratios):
                if choices is None:
                    return None
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


def _resistance_ratio(
    hull: TimeConstantHull, one: int, other: int, load_s: float | None
) -> tuple[float, float]:
    """Bounds of ln(R/R') of the pairs that make two zeros T and T', where zeros and poles interlace.

    1/H = 1 + Z Y with Y = 1/Rp + s CL, and R/(1 + s T) is a term of Z.  So at s = -1/T the residue
    of 1/H, which its time constants alone determine but for a common factor, is R Y(-1/T).
    """
    if load_s is None or load_s >= hull.zeros_low[[one, other]].min():
        return -np.inf, np.inf
    low, high = np.subtract(_residue(hull, one), _residue(hull, other)[::-1])
    # Y Rp = 1 - Rp CL/T: a quotient of two such is monotone in Rp CL, so its ends bound it.
    ends = [
        np.log1p(-load_s / of[other]) - np.log1p(-load_s / against[one])
        for of, against in (
            (hull.zeros_low, hull.zeros_high), (hull.zeros_high, hull.zeros_low),
        )
    ]  # fmt: skip
    return low + min(0.0, *ends) - _SLACK, high + max(0.0, *ends) + _SLACK


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
    ratios: list[tuple[int, float, float]],
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
        some = boxes.where(slice(begin, begin + together))
        fitting = np.ones((len(some), len(r)), dtype=bool)
        for before, low, high in ratios:
            known = grids.grids[before][some.first[:, before]]
            ratio = resistor[r] - known[:, None]
            fitting &= (low <= ratio) & (ratio <= high)
        box, choice = np.nonzero(fitting)
        first, last = some.first[box], some.last[box]
        for ends in (first, last):
            ends[:, pair[0]] = r[choice]
            ends[:, pair[1]] = c[choice]
        yield Boxes(first, last)


def _distinct(boxes: Boxes) -> Boxes:
    """Each box once: ranges for two zeros may overlap."""
    both = np.unique(np.concatenate([boxes.first, boxes.last], axis=1), axis=0)
    count = boxes.first.shape[1]
    return Boxes(both[:, :count], both[:, count:])
