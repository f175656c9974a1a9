"""Best-first branch and bound for the smallest percentile of the error over builds."""

from __future__ import annotations

import math
import time
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from antecurve.pick.bounds import bound_boxes
from antecurve.pick.boxes import Boxes, combinations_in, joined
from antecurve.pick.branch_and_bound import Space
from antecurve.pick.percentile_bounds import PercentileBounds

__all__ = ["PercentileSearch"]

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

_BATCH = 256  # boxes at a time: few enough to follow the smallest bounds
_WIDE_BATCH = 4000  # wide boxes at a time: of them no percentile is bounded
_WIDEST = 0.12  # ln of the value: in boxes with wider halves slopes change by more than they are
_LEAF = 16  # combinations: so few are bounded one by one faster than they are split
_KEPT = 512  # combinations with the smallest estimates: far more than are simulated
_SLACK = 1e-12  # candidates at the very end of a box stay in


class PercentileSearch:
    """Search through the combinations of one network by bounds of a percentile.

    Parameters
    ----------
    space : Space
        The combinations.
    bounds : PercentileBounds
        Their bounds.
    fraction : float
        Fraction of the builds that the percentile is not below.
    boxes : Boxes
        Boxes that hold every combination of interest.

    Attributes
    ----------
    boxes : Boxes
        Boxes not yet examined.
    least : numpy.ndarray of float, shape (boxes,)
        Their bounds [Np].
    met : numpy.ndarray of int, shape (combinations, elements)
        Combinations met whose percentile may be the smallest, smallest estimate first.
    met_bounds, met_estimates : numpy.ndarray of float, shape (combinations,)
        Of their percentiles [Np].
    lower : float
        What the percentile of no other combination is below [Np], boxes left open excepted.
    evaluated : int
        Combinations bounded one by one.
    """

    def __init__(
        self, space: Space, bounds: PercentileBounds, fraction: float, boxes: Boxes
    ) -> None:
        self.space, self.bounds, self.boxes = space, bounds, boxes
        self._fraction = fraction
        self.least = np.zeros(len(boxes))
        self._settled = False  # whether no box is wider than percentiles are bounded in
        self.met: Indices = np.zeros((0, len(space.candidates)), dtype=np.int64)
        self.met_bounds, self.met_estimates = np.zeros((2, 0))
        self.lower = math.inf
        self.evaluated = 0

    @property
    def open_bound(self) -> float:
        """What no combination of an open box is below [Np]; infinite where none is open."""
        return float(self.least.min(initial=math.inf))

    def run(
        self, target: float, *, most_boxes: int, deadline: float | None,
        watch: Callable[[int, int], None],
    ) -> None:  # fmt: skip
        """Examine boxes, those with the smallest bounds first.

        Parameters
        ----------
        target : float
            Percentile [Np] at and above which boxes and combinations are of no interest.
        most_boxes : int
            Boxes after which to stop.
        deadline : float or None
            Value of `time.perf_counter` at which to stop.
        watch : callable
            Called with the combinations evaluated and the boxes open.
        """
        examined = 0
        self._forget(target)
        while len(self.boxes) and examined < most_boxes:
            if deadline is not None and time.perf_counter() > deadline:
                break
            if self._settled:
                now = self._take()
                examined += len(now)
                self._divide(now, target)
            else:
                self._settle(target, deadline, watch)
            watch(self.evaluated, len(self.boxes))

    def _settle(
        self, target: float, deadline: float | None, watch: Callable[[int, int], None]
    ) -> None:
        """Halve boxes until none is too wide, then bound all of them."""
        done = [self.boxes.where(slice(0, 0))]
        while len(self.boxes):
            if deadline is not None and time.perf_counter() > deadline:
                break
            now, self.boxes = (
                self.boxes.where(slice(0, _WIDE_BATCH)),
                self.boxes.where(slice(_WIDE_BATCH, None)),
            )
            remaining = self._shrunk(now, target)
            wide = self._sides(remaining).max(axis=1, initial=0.0) > 2.0 * _WIDEST
            done.append(remaining.where(~wide))
            halves = self.space.grids.halved(
                remaining.where(wide), self._sides(remaining.where(wide))
            )
            self.boxes = joined(self.space.grids.ordered(halves), self.boxes)
            watch(self.evaluated, len(self.boxes))
        self._settled = not len(self.boxes)
        narrow = joined(*done)
        self.least = np.zeros(len(self.boxes) + len(narrow))
        self.boxes = joined(self.boxes, narrow)
        if self._settled:
            self.least = self.bounds.of_boxes(narrow, self._fraction)
            self._forget(target)

    def _sides(self, boxes: Boxes) -> Floats:
        """Widths of boxes."""
        return self.space.grids.logs(boxes.last) - self.space.grids.logs(boxes.first)

    def _forget(self, target: float) -> None:
        """Drop boxes that can't hold a percentile below the target."""
        keep = self.least < target
        if not keep.all():
            self.lower = min(self.lower, target)
            self.boxes, self.least = self.boxes.where(keep), self.least[keep]

    def _take(self) -> Boxes:
        """Take the boxes with the smallest bounds."""
        if len(self.boxes) <= _BATCH:
            taken = np.ones(len(self.boxes), dtype=bool)
        else:
            taken = np.zeros(len(self.boxes), dtype=bool)
            taken[np.argpartition(self.least, _BATCH)[:_BATCH]] = True
        now = self.boxes.where(taken)
        self.boxes, self.least = self.boxes.where(~taken), self.least[~taken]
        return now

    def _shrunk(self, now: Boxes, target: float) -> Boxes:
        """Shrink boxes to what can matter."""
        grids = self.space.grids
        # A percentile is below the nominal centred error by no more than the departure.
        bound = bound_boxes(
            self.space.model, grids.logs(now.first), grids.logs(now.last),
            limit=target + self.bounds.departure,
        )  # fmt: skip
        keep = bound.keep
        shrunk, nonempty = grids.shrunk(
            now.where(keep), bound.low[keep] - _SLACK, bound.high[keep] + _SLACK
        )
        if nonempty.sum() < len(now):
            self.lower = min(self.lower, target)
        return shrunk.where(nonempty)

    def _divide(self, now: Boxes, target: float) -> None:
        """Shrink boxes, evaluate small ones and halve the others."""
        grids = self.space.grids
        remaining = self._shrunk(now, target)
        small = remaining.sizes <= _LEAF
        self._look(remaining.where(small), target)
        wide = remaining.where(~small)
        if not len(wide):
            return
        halves = grids.ordered(grids.halved(wide, self._sides(wide)))
        self.boxes = joined(self.boxes, halves)
        self.least = np.append(self.least, self.bounds.of_boxes(halves, self._fraction))
        self._forget(target)

    def _look(self, leaves: Boxes, target: float) -> None:
        """Bound every combination of some boxes."""
        for indices in combinations_in(leaves):
            indices = indices[self.space.admitted(indices)]
            self.evaluated += len(indices)
            bounds, estimates = self.bounds.of_combinations(indices, self._fraction)
            keep = bounds < target
            if not keep.all():
                self.lower = min(self.lower, target)
            met = np.concatenate([self.met, indices[keep]])
            bounds = np.append(self.met_bounds, bounds[keep])
            estimates = np.append(self.met_estimates, estimates[keep])
            order = np.argsort(estimates, kind="stable")
            self.lower = min(self.lower, float(bounds[order[_KEPT:]].min(initial=math.inf)))
            order = order[:_KEPT]
            self.met, self.met_bounds, self.met_estimates = (
                met[order], bounds[order], estimates[order]
            )  # fmt: skip
