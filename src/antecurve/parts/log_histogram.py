"""Percentiles of any number of positive values in constant memory.

Values are counted in bins of equal width in the logarithm.  A percentile is the order
statistic of rank ceil(p n), known to half a bin: a relative 0.005 % with the default width,
twenty times finer than the 0.1 % that is promised.  Counts add up, so the order in which values
arrive, and who counted them, does not matter.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import InputError
from antecurve.results import Result

__all__ = ["LogHistogram", "Percentiles"]

_WIDTH = 1e-4  # half of it is twenty times finer than the 0.1 % that is promised


@dataclass(frozen=True, slots=True)
class Percentiles(Result):
    """Percentiles of a quantity over builds.

    Attributes
    ----------
    p50, p95, p99 : float
        Values that 50 %, 95 % and 99 % of the builds don't exceed [dB].
    max : float
        Largest value met [dB].
    """

    p50: float
    p95: float
    p99: float
    max: float


class LogHistogram:
    """Counts of positive values in logarithmic bins.

    Parameters
    ----------
    low, high : float, optional
        Range that is resolved; values outside are counted in the outermost bins.
    width : float, optional
        Width of a bin in the natural logarithm.

    Attributes
    ----------
    count : int
        Number of values so far.
    least, greatest : float
        Smallest and largest value so far.
    """

    __slots__ = ("_bins", "_low", "_width", "count", "greatest", "least")

    def __init__(self, low: float = 1e-9, high: float = 1e3, width: float = _WIDTH) -> None:
        self._low, self._width = low, width
        self._bins: NDArray[np.int64] = np.zeros(
            math.ceil(math.log(high / low) / width), dtype=np.int64
        )
        self.count = 0
        self.least, self.greatest = math.inf, -math.inf

    def add(self, values: NDArray[np.float64]) -> None:
        """Count values.

        Parameters
        ----------
        values : numpy.ndarray of float, shape (n,)
            Values, 0 or greater.

        Raises
        ------
        InputError
            When a value is not finite.
        """
        if values.size:
            least, greatest = float(values.min()), float(values.max())
            logarithms = np.log(np.maximum(values, self._low) * (1.0 / self._low))
            self._count(logarithms, least, greatest)

    def add_logarithms(self, logarithms: NDArray[np.float64]) -> None:
        """Count values by their natural logarithms.

        Parameters
        ----------
        logarithms : numpy.ndarray of float, shape (n,)
            Of values, greater than 0.

        Raises
        ------
        InputError
            When a value is not finite.
        """
        if logarithms.size:
            least, greatest = float(logarithms.min()), float(logarithms.max())
            above = np.maximum(logarithms - math.log(self._low), 0.0)
            self._count(above, float(np.exp(least)), float(np.exp(greatest)))

    def _count(self, above: NDArray[np.float64], least: float, greatest: float) -> None:
        """Count values by the logarithms of what they are times the lowest."""
        if not math.isfinite(greatest - least):
            raise InputError(
                "builds",
                greatest if math.isfinite(least) else least,
                "a response is no finite number: bring part values, load, curve and band closer "
                "to what a bench has",
            )
        self.count += above.size
        self.least = min(self.least, least)
        self.greatest = max(self.greatest, greatest)
        above *= 1.0 / self._width
        bin_indices = np.minimum(above.astype(np.int64), len(self._bins) - 1)
        np.add.at(self._bins, bin_indices, 1)

    def quantile(self, fraction: float) -> float:
        """Compute the value that a fraction of all values does not exceed.

        Parameters
        ----------
        fraction : float
            Above 0, at most 1.

        Returns
        -------
        float
            The order statistic of rank ceil(fraction n), to half a bin; NaN without values.
        """
        if not self.count:
            return math.nan
        rank = max(1, math.ceil(fraction * self.count - 1e-9))
        # Bins that hold all values, and one more to either side for the rounding of logarithms.
        first = max(0, self._bin(self.least) - 1)
        counted = np.cumsum(self._bins[first : self._bin(self.greatest) + 2])
        bin_index = first + int(np.searchsorted(counted, rank))
        middle = self._low * math.exp((bin_index + 0.5) * self._width)
        return min(max(middle, self.least), self.greatest)

    def share_within(self, limit: float) -> float:
        """Compute the share of all values that do not exceed a limit.

        Parameters
        ----------
        limit : float
            Above 0.

        Returns
        -------
        float
            From 0 to 1; the bin of the limit counts as within.  NaN without values.
        """
        if not self.count:
            return math.nan
        return float(self._bins[: self._bin(limit) + 1].sum()) / self.count

    def _bin(self, value: float) -> int:
        return int(math.log(max(value, self._low) / self._low) / self._width)

    def percentiles(self) -> Percentiles:
        """Compute the percentiles that results are stated by.

        Returns
        -------
        Percentiles
            50th, 95th, 99th percentile and the largest value.
        """
        return Percentiles(
            self.quantile(0.50), self.quantile(0.95), self.quantile(0.99), self.greatest
        )
