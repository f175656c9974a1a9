"""Logarithms of positive quantities as affine forms: what they are at a centre, slopes, remainder.

A quantity q that depends on variables d_v, each from -1 to 1, is known as

.. math:: \\ln q = c + \\sum_v g_v d_v + \\rho, \\quad \\rho_- \\le \\rho \\le \\rho_+ .

Products and quotients add and subtract.  Two more operations are bounded for boxes of any size:

* 1 - q for q that is below 1, or above 1, all over the box: with u = ln q the function
  ln|1 - exp u| has slope k = -exp u/(1 - exp u) and second derivative -exp u/(1 - exp u)^2, which
  is below 0 and largest in magnitude at the end nearest to u = 0.
* A sum of quantities: with p_i the shares at the centre ln sum p_i exp(x_i) is at least the mean of
  x_i by p (Jensen), and above that of its linear part by no more than A^2/8 (Hoeffding's lemma), A
  being the range of these linear parts among each other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["LogForm", "variable"]

Floats = NDArray[np.float64]

_BEYOND = 1e3  # a logarithm that stands for any
_SLACK = 1e-9  # more than sums of logarithms round


@dataclass(frozen=True, slots=True, eq=False)
class LogForm:
    """The logarithm of a positive quantity in many boxes.

    Attributes
    ----------
    centre : numpy.ndarray of float, shape (boxes,)
        Value at the centre.
    slopes : numpy.ndarray of float, shape (boxes, variables)
        Slopes by variables that go from -1 to 1.
    below, above : numpy.ndarray of float, shape (boxes,)
        Bounds of the remainder, the first one 0 or less, the other 0 or more.
    """

    centre: Floats
    slopes: Floats
    below: Floats
    above: Floats

    def __add__(self, other: LogForm) -> LogForm:
        return LogForm(
            self.centre + other.centre,
            self.slopes + other.slopes,
            self.below + other.below,
            self.above + other.above,
        )

    def __neg__(self) -> LogForm:
        return LogForm(-self.centre, -self.slopes, -self.above, -self.below)

    def __sub__(self, other: LogForm) -> LogForm:
        return self + -other

    def times(self, power: int) -> LogForm:
        """Take the quantity to a power of 1 or more.

        Parameters
        ----------
        power : int
            The exponent.

        Returns
        -------
        LogForm
            The power.
        """
        return LogForm(
            power * self.centre, power * self.slopes, power * self.below, power * self.above
        )

    def within(self, low: Floats, high: Floats) -> LogForm:
        """Multiply by a factor that is known by bounds alone.

        Parameters
        ----------
        low, high : numpy.ndarray of float, shape (boxes,)
            Bounds of the factor's logarithm.

        Returns
        -------
        LogForm
            The product.
        """
        middle = (low + high) / 2.0
        return LogForm(
            self.centre + middle,
            self.slopes,
            self.below + np.minimum(low - middle, 0.0),
            self.above + np.maximum(high - middle, 0.0),
        )

    @property
    def low(self) -> Floats:
        """Least value in each box."""
        return np.asarray(self.centre - np.abs(self.slopes).sum(axis=1) + self.below - _SLACK)

    @property
    def high(self) -> Floats:
        """Largest value in each box."""
        return np.asarray(self.centre + np.abs(self.slopes).sum(axis=1) + self.above + _SLACK)

    def from_one(self) -> LogForm:
        """Take the distance from 1, abs(1 - q), which must not be 0 anywhere in a box.

        Returns
        -------
        LogForm
            The distance; where it can be 0 its bounds say nothing.
        """
        low, high = self.low, self.high
        apart = (high < 0.0) | (low > 0.0)
        safe = np.where(apart, self.centre, 1.0)
        grown = np.exp(safe)
        slope = -grown / (1.0 - grown)
        nearest = np.where(apart, np.where(high < 0.0, high, low), 1.0)
        at_nearest = np.exp(nearest)
        bend = at_nearest / (1.0 - at_nearest) ** 2
        reach = np.maximum(high - self.centre, self.centre - low)
        rising = slope > 0.0
        below = np.where(rising, slope * self.below, slope * self.above)
        above = np.where(rising, slope * self.above, slope * self.below)
        below = below - 0.5 * bend * reach * reach
        return LogForm(
            np.log(np.abs(1.0 - grown)),
            self.slopes * slope[:, None],
            np.where(apart, below, -_BEYOND),
            np.where(apart, above, _BEYOND),
        )

    @staticmethod
    def total(terms: Sequence[LogForm]) -> LogForm:
        """Sum quantities.

        Parameters
        ----------
        terms : sequence of LogForm
            At least one.

        Returns
        -------
        LogForm
            The sum.
        """
        centres = np.stack([t.centre for t in terms])
        slopes = np.stack([t.slopes for t in terms])
        top = centres.max(axis=0)
        sizes = np.exp(centres - top)
        whole = sizes.sum(axis=0)
        shares = sizes / whole
        range_among = (slopes.max(axis=0) - slopes.min(axis=0)).sum(axis=1)
        below = (shares * np.stack([t.below for t in terms])).sum(axis=0)
        above = np.max([t.above for t in terms], axis=0) + range_among**2 / 8.0
        return LogForm(top + np.log(whole), (shares[:, :, None] * slopes).sum(axis=0), below, above)


def variable(low: Floats, high: Floats, *, number: int, variables: int) -> LogForm:
    """Make the form of a quantity that is a variable by itself.

    Parameters
    ----------
    low, high : numpy.ndarray of float, shape (boxes,)
        Bounds of its logarithm.
    number : int
        Which variable it is.
    variables : int
        Number of variables.

    Returns
    -------
    LogForm
        The form.
    """
    slopes = np.zeros((len(low), variables))
    slopes[:, number] = (high - low) / 2.0
    nothing = np.zeros(len(low))
    return LogForm((low + high) / 2.0, slopes, nothing, nothing)
