"""The worst case over the tolerance box: the true extreme, with a bound that proves it.

The centred error is the largest of (e(f1) - e(f2))/2 over pairs of frequencies.  Over the box
that extreme need not lie at a corner, so it is found by branch and bound.  Numerator and
denominator of H are affine in each position's value by itself, hence on a box

* their values lie in the convex hull of their values at the corners (the mapping theorem of
  L. A. Zadeh and C. A. Desoer, "Linear System Theory", 1963), and so do those of their
  derivatives: abs(P/P_c - 1), abs(P_i/P_c - ...) are largest at corners, P_c being the value in
  the middle; that bounds the second derivatives of ln abs(P) everywhere in the box;
* with those, a Taylor expansion about the middle bounds (e(f1) - e(f2))/2 from above, and tells
  for which positions its derivative can't change sign: there the extreme lies on that face.

Pairs that can't beat the best value found are dropped, the others are grouped by the faces they
go to, and what is left of the box is halved.  Each part of a joined position moves the
position's value one way only, so the box of the parts is exactly the box of the positions.

What may lie between two frequencies of the grid: each real time constant T of H or E puts at
most 10/ln 10 dB into the second derivative of e by ln f, since 4a/(1 + a)**2 <= 1 for
a = (w T)**2, and between samples h apart a function exceeds them by at most h**2/8 times that.
"""

from __future__ import annotations

import heapq
import itertools
import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from antecurve.algebra.transfer_function import TransferFunction
from antecurve.analysis.subject import WithParts, picked_of
from antecurve.checked import checked
from antecurve.curves.model import Curve, response, zero_pole_gain
from antecurve.errors import InputError
from antecurve.networks.centred_error import CentredError, log_frequencies
from antecurve.networks.compiled import loaded_coefficients
from antecurve.networks.conditions import Conditions, conditions_of
from antecurve.networks.deviation import error_range
from antecurve.networks.sensitivity import logarithmic_sensitivity
from antecurve.networks.topology import Loading, Network
from antecurve.parts.position import PickedNetwork
from antecurve.parts.scatter import part_table, position_box, position_scatter
from antecurve.quantities import DB_PER_NEPER, check_number
from antecurve.results import Result

__all__ = ["MOST_POSITIONS", "WorstCase", "worst_case", "worst_case_or_none", "worst_corner"]

Floats = NDArray[np.float64]
_NEGLIGIBLE = 1e-7  # Np: what a bound need not resolve, 1e-6 dB, a hundredth of what the grid adds
MOST_POSITIONS = 12
"""Positions whose corners are few enough to be all examined."""


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


def _corners(low: Floats, high: Floats) -> Floats:
    """All corners of a box, shape (2**free, positions); a position without range counts once."""
    ends = [(a,) if a == b else (a, b) for a, b in zip(low, high, strict=True)]
    return np.array(list(itertools.product(*ends)))


def worst_corner(
    design: WithParts,
    conditions: Conditions | None = None,
) -> float:
    """Find the largest centred error over the corners of the tolerance box.

    Parameters
    ----------
    design : Designed or PickedNetwork
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
    picked = picked_of(design)
    conditions = conditions_of(design, conditions)
    curve, loading, band_hz = conditions.curve, conditions.loading, conditions.band_hz
    low, high = position_box(part_table(picked))
    _check_size(low, high)
    responses = loaded_coefficients(picked.topology, _corners(low, high), loading=loading)
    return float(CentredError(curve, band_hz=band_hz)(responses).max())


def _free_positions(low: Floats, high: Floats) -> int:
    return int(np.count_nonzero(low < high))


def _check_size(low: Floats, high: Floats) -> None:
    free = _free_positions(low, high)
    if free > MOST_POSITIONS:
        raise InputError(
            "network", f"{free} positions", f"the worst case takes at most {MOST_POSITIONS}"
        )


@dataclass(frozen=True, slots=True, eq=False)
class _Expansion:
    """ln abs(H/E) about the middle of a box, in coordinates from -1 to 1 over the box.

    gradient, slack : shape (free, frequencies); the gradient in the middle, and by how much it
    may differ elsewhere.  remainder : shape (frequencies,); bound of the second-order term.
    """

    free: NDArray[np.intp]
    value: Floats
    gradient: Floats
    slack: Floats
    remainder: Floats


class _Problem:
    """What the boxes of one network have in common."""

    def __init__(
        self, picked: PickedNetwork, curve: Curve, loading: Loading, frequency: Floats
    ) -> None:
        self.topology, self.loading, self.frequency = picked.topology, loading, frequency
        self.curve_level = np.log(np.abs(response(curve, frequency)))

    def polynomials(self, values: Floats) -> tuple[NDArray[np.complex128], ...]:
        """N and D at all frequencies, shape (..., frequencies)."""
        responses = loaded_coefficients(self.topology, values, loading=self.loading)
        one = np.ones(1)
        return tuple(
            TransferFunction(part, one).response(self.frequency)
            for part in (responses.numerator, responses.denominator)
        )

    def error(self, values: Floats) -> Floats:
        """ln abs(H/E), shape (..., frequencies)."""
        top, bottom = self.polynomials(values)
        return np.asarray(np.log(np.abs(top / bottom)) - self.curve_level)

    def expand(self, low: Floats, high: Floats) -> _Expansion | None:
        """Expand about the middle of a box; ``None`` where the box is too large for a bound."""
        free = np.flatnonzero(low < high)
        shape = (2,) * len(free) + (len(self.frequency),)
        bounds = []
        for polynomial in self.polynomials(_corners(low, high)):
            bound = _logarithm_bounds(polynomial.reshape(shape))
            if bound is None:
                return None
            bounds.append(bound)
        top, bottom = bounds
        second = np.abs(top[2] - bottom[2]) + top[3] + bottom[3]
        return _Expansion(
            free=free,
            value=top[0] - bottom[0] - self.curve_level,
            gradient=top[1] - bottom[1],
            slack=second.sum(axis=1),
            remainder=0.5 * second.sum(axis=(0, 1)),
        )


def _logarithm_bounds(
    corners: NDArray[np.complex128],
) -> tuple[Floats, Floats, Floats, Floats] | None:
    """Expand ln abs(P) of a multi-affine P given at the corners of a box.

    Returns value, gradient (free, frequencies) and second derivatives (free, free, frequencies)
    in the middle, and how far the second derivatives may be from that within the box; ``None``
    where P may vanish in the box.
    """
    axes = tuple(range(corners.ndim - 1))
    middle = corners.mean(axis=axes)
    relative = corners / middle
    radius = np.abs(relative - 1.0).max(axis=axes)
    if radius.max() >= 0.5:
        return None
    count, frequencies = len(axes), corners.shape[-1]

    def spread_of(tensor: NDArray[np.complex128]) -> tuple[NDArray[np.complex128], Floats]:
        inner_axes = tuple(range(tensor.ndim - 1))
        centre = tensor.mean(axis=inner_axes)
        return centre, np.abs(tensor - centre).max(axis=inner_axes)

    first = np.empty((count, frequencies), dtype=complex)
    first_radius = np.empty((count, frequencies))
    second = np.zeros((count, count, frequencies), dtype=complex)
    second_radius = np.zeros((count, count, frequencies))
    slopes = [np.diff(relative, axis=i) / 2.0 for i in axes]
    for i in axes:
        first[i], first_radius[i] = spread_of(slopes[i])
        for j in range(i):
            mixed = spread_of(np.diff(slopes[i], axis=j) / 2.0)
            second[i, j], second_radius[i, j] = mixed
            second[j, i], second_radius[j, i] = mixed
    # Quotients with P/P_c = 1 + d, abs(d) <= radius: discs about the values in the middle.
    shrink = 1.0 / (1.0 - radius)
    slope_radius = (first_radius + np.abs(first) * radius) * shrink
    mixed_radius = (second_radius + np.abs(second) * radius) * shrink
    size = np.abs(first)
    product_radius = (
        size[:, None] * slope_radius[None]
        + slope_radius[:, None] * size[None]
        + slope_radius[:, None] * slope_radius[None]
    )
    curvature = (second - first[:, None] * first[None]).real
    return np.log(np.abs(middle)), first.real, curvature, mixed_radius + product_radius


@dataclass(frozen=True, slots=True, eq=False)
class _Box:
    low: Floats
    high: Floats
    above: NDArray[np.intp]
    below: NDArray[np.intp]


class _Search:
    """Branch and bound over boxes and pairs of frequencies."""

    def __init__(self, problem: _Problem, low: Floats, high: Floats, gap: float) -> None:
        self.problem, self.gap = problem, gap
        self.best = -math.inf
        self.values = low
        self.boxes = 0
        self._queue: list[tuple[float, int, _Box]] = []
        self._number = itertools.count()
        corners = _corners(low, high)
        for block in np.array_split(corners, max(1, len(corners) // 256)):
            self._try(block)
        grid = np.arange(len(problem.frequency))
        above, below = (g.ravel() for g in np.meshgrid(grid, grid, indexing="ij"))
        self._push(math.inf, _Box(low, high, above, below))

    def _try(self, values: Floats) -> None:
        """Keep the best of some builds."""
        error = self.problem.error(values)
        half_range = 0.5 * (error.max(axis=-1) - error.min(axis=-1))
        top = int(np.argmax(half_range))
        if half_range[top] > self.best:
            self.best, self.values = float(half_range[top]), values[top]

    def _push(self, bound: float, box: _Box) -> None:
        heapq.heappush(self._queue, (-bound, next(self._number), box))

    @property
    def _target(self) -> float:
        return self.best * (1.0 + self.gap) + _NEGLIGIBLE

    def run(self, most_boxes: int) -> float:
        """Return an upper bound over the grid."""
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
        above, below = box.above, box.below
        upper = expansion.value[above] - expansion.value[below]
        for row in expansion.gradient:
            upper += np.abs(row[above] - row[below])
        upper = 0.5 * (upper + expansion.remainder[above] + expansion.remainder[below])
        alive = upper > self._target
        above, below, upper = above[alive], below[alive], upper[alive]
        if not len(upper):
            return
        slope = expansion.gradient[:, above] - expansion.gradient[:, below]
        certain = np.abs(slope) > expansion.slack[:, above] + expansion.slack[:, below]
        sign = np.where(certain, np.sign(slope), 0.0).astype(np.int8)
        for pattern, group in _groups(sign):
            self._branch(
                _Box(box.low, box.high, above[group], below[group]),
                expansion,
                pattern,
                float(upper[group].max()),
                slope[:, group],
            )

    def _branch(
        self,
        box: _Box,
        expansion: _Expansion,
        pattern: NDArray[np.int8],
        bound: float,
        slope: Floats,
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
            curvature = expansion.slack[:, box.above] + expansion.slack[:, box.below]
            self._halve(bound, smaller, int(expansion.free[np.argmax(curvature.max(axis=1))]))

    def _halve(self, bound: float, box: _Box, axis: int) -> None:
        middle = 0.5 * (box.low[axis] + box.high[axis])
        low, high = box.low.copy(), box.high.copy()
        low[axis] = high[axis] = middle
        self._push(bound, _Box(box.low, high, box.above, box.below))
        self._push(bound, _Box(low, box.high, box.above, box.below))


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
    design : Designed or PickedNetwork
        What is analysed: a design, or a network that comes with `conditions`.
    conditions : Conditions, optional
        Curve, generator, unit and band; those of the design by default.
    gap : float, optional
        Relative gap between value and bound at which the search ends, above 0.
    points_per_decade : int, optional
        Frequencies of the grid per decade: 240, or 60 where more than 8 positions scatter.  What
        may lie between them is added to the bound.
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
    low, high = position_box(part_table(picked))
    _check_size(low, high)
    if points_per_decade is None:
        points_per_decade = 240 if _free_positions(low, high) <= 8 else 60
    frequency = log_frequencies(*band_hz, points_per_decade=points_per_decade)
    problem = _Problem(picked, curve, loading, frequency)
    check_number(gap, field="gap")
    search = _Search(problem, low, high, gap)
    on_grid = search.run(most_boxes)
    error_db = error_range(Network(picked.topology, search.values), conditions).centred_db
    nominal = loaded_coefficients(picked.topology, picked.network.values, loading=loading)
    zeros = np.roots(np.trim_zeros(nominal.numerator[::-1]))
    real_zeros = bool(np.all(np.abs(zeros.imag) <= 1e-6 * np.abs(zeros)))
    factor_count = len(zeros) + len(nominal.denominator) - 1 + _factor_count(curve)
    step = math.log(frequency[1] / frequency[0])
    between = step**2 / 8.0 * 0.5 * factor_count * DB_PER_NEPER / 2.0
    closed = on_grid <= search.best * (1.0 + gap) + 1.001 * _NEGLIGIBLE
    return WorstCase(
        centred_db=error_db,
        upper_bound_db=max(error_db, DB_PER_NEPER * on_grid + between),
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
    design : Designed or PickedNetwork
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
    if _free_positions(*position_box(part_table(picked))) > MOST_POSITIONS:
        return None
    return worst_case(picked, conditions, most_boxes=most_boxes)


def _factor_count(curve: Curve) -> int:
    emphasis = zero_pole_gain(curve)
    return len(emphasis.zeros_s) + len(emphasis.poles_s)


def _root_sum_square(picked: PickedNetwork, problem: _Problem, loading: Loading) -> float:
    """Largest over pairs of (e(f1) - e(f2))/2 + half the root sum square of what parts add."""
    table, values = part_table(picked), picked.network.values
    moved = logarithmic_sensitivity(picked.network, problem.frequency, loading=loading).real
    moved *= position_scatter(table, table.tolerance)[:, None]
    error = problem.error(values)
    squares = sum(np.square(row[:, None] - row[None, :]) for row in moved)
    pairs = error[:, None] - error[None, :] + np.sqrt(np.asarray(squares))
    return float(DB_PER_NEPER * 0.5 * pairs.max())
