"""Where the zeros and poles of a network can be whose error stays within a limit, by linear bounds.

With x = w^2, |H|^2 = Q(x)/D(x), where Q and D are products of factors 1 + x T^2, times constants:
polynomials of x with coefficients z >= 0.  An error within the limit J over frequencies x_k means

.. math:: e^{-2J} E_k^2 D(x_k) \\le Q(x_k) \\le e^{2J} E_k^2 D(x_k) ,

which is linear in the coefficients of Q and D together: a cone (`antecurve.pick.cone`).

The values at x = -y of Q, of D and of their derivatives are linear functions of them.  A polynomial
of degree n with real roots alone has as many beyond a point as its derivatives 0 to n there have
changes of sign (Budan and Fourier: in general at most as many).  So points at which all their signs
are the same all over the cone count the roots on either side for every network within the limit.
"""

from __future__ import annotations

import math
import time
from itertools import pairwise, product

import numpy as np
from numpy.typing import NDArray

from antecurve.pick.cone import Cone

__all__ = ["RootRanges", "TimeIsOverError"]

Floats = NDArray[np.float64]

_FIRST_STEP = 4.0  # limits, at least 1e-4: about as far from a root of the curve as roots come
_STEP_GROWTH = 4.0  # by judgement: few steps, and ends are looked for by halves after them
_REACH = 8.0  # logarithm of x: some three decades beyond a root no other bound is looked for
_NARROW = 0.25  # of the first step: ends of ranges are looked for no closer than that


class TimeIsOverError(Exception):
    """Bounds of time constants were not found by the deadline."""


class RootRanges:
    """Time constants of all networks within an error limit of a curve.

    Parameters
    ----------
    target : numpy.ndarray of float, shape (frequencies,)
        ln|E| less a times ln(omega) for a zeros at the origin [Np]; a constant is no matter.
    omega : numpy.ndarray of float, shape (frequencies,)
        Frequencies [rad/s], ascending.
    near : tuple of numpy.ndarray of float
        Time constants of the zeros and of the poles of the curve [s].
    counts : tuple of int
        Number of zeros and of poles of the network.
    limit : float
        Largest centred error [Np].
    shortest : float, optional
        What the shortest time constant of the poles is at most [s].
    deadline : float or None, optional
        Value of `time.perf_counter` at which to give up.
    """

    def __init__(
        self, target: Floats, omega: Floats, *, near: tuple[Floats, Floats],
        counts: tuple[int, int], limit: float, shortest: float = math.inf,
        deadline: float | None = None,
    ) -> None:  # fmt: skip
        self._near, self._counts, self._deadline = near, counts, deadline
        self._step = max(_FIRST_STEP * limit, 1e-4)
        square = omega * omega
        size = np.prod(1.0 + square[:, None] * near[1] ** 2, axis=1)
        top = square[:, None] ** np.arange(counts[0] + 1) / size[:, None]
        top *= np.exp(-2.0 * (target - target.max()))[:, None]
        bottom = square[:, None] ** np.arange(counts[1] + 1) / size[:, None]
        # So that the largest entry of each column is 1.
        self._scale = np.concatenate([top.max(axis=0), bottom.max(axis=0)])
        top, bottom = top / top.max(axis=0), bottom / bottom.max(axis=0)
        wide = math.exp(limit * (1.0 + 1e-9) + 1e-12)
        rows = [np.hstack([top / wide, -bottom * wide]), np.hstack([-top * wide, bottom / wide])]
        if math.isfinite(shortest) and counts[1]:
            # 1/T^2 of the last factor is at most the sum of all, the quotient of the last two.
            last = np.zeros((1, len(self._scale)))
            last[0, -1], last[0, -2] = 1.0, -(shortest**2) * self._scale[-1] / self._scale[-2]
            rows.append(last / np.abs(last).max())
        self._cone = Cone(np.concatenate(rows))

    def zeros(self) -> tuple[Floats, Floats]:
        """Bound the time constants of the numerator.

        Returns
        -------
        low, high : numpy.ndarray of float, shape (zeros,)
            Bounds [s], longest first; a low one may be 0, a high one infinite.

        Raises
        ------
        TimeIsOverError
            When the deadline passes.
        """
        return self._ranges(0)

    def poles(self) -> tuple[Floats, Floats]:
        """Bound the time constants of the denominator, as `zeros` does.

        Returns
        -------
        low, high : numpy.ndarray of float, shape (poles,)
            Bounds [s], longest first.
        """
        return self._ranges(1)

    def _ranges(self, side: int) -> tuple[Floats, Floats]:
        """Bounds of the k-th root -y of one polynomial, smallest first, as time constants."""
        count = self._counts[side]
        known = self._counted(side)
        low, high = np.zeros(count), np.full(count, math.inf)
        for k in range(count):
            before = max((y for y, (_, most) in known.items() if most <= k), default=None)
            after = min((y for y, (least, _) in known.items() if least > k), default=None)
            alone = (
                before is not None
                and after is not None
                and (known[before], known[after]) == ((k, k), (k + 1, k + 1))
            )
            if before is not None:
                high[k] = self._end(side, k, before, alone=alone, upwards=True)
            if after is not None:
                low[k] = self._end(side, k, after, alone=alone, upwards=False)
        return low, high

    def _counted(self, side: int) -> dict[float, tuple[int, int]]:
        """Points ln y to both sides of each root of the curve, and how many roots are below."""
        known: dict[float, tuple[int, int]] = {}
        for root in -2.0 * np.log(self._near[side]):
            for way in (-1.0, 1.0):
                step = self._step
                while step < _REACH:
                    point = float(root + way * step)
                    known[point] = self._below(side, point)
                    if known[point][0] == known[point][1]:
                        break
                    step *= _STEP_GROWTH
        return known

    def _end(self, side: int, k: int, good: float, *, alone: bool, upwards: bool) -> float:
        """The time constant up to which a bound of the k-th root can be moved from a point."""
        sign = -1 if (k + (0 if upwards else 1)) % 2 else 1

        def holds(point: float) -> bool:
            # With one root between two points its side is told by the sign alone.
            if alone:
                return self._has_sign(side, point, 0, sign)
            least, most = self._below(side, point)
            return most <= k if upwards else least > k

        near = -2.0 * np.log(self._near[side])
        way = 1.0 if upwards else -1.0
        # A root of the curve itself, or as far as it is looked for.
        bad = good + way * min([w for w in way * (near - good) if w > 0.0], default=_REACH)
        while abs(bad - good) > _NARROW * self._step:
            middle = (good + bad) / 2.0
            good, bad = (middle, bad) if holds(middle) else (good, middle)
        return math.exp(-good / 2.0)

    def _below(self, side: int, point: float) -> tuple[int, int]:
        """Least and most roots -y that any network within the limit has with ln y below a point."""
        count = self._counts[side]
        signs: list[list[int]] = []
        for order in range(count):
            # What all have in common, the curve has.
            own = self._own_sign(side, point, order)
            definite = [s for s in own if self._has_sign(side, point, order, s)]
            if not definite and not order:
                return 0, count
            signs.append(definite or [1, -1])
        # The highest coefficient is not negative; where it is 0, a root is at infinity.
        signs.append([(-1) ** count])
        below = [count - sum(a != b for a, b in pairwise(choice)) for choice in product(*signs)]
        return min(below), max(below)

    def _has_sign(self, side: int, point: float, order: int, sign: int) -> bool:
        """Whether a derivative by y at a point has one sign for every network within the limit."""
        count = self._counts[side]
        start = 0 if side == 0 else self._counts[0] + 1
        function = np.zeros(len(self._scale))
        # In terms of scaled coefficients, which are of about the same size.
        logs = np.arange(-order, count + 1 - order) * point
        sizes = np.exp(logs - np.log(self._scale[start : start + count + 1]))
        function[start : start + count + 1] = sign * _derivative(count, order) * sizes
        if self._deadline is not None and time.perf_counter() > self._deadline:
            raise TimeIsOverError
        return self._cone.is_negative(-function)

    def _own_sign(self, side: int, point: float, order: int) -> list[int]:
        """The sign of a derivative of the curve's own polynomial; both where it is 0."""
        own = np.poly(-(self._near[side] ** 2))[: self._counts[side] + 1]
        logs = np.arange(-order, len(own) - order) * point
        size = float((own * _derivative(len(own) - 1, order) * np.exp(logs)).sum())
        return [1, -1] if size == 0.0 else [int(math.copysign(1.0, size))]


def _derivative(count: int, order: int) -> Floats:
    """Factors of the powers of y in a derivative by y of a polynomial of -y."""
    powers = range(count + 1)
    return np.array([(-1.0) ** p * math.perm(p, order) for p in powers])
