"""Interval arithmetic on arrays: bounds that hold whatever the rounding.

Each result is widened by one unit in the last place, so that it encloses the exact value
(R. E. Moore, R. B. Kearfott, M. J. Cloud, Introduction to Interval Analysis, SIAM 2009, chapters 2
and 3).
"""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Interval"]

Floats = NDArray[np.float64]
Operand: TypeAlias = "Interval | float"


class Interval:
    """Intervals, one for each element of two arrays.

    Parameters
    ----------
    low, high : array_like of float, shape (...)
        Their ends, low at most high.
    """

    __slots__ = ("high", "low")

    def __init__(self, low: ArrayLike, high: ArrayLike) -> None:
        self.low: Floats = np.asarray(low, dtype=float)
        self.high: Floats = np.asarray(high, dtype=float)

    @classmethod
    def of(cls, value: Operand) -> Interval:
        """Take a number as the interval that holds it alone.

        Parameters
        ----------
        value : Interval or float
            The number; an interval stays as it is.

        Returns
        -------
        Interval
            The interval.
        """
        return value if isinstance(value, Interval) else cls(float(value), float(value))

    @property
    def hull(self) -> tuple[float, float]:
        """Least and greatest end of all."""
        return float(self.low.min()), float(self.high.max())

    def where(self, chosen: NDArray[np.bool_]) -> Interval:
        """Select elements.

        Parameters
        ----------
        chosen : numpy.ndarray of bool, shape (...)
            Which.

        Returns
        -------
        Interval
            Those.
        """
        low, high = np.broadcast_arrays(self.low, self.high, chosen)[:2]
        return Interval(low[chosen], high[chosen])

    def within(self, other: Operand) -> Interval:
        """Cut the ends down to those of another interval that is known to hold the value.

        Parameters
        ----------
        other : Interval or float
            The other.

        Returns
        -------
        Interval
            What both have in common; low above high where that is nothing.
        """
        other = Interval.of(other)
        return Interval(np.maximum(self.low, other.low), np.minimum(self.high, other.high))

    def sqrt(self) -> Interval:
        """Take the square root; what is below 0 counts as 0.

        Returns
        -------
        Interval
            The root.
        """
        return _widened(np.sqrt(np.maximum(self.low, 0.0)), np.sqrt(np.maximum(self.high, 0.0)))

    def log_hull(self) -> tuple[float, float]:
        """Take the natural logarithm of the least and the greatest end; of 0 and less -inf.

        Returns
        -------
        tuple of float
            Both.
        """
        low, high = self.hull
        with np.errstate(divide="ignore"):
            logs = np.log(np.maximum([low, high], 0.0))
        return float(np.nextafter(logs[0], -np.inf)), float(np.nextafter(logs[1], np.inf))

    def __bool__(self) -> bool:
        """Tell whether the expression behind the elements differs from 0.

        What is 0 whatever is free holds 0 in every element: one without is enough.
        """
        return bool(np.any((self.low > 0.0) | (self.high < 0.0)))

    def __neg__(self) -> Interval:
        return Interval(-self.high, -self.low)

    def __add__(self, other: Operand) -> Interval:
        other = Interval.of(other)
        return _widened(self.low + other.low, self.high + other.high)

    __radd__ = __add__

    def __sub__(self, other: Operand) -> Interval:
        return self + -Interval.of(other)

    def __rsub__(self, other: Operand) -> Interval:
        return Interval.of(other) + -self

    def __mul__(self, other: Operand) -> Interval:
        other = Interval.of(other)
        with np.errstate(invalid="ignore"):
            products = np.stack(
                np.broadcast_arrays(
                    self.low * other.low, self.low * other.high,
                    self.high * other.low, self.high * other.high,
                )
            )  # fmt: skip
        products = np.where(np.isnan(products), 0.0, products)  # 0 times infinity: the end is 0
        return _widened(products.min(axis=0), products.max(axis=0))

    __rmul__ = __mul__

    def __truediv__(self, other: Operand) -> Interval:
        other = Interval.of(other)
        holds_zero = (other.low <= 0.0) & (other.high >= 0.0)
        with np.errstate(divide="ignore", over="ignore"):  # beyond all numbers: no bound
            low = np.where(holds_zero, -np.inf, 1.0 / other.high)
            high = np.where(holds_zero, np.inf, 1.0 / other.low)
        return self * _widened(low, high)

    def __rtruediv__(self, other: Operand) -> Interval:
        return Interval.of(other) / self


def _widened(low: Floats, high: Floats) -> Interval:
    return Interval(np.nextafter(low, -np.inf), np.nextafter(high, np.inf))
