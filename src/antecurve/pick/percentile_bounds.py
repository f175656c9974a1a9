"""Bounds from below of what a percentile of the builds' error can be in boxes of combinations.

At the element values x (logarithms) let e_f be the nominal error at frequency f [Np], S_fi the
slopes, and eta_i the relative deviation of position i.  A build's centred error over some
frequencies is

.. math:: r = \\tfrac12\\bigl(\\max_f - \\min_f\\bigr)\\bigl(e_f + S_f\\eta + \\rho_f(\\eta)\\bigr),
          \\qquad m_f - q_f \\le \\rho_f \\le m_f + q_f ,

with the remainder of `antecurve.pick.bounds` and that of ln(1 + eta) in m and q.  For every limit
r the deviations with |(S_f - S_g) eta + e_f - e_g + m_f - m_g| <= 2 r + q_f + q_g for all pairs
are a shifted convex set that is symmetric about 0.  The deviations are independent, symmetric and
log-concave (uniform, or normal and cut), hence:

* their probability in the set is largest where it is not shifted (T. W. Anderson, Proceedings
  of the American Mathematical Society 6 (1955) 170-176): no nominal error makes a percentile
  smaller than none at all;
* it rises when a position's deviations are scaled down, or when the shares of its two parts
  become more alike (F. Proschan, Annals of Mathematical Statistics 36 (1965) 1703-1706; Z. W.
  Birnbaum, ibid. 19 (1948) 76-81): the least tolerance and the most even shares in a box bound it.

Within a box |S_fi(x) - S_fi(c)| <= D_fi = u_fi (exp(kappa h) - 1)/kappa, u the sizes at the centre
c and h the largest half width (`antecurve.pick.bounds`).  So a percentile over the builds of any
combination in the box is at least that of

.. math:: \\tfrac12\\Bigl(\\max_f(S_f\\eta - D_f|\\eta| - q_f)
          - \\min_f(S_f\\eta + D_f|\\eta| + q_f)\\Bigr) .

It is taken over draws that are the same for all boxes and combinations.  For the worst case the
draws are the corners of the tolerances, the percentile is the largest, and the argument needs no
probability: of a corner and its opposite one has at least the half range of the differences.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.parts.distributions import deviation_quantile
from antecurve.parts.joined import JOINS, joined_weights, values_add
from antecurve.pick.bounds import growth_factor
from antecurve.pick.boxes import Boxes
from antecurve.pick.branch_and_bound import Space
from antecurve.pick.candidates import Candidates
from antecurve.pick.model import CURVATURE_GROWTH

__all__ = ["COMMON_DRAWS", "PercentileBounds"]

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

COMMON_DRAWS = 2048
"""Draws for bounds: a 95th percentile is known to 2 %, a difference on the same draws to less."""
_CHUNK = 16  # boxes at a time: what is computed of them stays in the cache
_SINGLE = 1e-6  # Np: a dozen roundings of deviations below 1, each 6e-8
_MOST_CORNERS = 12  # positions: half of 4,096 corners are as many as there are draws
# Half widths of ln(1 + eta) about its tangent, in eta squared: values of two parts that add up
# depart by 0 to -1/2; where reciprocals add, by -1 to 1/2.
_ADDING, _RECIPROCAL = 0.25, 0.75


@dataclass(frozen=True, slots=True, eq=False)
class _PartScales:
    """Tolerances of each candidate of a position: their sum, and the larger part's share of it."""

    total: Floats
    share: Floats
    least_total: _RangeMinimum
    least_share: _RangeMinimum


class _RangeMinimum:
    """Least of a range of numbers, for many ranges at a time, by ranges of powers of two."""

    def __init__(self, numbers: Floats) -> None:
        self._levels = [numbers]
        step = 1
        while 2 * step <= len(numbers):
            last = self._levels[-1]
            self._levels.append(np.minimum(last[:-step], last[step:]))
            step *= 2

    def __call__(self, first: Indices, last: Indices) -> Floats:
        level = np.frexp((last - first + 1).astype(float))[1] - 1
        least = np.empty(len(first))
        for number in np.unique(level):
            here = level == number
            values = self._levels[number]
            least[here] = np.minimum(values[first[here]], values[last[here] + 1 - 2**number])
        return least


class PercentileBounds:
    """Bounds of a percentile of the centred error over builds, for the networks of one shape.

    Parameters
    ----------
    space : Space
        The combinations, of a ladder.
    worst : bool
        Whether the corners of the tolerances are the draws, in place of builds.

    Attributes
    ----------
    departure : float
        Most that a percentile is below a combination's nominal centred error [Np].
    valid : bool
        Whether the bounds hold; of networks that are no ladders the estimates alone are good.
    """

    def __init__(self, space: Space, *, worst: bool) -> None:
        self._space = space
        self.valid = space.model.ladder is not None
        count = len(space.candidates)
        spread = space.model.job.spread
        if worst:
            self._first = self._second = _corners(count, spread.seed)
        else:
            legs = max(p.legs for p in space.candidates)
            uniform = np.random.default_rng(spread.seed).random((2, legs, count, COMMON_DRAWS))
            drawn = deviation_quantile(uniform, spread.distribution)
            for i, p in enumerate(space.candidates):
                drawn[:, 0, i] = drawn[:, : p.legs, i].mean(axis=1)
            self._first, self._second = drawn[:, 0]
        known: dict[int, _PartScales] = {}
        for p in space.candidates:
            if id(p) not in known:
                known[id(p)] = _part_scales(p)
        self._scales = [known[id(p)] for p in space.candidates]
        largest = np.array([scales.total.max() for scales in self._scales])
        self._log = -np.log1p(-largest)
        self._bent = (largest / (1.0 - largest)) ** 2 * np.array(
            [_RECIPROCAL if _reciprocal(p) else _ADDING for p in space.candidates]
        )
        self._doubled = np.array([p.legs == 2 for p in space.candidates])
        # Of numerator and denominator each size is at most 1, of a doubled position 2 in all.
        sizes = np.where(self._doubled, 2.0, 1.0)
        self.departure = float(
            2.0 * (self._grown(sizes[None, None], np.zeros(1))[0, 0] + self._bent.sum())
        )

    def _grown(self, sizes: Floats, half: Floats) -> Floats:
        """Bound what a build departs from its tangent by, (boxes, rows)."""
        factor = growth_factor(CURVATURE_GROWTH * np.array([self._log.max()]))
        total = (sizes * self._log**2).sum(axis=2)
        return np.asarray(total * (factor * np.exp(CURVATURE_GROWTH * half))[:, None])

    def even_parts(self, position: int, *, share: float) -> NDArray[np.bool_]:
        """Mark the candidates of a position whose larger part has at most a share of the scatter.

        Parameters
        ----------
        position : int
            Which.
        share : float
            From 0.5 to 1.

        Returns
        -------
        numpy.ndarray of bool, shape (candidates,)
            All of them where none is made of two parts.
        """
        shares = self._scales[position].share
        if shares.min() > share:
            return np.ones(len(shares), dtype=bool)
        return np.asarray(shares <= share + 1e-9)

    def of_boxes(self, boxes: Boxes, fraction: float) -> Floats:
        """Bound the percentile of every combination in boxes from below.

        Parameters
        ----------
        boxes : Boxes
            The boxes.
        fraction : float
            Fraction of the builds that the percentile is not below.

        Returns
        -------
        numpy.ndarray of float, shape (boxes,)
            Bounds [Np].
        """
        low, high = self._space.grids.logs(boxes.first), self._space.grids.logs(boxes.last)
        total, share = (
            np.stack(
                [
                    getattr(scales, name)(boxes.first[:, i], boxes.last[:, i])
                    for i, scales in enumerate(self._scales)
                ],
                axis=1,
            )
            for name in ("least_total", "least_share")
        )
        half = (high - low).max(axis=1) / 2.0
        bound, _ = self._percentiles((low + high) / 2.0, half, total, share, fraction)
        return np.maximum(bound, 0.0)

    def of_combinations(self, indices: Indices, fraction: float) -> tuple[Floats, Floats]:
        """Bound and estimate the percentile of combinations.

        Parameters
        ----------
        indices : numpy.ndarray of int, shape (combinations, elements)
            Candidates of each position.
        fraction : float
            Fraction of the builds that the percentile is not below.

        Returns
        -------
        bound, estimate : numpy.ndarray of float, shape (combinations,)
            From below, and about [Np].
        """
        columns = list(zip(self._scales, indices.T, strict=True))
        total = np.stack([scales.total[i] for scales, i in columns], axis=1)
        share = np.stack([scales.share[i] for scales, i in columns], axis=1)
        logs = self._space.grids.logs(indices)
        return self._percentiles(logs, np.zeros(len(logs)), total, share, fraction, nominal=True)

    def _percentiles(
        self, centre: Floats, half: Floats, total: Floats, share: Floats, fraction: float,
        *, nominal: bool = False,
    ) -> tuple[Floats, Floats]:  # fmt: skip
        """Bounds, and where the nominal error counts, estimates."""
        linear = self._space.model.linearise(np.exp(centre))
        slopes, top, bottom = (
            np.ascontiguousarray(a[:, :-1])
            for a in (linear.slopes, linear.top_sizes, linear.bottom_sizes)
        )
        widened = np.expm1(CURVATURE_GROWTH * half) / CURVATURE_GROWTH
        change = (top + bottom) * widened[:, None, None]
        up, down = (
            self._grown(np.where(self._doubled, 2.0, sizes), half) for sizes in (top, bottom)
        )
        top_convex, bottom_convex = self._space.model.convex
        up, down = (
            up if bottom_convex else up + down,
            down if top_convex else up + down,
        )
        bent = ((np.abs(slopes) + change) * self._bent).sum(axis=2)
        doubt = (up + down) / 2.0 + bent
        errors = np.zeros_like(doubt)
        if nominal:
            errors = linear.rows[:, :-1] + (up - down) / 2.0 - (slopes * self._bent).sum(axis=2)
        # Single precision halves the time; what it rounds is taken off the bound.
        first_parts, second_parts, tilts, changes, doubts, offsets = (
            a.astype(np.float32) for a in (self._first, self._second, slopes, change, doubt, errors)
        )
        rank = max(1, math.ceil(fraction * self._first.shape[1] - 1e-9)) - 1
        bounds, estimates = np.empty((2, len(centre)))
        for first in range(0, len(centre), _CHUNK):
            part = slice(first, first + _CHUNK)
            much = (total[part] * share[part]).astype(np.float32)
            less = (total[part] * (1.0 - share[part])).astype(np.float32)
            eta = much[:, :, None] * first_parts + less[:, :, None] * second_parts
            moved = tilts[part] @ eta
            moved += offsets[part, :, None]
            if nominal:
                plain = moved.max(axis=1) - moved.min(axis=1)
                plain.partition(rank, axis=1)
                estimates[part] = plain[:, rank] / 2.0
            spare = changes[part] @ np.abs(eta, out=eta)
            spare += doubts[part, :, None]
            reach = (moved - spare).max(axis=1)
            moved += spare
            reach -= moved.min(axis=1)
            reach.partition(rank, axis=1)
            bounds[part] = reach[:, rank] / 2.0
        return bounds - _SINGLE, estimates


def _corners(count: int, seed: int) -> Floats:
    """Signs at the corners of a box, of opposite ones one; of many positions some by chance."""
    if count > _MOST_CORNERS:
        signs = np.random.default_rng(seed).integers(0, 2, (count, COMMON_DRAWS))
    else:
        signs = (np.arange(2 ** (count - 1)) >> np.arange(count)[:, None]) & 1
    return np.asarray(2.0 * signs - 1.0)


def _part_scales(candidates: Candidates) -> _PartScales:
    value = np.array([p.value for p in candidates.parts])
    tolerance = np.array([p.tolerance for p in candidates.parts])
    pair = candidates.second >= 0
    adds = np.array([values_add(candidates.kind, joined) for joined in JOINS])[candidates.joined]
    absent = np.where(adds, 0.0, np.inf)
    values = np.stack([value[candidates.first], np.where(pair, value[candidates.second], absent)])
    scales = joined_weights(values, adds=adds) * np.stack(
        [tolerance[candidates.first], np.where(pair, tolerance[candidates.second], 0.0)]
    )
    total = scales.sum(axis=0)
    with np.errstate(invalid="ignore"):
        share = np.where(total > 0.0, scales.max(axis=0) / total, 0.5)
    return _PartScales(total, share, _RangeMinimum(total), _RangeMinimum(share))


def _reciprocal(candidates: Candidates) -> bool:
    """Whether the reciprocals of some joined parts add up."""
    return any(not values_add(candidates.kind, JOINS[i]) for i in np.unique(candidates.joined))
