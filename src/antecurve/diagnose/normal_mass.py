"""Integrals of a normal density between ends, as logarithms."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

__all__ = ["REACH", "log_bounded", "log_mass"]

Floats = NDArray[np.float64]

REACH = math.sqrt(3.0)
"""Tolerance in standard deviations of what lies anywhere within it (JCGM 100, 4.3.7)."""
_KNOWN = 1e-4  # of its variance before captures: where they tell less, ends change nothing


def log_mass(low: Floats, high: Floats) -> Floats:
    """Compute ln of the probability that a normal variable lies between two ends.

    Parameters
    ----------
    low, high : numpy.ndarray of float
        Ends in standard deviations from the mean, `low` below `high`; may be infinite.

    Returns
    -------
    numpy.ndarray of float
        Accurate in either tail.
    """
    from scipy.special import log_ndtr

    upper = low > -high  # mirrored, as the lower tail alone has its digits
    near, far = np.where(upper, -low, high), np.where(upper, -high, low)
    log_near = log_ndtr(near)
    return np.asarray(log_near + np.log1p(-np.exp(log_ndtr(far) - log_near)))


def log_bounded(centre: Floats, deviation: Floats) -> Floats:
    """Compute by how much the evidence rises when a part can't be beyond its tolerance.

    The part was taken for normal with variance 1 about 0; its posterior is normal.  Put in place
    of it, a uniform density of the same variance changes the evidence by its mean ratio to the
    normal one over that posterior, which is an integral of a normal density once more.

    Parameters
    ----------
    centre : numpy.ndarray of float
        Mean of the posterior, in standard deviations before captures.
    deviation : numpy.ndarray of float
        Its standard deviation, at most 1.

    Returns
    -------
    numpy.ndarray of float
        ln of the ratio: 0 for a part of which captures tell nothing.
    """
    told = 1.0 - deviation**2
    known = told > _KNOWN
    told, sharp = np.where(known, told, 0.5), np.where(known, deviation, math.sqrt(0.5))
    root = np.sqrt(told) / sharp
    middle = centre / told
    mass = log_mass(root * (-REACH - middle), root * (REACH - middle))
    scale = 0.5 * math.log(2.0 * math.pi) - math.log(2.0 * REACH)
    gain = 0.5 * centre**2 / told - 0.5 * np.log(told) + scale + mass
    return np.where(known, gain, 0.0)
