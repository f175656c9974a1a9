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

from itertools import permutations

import numpy as np
from numpy.typing import NDArray

from antecurve.pick.boxes import Boxes, Grids, joined
from antecurve.pick.model import NetworkModel
from antecurve.pick.monotone_bounds import MonotoneBounds, narrowed
from antecurve.pick.structure import zero_pairs

__all__ = ["paired_cut"]

Floats = NDArray[np.float64]

_SLACK = 1e-9  # of a logarithm: more than sums of logarithms round
_MOST_BOXES = 150_000  # some 20 MB with their coefficients; a wider limit is for the other cut


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
    zeros = list(zip(low, high, strict=True))
    boxes = [whole.where(slice(0, 0))]
    for windows in permutations(zeros, len(pairs)):
        chosen = whole
        for pair, window in zip(pairs, windows, strict=True):
            with_pair = _with_pair(grids, chosen, pair, window)
            if with_pair is None or sum(map(len, boxes)) + len(with_pair) > _MOST_BOXES:
                return None
            chosen = grids.ordered(with_pair)
            chosen = chosen.where(cut(chosen))
        boxes.append(chosen)
    return narrowed(_distinct(joined(*boxes)), cut, grids, deadline=deadline)


def _with_pair(
    grids: Grids, boxes: Boxes, pair: tuple[int, int], window: tuple[float, float]
) -> Boxes | None:
    """Each box with each choice of a pair whose product is in a window of logarithms."""
    resistor, capacitor = (grids.grids[i] for i in pair)
    start = np.searchsorted(capacitor, window[0] - _SLACK - resistor, "left")
    stop = np.searchsorted(capacitor, window[1] + _SLACK - resistor, "right")
    count = stop - start
    if len(boxes) * int(count.sum()) > 4 * _MOST_BOXES:
        return None
    r = np.repeat(np.arange(len(resistor)), count)
    c = np.arange(len(r)) - np.repeat(np.cumsum(count) - count - start, count)
    first, last = (np.repeat(ends, len(r), axis=0) for ends in (boxes.first, boxes.last))
    for ends in (first, last):
        ends[:, pair[0]] = np.tile(r, len(boxes))
        ends[:, pair[1]] = np.tile(c, len(boxes))
    return Boxes(first, last)


def _distinct(boxes: Boxes) -> Boxes:
    """Each box once: ranges for two zeros may overlap."""
    both = np.unique(np.concatenate([boxes.first, boxes.last], axis=1), axis=0)
    count = boxes.first.shape[1]
    return Boxes(both[:, :count], both[:, count:])
