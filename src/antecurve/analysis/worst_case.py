"""The worst case over the tolerance box: the true extreme, with a bound that proves it.

The centred error is the largest of (e(f1) - e(f2))/2 over pairs of frequencies.  Over the box
that extreme need not lie at a corner, so it is found by branch and bound:

* `antecurve.analysis.box_expansion` bounds (e(f1) - e(f2))/2 over a box from above;
* it also tells for which positions the derivative of that can't change sign: there the extreme
  lies on that face;
* pairs of frequencies that can't beat the best value so far are dropped;
* the others are grouped by the faces they go to, and each group's box is halved.

Each part of a joined position moves the position's value one way only, so the box of the parts
is exactly the box of the positions.
"""

from __future__ import annotations

import heapq
import itertools
import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from antecurve.analysis.box_expansion import BoxProblem, Expansion
from antecurve.analysis.subject import WithParts, picked_of
from antecurve.arrays import log_frequencies
from antecurve.checked import checked
from antecurve.curves.model import Curve, zero_pole_gain
from antecurve.networks.centred_error import error_range, sampled_half_range
from antecurve.networks.compiled import loaded_coefficients
from antecurve.networks.conditions import Conditions, conditions_of
from antecurve.networks.sensitivity import logarithmic_sensitivity
from antecurve.networks.topology import Loading, Network
from antecurve.parts.corners import (
    MOST_POSITIONS,
    box_corners,
    checked_box,
    corner_error_db,
    free_positions,
)
from antecurve.parts.position import PickedNetwork
from antecurve.parts.scatter import part_table, position_box, position_scatter
from antecurve.quantities import DB_PER_NEPER, check_number
from antecurve.results import Result

__all__ = ["MOST_POSITIONS", "WorstCase", "worst_case", "worst_case_or_none", "worst_corner"]

Floats = NDArray[np.float64]
_NEGLIGIBLE = 1e-7  # Np: what a bound need not resolve, 1e-6 dB, a hundredth of what the grid adds
_UNSEEN = 1e-5  # Np: a tenth of what any bench shows; of a resistive network it is not resolved
_CLOSED = 1.001  # of it: the search ends right at its target, and rounding must not undo that
_REAL = 1e-6  # of a zero: an imaginary part this small is rounding of the roots
_FEW_POSITIONS = 8  # beyond, 2**positions corners at each frequency are too much for a fine grid
_FINE_POINTS = 240  # per decade: the grid of the centred error
_COARSE_POINTS = 60  # a quarter of them: a sixteenth of the pairs
_ROUNDING = 1e-9  # of a bound: far more than the sum of a dozen terms rounds
_SPARSE = 8  # every eighth frequency: a sixty-fourth of the pairs
_BLOCK = 256  # corners at a time: bounds the memory


@dataclass(frozen=True, slots=True)
class WorstCase(Result):
    """The largest centred error that parts within their tolerances can make.

    Attributes
    ----------
    centred_db : float
        The largest centred error found [dB]; a build with `values` has it.
    upper_bound_db : float
        No build within tolerance has a larger one [dB].
    values : tuple of float
        Values of the positions there [ohm or F].
    at_corner : bool
        Whether every position is at an end of its range there.
    corner_db : float
        Largest centred error over the corners of the box [dB].
    root_sum_square_db : float
        Estimate with the tolerances' contributions added as the root of the sum of squares [dB].
    proved : bool
        Whether `upper_bound_db` was closed to within the wanted gap, and holds between the
        frequencies of the grid as well.
    boxes : int
        Boxes examined.
    """

    _keys: ClassVar = (
        "centred_db",
        "upper_bound_db",
        "root_sum_square_db",
        "proved",
    )

    centred_db: float
    upper_bound_db: float
    values: tuple[float, ...]
    at_corner: bool
    corner_db: float
    root_sum_square_db: float
    proved: bool
    boxes: int


def worst_corner(
    design: WithParts,
    conditions: Conditions | None = None,
) -> float:
    """Find the largest centred error over the corners of the tolerance box.

    Parameters
    ----------
    design : Design or PickedNetwork
        What is analysed: a design, or a network that comes with `conditions`.
    conditions : Conditions, optional
        Curve, generator, unit and band; those of the design by default.

    Returns
    -------
    float
        Centred error [dB]: every position wholly at its low or its high end.

    Raises
    ------
    InputError
        When there are too many positions for all corners, or the band is out of range.
    """
    return corner_error_db(picked_of(design), conditions_of(design, conditions))


@dataclass(frozen=True, slots=True, eq=False)
class _Box:
    """A box of positions' values, and the pairs of frequencies that may be extreme in it."""

    low: Floats
    high: Floats
    above: NDArray[np.intp] | None
    below: NDArray[np.intp] | None
    """``None`` for both: all pairs."""


class _Search:
    """Branch and bound over boxes and pairs of frequencies."""

    def __init__(self, problem: BoxProblem, low: Floats, high: Floats, gap: float) -> None:
        self.problem, self.gap = problem, gap
        self.best = -math.inf
        self.values = low
        self.boxes = 0
        self._queue: list[tuple[float, int, _Box]] = []
        self._number = itertools.count()
        corners = box_corners(low, high)
        for block in np.array_split(corners, max(1, len(corners) // _BLOCK)):
            self._try(block)
        self._push(math.inf, _Box(low, high, None, None))

    def _try(self, values: Floats) -> None:
        """Keep the best of some builds."""
        error = self.problem.error(values)
        half_range = sampled_half_range(error)
        top = int(np.argmax(half_range))
        if half_range[top] > self.best:
            self.best, self.values = float(half_range[top]), values[top]

    def _push(self, bound: float, box: _Box) -> None:
        heapq.heappush(self._queue, (-bound, next(self._number), box))

    @property
    def _target(self) -> float:
        return max(self.best * (1.0 + self.gap) + _NEGLIGIBLE, _UNSEEN)

    def run(self, most_boxes: int) -> float:
        """Compute an upper bound over the grid."""
        while self._queue and self.boxes < most_boxes:
            bound, _, box = heapq.heappop(self._queue)
            if -bound <= self._target:
                return self._target
            self.boxes += 1
            self._examine(-bound, box)
        if self._queue:
            return max(self._target, -self._queue[0][0])
        return self._target

    def _examine(self, bound: float, box: _Box) -> None:
        self._try(((box.low + box.high) / 2.0)[None])
        expansion = self.problem.expand(box.low, box.high)
        if expansion is None:
            free = np.flatnonzero(box.low < box.high)
            widest = free[np.argmax((box.high - box.low)[free] / box.high[free])]
            self._halve(bound, box, int(widest))
            return
        if box.above is None or box.below is None:
            above, below = _possible_pairs(expansion, self._target)
        else:
            above, below = box.above, box.below
        upper = _upper_bounds(expansion, above, below)
        alive = upper > self._target
        above, below, upper = above[alive], below[alive], upper[alive]
        if not len(upper):
            return
        slope = expansion.gradient[:, above] - expansion.gradient[:, below]
        certain = np.abs(slope) > expansion.slack[:, above] + expansion.slack[:, below]
        sign = np.where(certain, np.sign(slope), 0.0).astype(np.int8)
        for pattern, group in _groups(sign):
            part = _Box(box.low, box.high, above[group], below[group])
            slack = expansion.slack[:, above[group]] + expansion.slack[:, below[group]]
            self._branch(part, expansion, pattern, float(upper[group].max()), slack)

    def _branch(
        self,
        box: _Box,
        expansion: Expansion,
        pattern: NDArray[np.int8],
        bound: float,
        slack: Floats,
    ) -> None:
        low, high = box.low.copy(), box.high.copy()
        up, down = expansion.free[pattern > 0], expansion.free[pattern < 0]
        low[up], high[down] = high[up], low[down]
        smaller = _Box(low, high, box.above, box.below)
        if np.all(low == high):
            self._try(low[None])
        elif len(up) + len(down):
            self._push(bound, smaller)
        else:
            self._halve(bound, smaller, int(expansion.free[np.argmax(slack.max(axis=1))]))

    def _halve(self, bound: float, box: _Box, axis: int) -> None:
        middle = 0.5 * (box.low[axis] + box.high[axis])
        low, high = box.low.copy(), box.high.copy()
        low[axis] = high[axis] = middle
        self._push(bound, _Box(box.low, high, box.above, box.below))
        self._push(bound, _Box(low, box.high, box.above, box.below))


def _possible_pairs(
    expansion: Expansion, target: float
) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Pairs of frequencies whose bound may exceed the target, in the order of the grid.

    With any m in place of the other frequency's gradient the bound of a pair is a sum of one term
    for each: abs(g1_i - g2_i) <= abs(g1_i - m_i) + abs(g2_i - m_i).
    """
    middle = np.median(expansion.gradient, axis=1, keepdims=True)
    scatter = np.abs(expansion.gradient - middle).sum(axis=0) + expansion.remainder
    above, below = scatter + expansion.value, scatter - expansion.value
    possible = above[:, None] + below[None, :] > (2.0 - _ROUNDING) * target
    one, other = np.nonzero(possible)
    return one, other


def _upper_bounds(expansion: Expansion, above: NDArray[np.intp], below: NDArray[np.intp]) -> Floats:
    """Bound (e(f1) - e(f2))/2 over the box from above, for pairs of frequencies.

    With e = v + g x + r, abs(x_i) <= 1 and abs(r) <= R, for each pair (Taylor):

    (e1 - e2)/2 <= (v1 - v2 + sum of abs(g1_i - g2_i) + R1 + R2)/2
    """
    upper = expansion.value[above] - expansion.value[below]
    for row in expansion.gradient:
        upper += np.abs(row[above] - row[below])
    return np.asarray(0.5 * (upper + expansion.remainder[above] + expansion.remainder[below]))


def _groups(sign: NDArray[np.int8]) -> list[tuple[NDArray[np.int8], NDArray[np.intp]]]:
    """Columns with the same signs."""
    code = (sign + 1).T.astype(np.int64) @ (3 ** np.arange(len(sign)))
    _, first, inverse = np.unique(code, return_index=True, return_inverse=True)
    return [
        (sign[:, start], np.flatnonzero(inverse == number)) for number, start in enumerate(first)
    ]


@checked
def worst_case(
    design: WithParts,
    conditions: Conditions | None = None,
    *,
    gap: float = 0.0001,
    points_per_decade: int | None = None,
    most_boxes: int = 20000,
) -> WorstCase:
    """Find the largest centred error within tolerance, and a bound that no build exceeds.

    Parameters
    ----------
    design : Design or PickedNetwork
        What is analysed: a design, or a network that comes with `conditions`.
    conditions : Conditions, optional
        Curve, generator, unit and band; those of the design by default.
    gap : float, optional
        Relative gap between value and bound at which the search ends, above 0.
    points_per_decade : int, optional
        Frequencies of the grid per decade: 240, or 60 where more than 8 positions scatter or the
        network makes no error to speak of, as a divider for a flat curve.  What may lie between
        them is added to the bound.
    most_boxes : int, optional
        Boxes after which the search gives up closing the gap; the bound still holds.

    Returns
    -------
    WorstCase
        Value, bound, the build that has it.

    Raises
    ------
    InputError
        When there are too many positions, or the band is out of range.

    Notes
    -----
    The poles of a passive RC network are real; the bound between frequencies needs the zeros to
    be real too, as those of ladders are.  Where the nominal network has complex zeros, `proved`
    is false and the bound is that of the grid.
    """
    picked = picked_of(design)
    conditions = conditions_of(design, conditions)
    curve, loading, band_hz = conditions.curve, conditions.loading, conditions.band_hz
    low, high = checked_box(picked)
    if points_per_decade is None:
        few = free_positions(low, high) <= _FEW_POSITIONS
        shaped = error_range(picked.network, conditions).centred_db > DB_PER_NEPER * _UNSEEN
        points_per_decade = _FINE_POINTS if few and shaped else _COARSE_POINTS
    frequency = log_frequencies(band_hz, points_per_decade=points_per_decade)
    problem = BoxProblem(picked, curve, loading, frequency)
    check_number(gap, field="gap")
    search = _Search(problem, low, high, gap)
    on_grid = search.run(most_boxes)
    error_db = error_range(Network(picked.topology, search.values), conditions).centred_db
    between_db, real_zeros = _between_frequencies(picked, conditions, frequency)
    closed = on_grid <= max(search.best * (1.0 + gap) + _CLOSED * _NEGLIGIBLE, _UNSEEN)
    return WorstCase(
        centred_db=error_db,
        upper_bound_db=max(error_db, DB_PER_NEPER * on_grid + between_db),
        values=tuple(search.values.tolist()),
        at_corner=bool(np.all((search.values == low) | (search.values == high))),
        corner_db=worst_corner(picked, conditions),
        root_sum_square_db=_root_sum_square(picked, problem, loading),
        proved=closed and real_zeros,
        boxes=search.boxes,
    )


def worst_case_or_none(
    design: WithParts,
    conditions: Conditions | None = None,
    *,
    most_boxes: int = 20000,
) -> WorstCase | None:
    """Find the worst case, or nothing where too many positions scatter for all corners.

    Parameters
    ----------
    design : Design or PickedNetwork
        What is analysed: a design, or a network that comes with `conditions`.
    conditions : Conditions, optional
        Curve, generator, unit and band; those of the design by default.
    most_boxes : int, optional
        As in `worst_case`.

    Returns
    -------
    WorstCase or None
        ``None`` when more than 12 positions scatter.

    Raises
    ------
    InputError
        When the band is out of range.
    """
    picked = picked_of(design)
    conditions = conditions_of(design, conditions)
    if free_positions(*position_box(part_table(picked))) > MOST_POSITIONS:
        return None
    return worst_case(picked, conditions, most_boxes=most_boxes)


def _between_frequencies(
    picked: PickedNetwork, conditions: Conditions, frequency: Floats
) -> tuple[float, bool]:
    """Bound what lies between the frequencies [dB], and tell whether the zeros are real.

    Each real time constant T of H or E adds ln(1 + a)/2 to ln abs(H/E), or takes it away:

    * a = (w T)**2
    * second derivative of ln(1 + a)/2 by ln f: 2a/(1 + a)**2 <= 1/2
    * excess of a function over its samples h apart: at most h**2/8 times its second derivative
      (error of linear interpolation; Abramowitz and Stegun, section 25.2)
    * that is h**2/8/2 per factor, and half of it in (e(f1) - e(f2))/2: each factor bends e
      upward or downward only, so it adds to one of the two extremes
    """
    nominal = loaded_coefficients(
        picked.topology, picked.network.values, loading=conditions.loading
    )
    zeros = np.roots(np.trim_zeros(nominal.numerator[::-1]))
    real_zeros = bool(np.all(np.abs(zeros.imag) <= _REAL * np.abs(zeros)))
    factor_count = len(zeros) + len(nominal.denominator) - 1 + _factor_count(conditions.curve)
    step = math.log(frequency[1] / frequency[0])
    return step**2 / 8.0 * 0.5 * factor_count * DB_PER_NEPER / 2.0, real_zeros


def _factor_count(curve: Curve) -> int:
    emphasis = zero_pole_gain(curve)
    return len(emphasis.zeros_s) + len(emphasis.poles_s)


def _root_sum_square(picked: PickedNetwork, problem: BoxProblem, loading: Loading) -> float:
    """Largest over pairs of (e(f1) - e(f2))/2 + half the root sum square of what parts add."""
    table, values = part_table(picked), picked.network.values
    moved = logarithmic_sensitivity(picked.network, problem.frequency, loading=loading).real
    moved *= position_scatter(table, table.tolerance)[:, None]
    error = problem.error(values)
    sparse = slice(None, None, _SPARSE)
    least = _largest_pair(error[sparse], moved[:, sparse], error[sparse], moved[:, sparse])
    # By the triangle inequality, with the middle of what parts add in place of one frequency.
    scatter = np.linalg.norm(moved - np.median(moved, axis=1, keepdims=True), axis=0)
    above, below = scatter + error, scatter - error
    enough = least - _ROUNDING * np.abs(least)
    one, other = above + below.max() >= enough, below + above.max() >= enough
    largest = _largest_pair(error[one], moved[:, one], error[other], moved[:, other])
    return DB_PER_NEPER * 0.5 * largest


def _largest_pair(error: Floats, moved: Floats, beside: Floats, moved_beside: Floats) -> float:
    """Largest of e(f1) - e(f2) and the root sum square of what parts add to it."""
    squares = sum(
        np.square(row[:, None] - other[None, :])
        for row, other in zip(moved, moved_beside, strict=True)
    )
    pairs = error[:, None] - beside[None, :] + np.sqrt(np.asarray(squares))
    return float(pairs.max())
