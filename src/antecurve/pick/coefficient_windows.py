"""The first cut of a network that is no ladder: windows of ratios of its coefficients.

Let H = N/D with coefficients n_k and d_k of s^k, all sums of positive terms, which rise with every
element value, and x = w^2.  Then

.. math:: |N|^2 = \\sum_k n_k^2 x^k + 2 \\sum_{i<j} (-1)^{(j-i)/2} n_i n_j x^{(i+j)/2} ,
          \\qquad 2 n_i n_j \\le a n_i^2 + n_j^2 / a

for every a > 0, over all i and j that are both even or both odd.  The zeros may be complex.  The
poles are real, so that the coefficients e_k of |D|^2 are positive, and their ratios e_k/e_i, k > i,
rise with every element (`antecurve.pick.monotone_bounds`).  An error within a limit is a linear
condition for n_k^2, n_i n_j and e_k together at each frequency: a cone (`antecurve.pick.cone`),
which bounds all ratios of n_k^2 and e_k, to be compared with the values at the corners of a box.

|N|^2 at x = -y is N(sqrt y) N(-sqrt y), linear in the same variables.  Where its sign alternates
all over the cone between the zeros of the curve, every network within the limit has real zeros, as
many as the curve.  Then time constants of much smaller limits are known
(`antecurve.pick.time_constants`): a pole that the curve lacks must be very short there.
"""

from __future__ import annotations

import math
from itertools import combinations, pairwise, permutations, product

import numpy as np
from numpy.typing import NDArray

from antecurve.curves.model import level_db, zero_pole_gain
from antecurve.pick.boxes import Boxes, Grids
from antecurve.pick.cone import Cone
from antecurve.pick.model import NEPER_DB, NetworkModel
from antecurve.pick.time_constants import symmetric, time_constant_hull

__all__ = ["LEAST_LIMIT", "CoefficientWindows", "coefficient_cone", "parity_pairs", "squared"]

Floats = NDArray[np.float64]
Powers = NDArray[np.int64]
Windows = list[tuple[int, int, float]]

_POINTS = 25  # frequencies: as many as tell three zeros and four poles apart
LEAST_LIMIT = 1e-4  # Np: of smaller ones linear programming would lose digits
_SHARES = np.exp(np.linspace(-8.0, 8.0, 33))  # a, by judgement: of 0.5 between, products miss 3 %
_SLACK = 1e-9  # relative: widens each bound by more than its sums round


class CoefficientWindows:
    """Windows of one network's coefficients for one error limit.

    Parameters
    ----------
    model : NetworkModel
        The network; its output is against ground.
    grids : Grids
        Candidates.
    limit : float
        Largest centred error [Np].

    Attributes
    ----------
    empty : bool
        Whether no network at all is within the limit.
    """

    def __init__(self, model: NetworkModel, grids: Grids, limit: float) -> None:
        self._model, self._grids, self.empty = model, grids, False
        sample = model.transfer(np.exp(grids.logs(grids.whole().first)))
        self._tops = np.flatnonzero(sample.numerator[0])
        self._bottoms = np.flatnonzero(squared(sample.denominator)[0])
        asked, limit = limit, max(limit, LEAST_LIMIT)
        cone, scale = coefficient_cone(model, self._tops, self._bottoms, limit)
        count = len(self._tops)

        def largest(upper: int, lower: int) -> float:
            ratio = cone.largest_ratio(upper=upper, lower=lower) * scale[lower] / scale[upper]
            return float(ratio * (1.0 + _SLACK))

        def windows(powers: Powers, start: int) -> Windows:
            return [
                (int(powers[k]), int(powers[i]), largest(start + k, start + i))
                for k, i in permutations(range(len(powers)), 2)
            ]

        self._top = windows(self._tops, 0)
        self._bottom = windows(self._bottoms, len(scale) - len(self._bottoms))
        if asked < limit and self._has_real_zeros(cone, scale):
            self._narrow(asked)
        self._across: list[tuple[int, int, float, float]] = []
        low, high = model.job.target.band_hz
        if not low <= model.frequency[-1] <= high:
            return
        # The offset of the band differs from the level by no more than the error at 1 kHz.
        free = math.exp(2.0 * (model.job.target.level_tolerance_db / NEPER_DB + limit))
        for k, i in product(range(count), range(len(self._bottoms))):
            bottom = len(scale) - len(self._bottoms) + i
            ratios = free * largest(k, bottom), free * largest(bottom, k)
            self._across.append((int(self._tops[k]), int(self._bottoms[i]), *ratios))

    def _has_real_zeros(self, cone: Cone, scale: Floats) -> bool:
        """Whether all networks in the cone have real zeros, as many as the curve."""
        ideal, tops = zero_pole_gain(self._model.job.curve), self._tops
        plain = all(np.array_equal(p, np.arange(len(p))) for p in (tops, self._bottoms))
        at_origin = ideal.zeros_at_origin or ideal.poles_at_origin
        if not plain or at_origin or len(tops) != len(ideal.zeros_s) + 1:
            return False
        for number, (longer, shorter) in enumerate(pairwise(sorted(ideal.zeros_s)[::-1])):
            y = 1.0 / (longer * shorter)
            function = np.zeros(len(scale))
            function[: len(tops)] = (-y) ** tops
            function[len(tops) : len(tops) + len(parity_pairs(tops))] = [
                2.0 * (-1.0) ** ((tops[j] - tops[i]) // 2) * (-y) ** ((tops[i] + tops[j]) // 2)
                for i, j in parity_pairs(tops)
            ]
            if not cone.is_negative((-1.0) ** number * function / scale):
                return False
        return True

    def _narrow(self, limit: float) -> None:
        """Add windows of the time constants within a small limit, where the zeros are real."""
        curve, band = self._model.job.curve, self._model.job.target.band_hz
        frequency = np.geomspace(*band, _POINTS)
        ideal = zero_pole_gain(curve)
        hull = time_constant_hull(
            level_db(curve, frequency) / NEPER_DB, 2.0 * math.pi * frequency,
            zeros=len(self._tops) - 1, poles=len(self._bottoms) - 1, limit=limit,
            near=(ideal.zeros_s, ideal.poles_s),
        )  # fmt: skip
        if hull.empty:
            self.empty = True
            return
        with np.errstate(over="ignore"):
            self._top += _ratios(symmetric(hull.zeros_low) ** 2, symmetric(hull.zeros_high) ** 2)
            self._bottom += _ratios(symmetric(hull.poles_low**2), symmetric(hull.poles_high**2))

    def __call__(self, boxes: Boxes) -> NDArray[np.bool_]:
        """Test which boxes may hold a combination within the limit."""
        low = self._model.transfer(np.exp(self._grids.logs(boxes.first)))
        high = self._model.transfer(np.exp(self._grids.logs(boxes.last)))
        least, most = low.numerator**2, high.numerator**2
        least_e, most_e = squared(low.denominator), squared(high.denominator)
        keep = np.full(len(least), not self.empty)
        for k, i, largest in self._top:
            keep &= least[:, k] <= largest * most[:, i]
        for k, i, largest in self._bottom:
            corner = least_e if k > i else most_e
            keep &= corner[:, k] <= largest * corner[:, i]
        for k, i, largest, inverse in self._across:
            keep &= least[:, k] <= largest * most_e[:, i]
            keep &= least_e[:, i] <= inverse * most[:, k]
        return keep


def coefficient_cone(
    model: NetworkModel, tops: Powers, bottoms: Powers, limit: float
) -> tuple[Cone, Floats]:
    """Bound what coefficients networks within an error limit have.

    Parameters
    ----------
    model : NetworkModel
        The network; its output is against ground.
    tops, bottoms : numpy.ndarray of int
        Powers of s in N, and of w^2 in |D|^2, ascending.
    limit : float
        Largest centred error [Np], not below 1e-4.

    Returns
    -------
    cone : Cone
        Of squares of the n_k, products of two (`parity_pairs`) and the e_k, each times its scale.
    scale : numpy.ndarray of float
        These scales.
    """
    frequency = np.geomspace(*model.job.target.band_hz, _POINTS)
    x = (2.0 * math.pi * frequency[:, None]) ** 2
    wanted = level_db(model.job.curve, frequency) / NEPER_DB + math.log(model.job.gain)
    size = np.prod(1.0 + x * np.array(zero_pole_gain(model.job.curve).poles_s) ** 2, axis=1)
    pairs = parity_pairs(tops)
    squares = x**tops
    products = [
        2.0 * (-1.0) ** ((tops[j] - tops[i]) // 2) * x[:, 0] ** ((tops[i] + tops[j]) // 2)
        for i, j in pairs
    ]
    top = np.column_stack([squares, *products]) * np.exp(-2.0 * wanted)[:, None]
    columns = np.hstack([top, x**bottoms]) / size[:, None]
    scale = np.abs(columns).max(axis=0)
    columns /= scale
    top, bottom = columns[:, : top.shape[1]], columns[:, top.shape[1] :]
    wide = math.exp(limit * (1.0 + _SLACK))
    rows = [np.hstack([top / wide, -bottom * wide]), np.hstack([-top * wide, bottom / wide])]
    for number, (i, j) in enumerate(pairs):
        shares = np.zeros((len(_SHARES), len(scale)))
        shares[:, len(tops) + number] = 1.0 / scale[len(tops) + number]
        middle = math.sqrt(scale[i] * scale[j])
        shares[:, i], shares[:, j] = -_SHARES / (2.0 * middle), -1.0 / (2.0 * middle * _SHARES)
        rows.append(shares / np.abs(shares).max(axis=1, keepdims=True))
    return Cone(np.concatenate(rows)), scale


def parity_pairs(tops: Powers) -> list[tuple[int, int]]:
    """List coefficients whose product counts in |N|^2: both of even or both of odd powers.

    Parameters
    ----------
    tops : numpy.ndarray of int
        Powers of s in N, ascending.

    Returns
    -------
    list of tuple of int
        Their places.
    """
    return [(i, j) for j in range(len(tops)) for i in range(j) if (tops[j] - tops[i]) % 2 == 0]


def _ratios(least: Floats, most: Floats) -> Windows:
    """Windows of ratios that rise with every time constant, by their values at both ends."""
    windows = []
    for ends, order in ((most, 1), (least, -1)):
        for i, k in combinations(range(len(ends)), 2):
            upper, lower = (k, i)[::order]
            if ends[lower] > 0.0 and np.isfinite(ends[[upper, lower]]).all():
                windows.append((upper, lower, float(ends[upper] / ends[lower] * (1.0 + _SLACK))))
    return windows


def squared(polynomial: Floats) -> Floats:
    """Compute the coefficients of |P(jw)|^2 by powers of w^2.

    Parameters
    ----------
    polynomial : numpy.ndarray of float, shape (polynomials, powers)
        Coefficients of P, ascending powers of s.

    Returns
    -------
    numpy.ndarray of float, shape (polynomials, powers)
        Ascending powers of w^2.
    """
    count = polynomial.shape[1]
    squares = np.zeros_like(polynomial)
    for i in range(count):
        for j in range(i % 2, count, 2):
            squares[:, (i + j) // 2] += (
                (-1.0) ** ((i - j) // 2) * polynomial[:, i] * polynomial[:, j]
            )
    return squares
