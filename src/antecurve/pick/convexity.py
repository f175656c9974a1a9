"""Whether the logarithm of a magnitude is convex in the logarithms of the element values.

H = N/D, and |P(jw)|^2 of P = N or D is a polynomial in the element values, source and load.  Where
all its coefficients are positive (a posynomial), ln|P(jw)|^2 is a logarithm of a sum of
exponentials of linear functions of x_i = ln v_i, which is convex (Boyd and Vandenberghe, Convex
Optimization, 2004, sections 3.1.5 and 4.5).  All built-in networks are so; every network is
checked term by term, in whole numbers, which are exact.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from antecurve.networks.compiled import transfer_coefficients
from antecurve.networks.topology import Topology

__all__ = ["convex_magnitudes"]

Floats = NDArray[np.float64]

_LOADING = 3  # source resistance, load resistance and load capacitance are variables, too
_MOST_VARIABLES = 15  # 33,000 sets of them; of larger networks nothing is claimed
_MOST_PRODUCTS = 4_000_000  # of two terms: half a second


@lru_cache(maxsize=64)
def convex_magnitudes(topology: Topology) -> tuple[bool, bool]:
    """Test whether ln|N(jw)| and ln|D(jw)| of a network are convex in the log values.

    Parameters
    ----------
    topology : Topology
        The network.

    Returns
    -------
    numerator, denominator : bool
        True where it is shown, at every frequency and with every source and load.  For networks
        of more than a dozen elements it is not looked for.
    """
    count = len(topology.elements) + _LOADING
    if count > _MOST_VARIABLES:
        return False, False
    # N and D are affine in each variable: their values at zeros and ones tell every coefficient.
    chosen = (np.arange(2**count)[:, None] >> np.arange(count)[::-1]) & 1
    ones = chosen.astype(float)
    sums = transfer_coefficients(
        topology,
        ones[:, :-_LOADING],
        source_resistance=ones[:, -3],
        load_resistance=ones[:, -2],
        load_capacitance=ones[:, -1],
    )
    # Two bits a variable hold its exponent, 0 to 2, so that keys of products are sums of keys.
    keys = (chosen << (2 * np.arange(count))).sum(axis=1)
    top, bottom = (
        _square_is_positive(_terms(polynomial, count), keys)
        for polynomial in (sums.numerator, sums.denominator)
    )
    return top, bottom


def _terms(sums: Floats, count: int) -> Floats:
    """Coefficients of every product of variables from sums over its parts, (powers, products)."""
    terms = sums.T.reshape(-1, *[2] * count).copy()
    for axis in range(1, count + 1):
        np.moveaxis(terms, axis, 0)[1] -= np.moveaxis(terms, axis, 0)[0]
    return terms.reshape(len(terms), -1)


def _square_is_positive(terms: Floats, keys: NDArray[np.int64]) -> bool:
    """Whether no term of |P(jw)|^2 = sum over i, k of (-1)^((i-k)/2) w^(i+k) p_i p_k is negative.

    Powers i and k are both even or both odd; others cancel.
    """
    present = [np.flatnonzero(row) for row in terms]
    if sum(map(len, present)) ** 2 > _MOST_PRODUCTS:
        return False
    for power in range(0, 2 * len(terms), 2):
        products: list[NDArray[np.int64]] = []
        amounts: list[Floats] = []
        for i in range(max(0, power - len(terms) + 1), min(power, len(terms) - 1) + 1):
            one, other = present[i], present[power - i]
            sign = (-1) ** abs(i - power // 2)
            products.append((keys[one][:, None] + keys[other]).ravel())
            amounts.append(sign * (terms[i, one][:, None] * terms[power - i, other]).ravel())
        which = np.unique(np.concatenate(products), return_inverse=True)[1]
        if np.any(np.bincount(which, np.concatenate(amounts)) < 0.0):
            return False
    return True
