"""A lower bound of the error from how a network departs from its curve far outside the band.

Let H = N/D with positive coefficients n_k and d_k of s^k, P(x) = |D|^2 and Q(x) = |N|^2 at s = jw,
polynomials of x = w^2, and Q0/P0 = |E|^2 the same of the curve in lowest terms.  With a centred
error J about a level (`antecurve.pick.curve_equations`),

.. math:: R = Q P_0 - c\\,Q_0 P, \\qquad |R(x)| \\le e\\,c\\,Q_0 P, \\qquad |R(x)| \\le e\\,P_0 Q,
          \\qquad e = \\exp(2 J) - 1

all over the band.  Above it a network with a capacitive load falls where a curve may not.  Then the
highest power of R is that of Q0 P alone, with -c q d^2 before it, q and d the highest coefficients
of Q0 and D.  A polynomial's highest coefficient follows from its values at as many points x_k of
the band as it has coefficients (Lagrange), with weights l_k = 1/prod(x_k - x_j):

.. math:: c\\,q\\,d^2 \\le \\sum_k |l_k| |R(x_k)| \\le
          e\\,c \\sum_k |l_k| Q_0(x_k) D(w_k)^2 .

D(w)/d = sum d_k w^k/d is largest where all elements are smallest, as the ratios d/d_k rise with
every element (`antecurve.pick.monotone_bounds`).  So e is at least q over a known sum.  The same
holds at the lowest powers, with 1/x in place of x and the largest elements, and where Q P0 stands
alone, with N in place of D, whose terms are each bounded by themselves.

The bound is very small, as all elements may be at their ends at once, but takes no search: of any
network that no values make the curve by what it does at 0 or at infinity, it is above 0.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from antecurve.curves.model import zero_pole_gain
from antecurve.pick.boxes import Grids
from antecurve.pick.curve_equations import ideal_squares
from antecurve.pick.model import NetworkModel

__all__ = ["least_departure"]

Floats = NDArray[np.float64]

_SLACK = 1e-6  # relative: more than the sums of positive terms and the weights round


def least_departure(model: NetworkModel, grids: Grids) -> float:
    """Bound the centred error of every combination from below, by its powers of s alone.

    Parameters
    ----------
    model : NetworkModel
        The network; its output is against ground.
    grids : Grids
        Candidates.

    Returns
    -------
    float
        What no combination is below [Np].  It is 0 where the highest and the lowest powers of s
        are those of the curve, or where numbers get too large.
    """
    low = np.exp(np.array([grid[0] for grid in grids.grids]))
    high = np.exp(np.array([grid[-1] for grid in grids.grids]))
    transfer = model.transfer(np.stack([low, high]))
    ideal_top, ideal_bottom = ideal_squares(zero_pole_gain(model.job.curve).lowest_terms())
    top, bottom = transfer.numerator, transfer.denominator
    # Of Q P0 and of Q0 P: the factor of the curve, and each power of N or D at most over the
    # lowest and the highest one.
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        of_top = (ideal_bottom, top[1] / _lowest(top[0]), top[1] / _highest(top[0]))
        of_bottom = (ideal_top, bottom[1] / _lowest(bottom[1]), bottom[0] / _highest(bottom[0]))
        bounds = [
            _alone(model, own, other, highest=highest)
            for own, other in ((of_top, of_bottom), (of_bottom, of_top))
            for highest in (False, True)
        ]
    return max(bounds)


_Share = tuple[Floats, Floats, Floats]


def _lowest(coefficients: Floats) -> float:
    """The lowest coefficient that is there."""
    return float(coefficients[np.flatnonzero(coefficients)[0]])


def _highest(coefficients: Floats) -> float:
    """The highest coefficient that is there."""
    return float(coefficients[np.flatnonzero(coefficients)[-1]])


def _ends(share: _Share) -> tuple[int, int]:
    """Lowest and highest power of x in a factor of the curve times |N|^2 or |D|^2."""
    factor, over, _ = (np.flatnonzero(part) for part in share)
    return int(factor[0] + over[0]), int(factor[-1] + over[-1])


def _alone(model: NetworkModel, own: _Share, other: _Share, *, highest: bool) -> float:
    """The bound from where one of both stands alone; 0 where it does not."""
    (own_low, own_high), (other_low, other_high) = _ends(own), _ends(other)
    if (own_high <= other_high) if highest else (own_low >= other_low):
        return 0.0
    first, last = min(own_low, other_low), max(own_high, other_high)
    x = _points(model.job.target.band_hz, last - first + 1, highest=highest)
    variable, power = (x, first) if highest else (1.0 / x, last)
    differences = variable[:, None] - variable + np.eye(len(x))
    weights = 1.0 / (np.abs(np.prod(differences, axis=1)) * x**power)
    factor, over_lowest, over_highest = own
    ratios = over_highest if highest else over_lowest
    largest = np.sqrt(x)[:, None] ** np.arange(len(ratios)) @ ratios
    values = x[:, None] ** np.arange(len(factor)) @ factor
    alone = _highest(factor) if highest else _lowest(factor)
    share = alone / float(weights @ (values * largest**2))
    return 0.5 * math.log1p(share) * (1.0 - _SLACK) if math.isfinite(share) else 0.0


def _points(band_hz: tuple[float, float], count: int, *, highest: bool) -> Floats:
    """Values of w^2 in the band at which small values keep the highest coefficient smallest.

    They are the extremes of a Chebyshev polynomial of x, or of 1/x for the lowest coefficient.
    """
    ends = (2.0 * math.pi * np.array(band_hz)) ** 2
    low, high = ends if highest else 1.0 / ends[::-1]
    between = (1.0 + np.cos(np.pi * np.arange(count) / max(count - 1, 1))) / 2.0
    points = np.clip(low + (high - low) * between, low, high)
    return np.asarray(points if highest else 1.0 / points)
