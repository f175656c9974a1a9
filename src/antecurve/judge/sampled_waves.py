"""Harmonics at the times of a record: products with it, their sum, products with one another.

At evenly spaced times, t_k = t_0 + k d with k = B i + j, a sine is a product,
exp(j w t_k) = exp(j w (t_0 + B d i)) exp(j w d j): of n sines at N times only 2 n sqrt(N) values
are calculated, and a product with a record is two small ones.  Products of the sines with one
another are sums of geometric series (Dirichlet's kernel).  At uneven times all n N values are
laid out.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from dataclasses import dataclass
from functools import lru_cache
from typing import Self

import numpy as np
from numpy.typing import NDArray

__all__ = ["SampledWaves", "sampled_waves"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]
Indices = NDArray[np.intp]

_EVEN_TURN = 1e-10  # of a period: far below what the noise of a record turns a harmonic


@dataclass(frozen=True, slots=True, eq=False)
class SampledWaves(ABC):
    """Columns cos(n w t) and -sin(n w t) at the times of a record.

    Attributes
    ----------
    time_s : numpy.ndarray of float, shape (samples,)
        Times [s], ascending.
    orders : numpy.ndarray of float, shape (waves,)
        Whole numbers n.
    fundamental_hz : float
        Frequency of n = 1 [Hz].
    """

    time_s: Floats
    orders: Floats
    fundamental_hz: float

    @classmethod
    @abstractmethod
    def of(cls, time_s: Floats, orders: Floats, fundamental_hz: float) -> Self:
        """Lay out waves of the same kind at the same times.

        Parameters
        ----------
        time_s : numpy.ndarray of float, shape (samples,)
            Times [s], ascending.
        orders : numpy.ndarray of float, shape (waves,)
            Whole numbers.
        fundamental_hz : float
            Frequency of the first order [Hz].

        Returns
        -------
        SampledWaves
            Two columns an order.
        """

    @abstractmethod
    def products(self, rows: Floats) -> Floats:
        """Multiply records with all columns.

        Parameters
        ----------
        rows : numpy.ndarray of float, shape (records, samples)
            The records.

        Returns
        -------
        numpy.ndarray of float, shape (records, 2 waves)
            With the cosines, then with the negative sines.
        """

    @abstractmethod
    def summed(self, amplitudes: Floats) -> Floats:
        """Add up the columns.

        Parameters
        ----------
        amplitudes : numpy.ndarray of float, shape (2 waves,)
            Of the cosines, then of the negative sines.

        Returns
        -------
        numpy.ndarray of float, shape (samples,)
            The sum.
        """

    @abstractmethod
    def normal(self, weight: Floats | None = None) -> Floats:
        """Multiply all columns with one another.

        Parameters
        ----------
        weight : numpy.ndarray of float, shape (samples,), optional
            Weight of each sample.

        Returns
        -------
        numpy.ndarray of float, shape (2 waves, 2 waves)
            The products.
        """

    @abstractmethod
    def crossed(self, other: Self) -> Floats:
        """Multiply all columns with those of other waves at the same times.

        Parameters
        ----------
        other : SampledWaves
            The other waves, of the same kind.

        Returns
        -------
        numpy.ndarray of float, shape (2 waves, 2 other waves)
            The products.
        """


@dataclass(frozen=True, slots=True, eq=False)
class _EvenWaves(SampledWaves):
    """Waves at even times: at the first sample of each block, and within a block."""

    coarse: Complex  # (blocks, waves), at the middle of each block
    real: Floats  # its parts, each by itself
    imaginary: Floats
    even: Floats  # (waves, half the samples of a block): cosines from its middle on
    odd: Floats  # likewise sines

    @classmethod
    def of(cls, time_s: Floats, orders: Floats, fundamental_hz: float) -> Self:
        """Lay out the values that the others are products of."""
        omega = 2.0 * math.pi * fundamental_hz * orders
        step = _mean_step(time_s)
        half = math.isqrt(time_s.size - 1) // 2 + 1
        size = 2 * half
        middles = time_s[0] + step * (size * np.arange(-(-time_s.size // size)) + half - 0.5)
        coarse = np.exp(1j * middles[:, None] * omega)
        turn = omega[:, None] * (step * (np.arange(half) + 0.5))
        parts = coarse.real.copy(), coarse.imag.copy()
        return cls(time_s, orders, fundamental_hz, coarse, *parts, np.cos(turn), np.sin(turn))

    def products(self, rows: Floats) -> Floats:
        """Multiply block by block, record by record: what is in between stays in the cache."""
        products = np.empty((len(rows), 2 * self.orders.size))
        for row, product in zip(rows, products, strict=True):
            product[:] = self._product(row)
        return products

    def _product(self, row: Floats) -> Floats:
        blocks, half = len(self.coarse), self.even.shape[1]
        padded = np.zeros((blocks, 2, half))
        padded.ravel()[: row.size] = row
        before, after = padded[:, 0, ::-1], padded[:, 1]
        # About the middle of a block cosines are even and sines are odd.
        cosines, sines = (after + before) @ self.even.T, (after - before) @ self.odd.T

        def over_blocks(inner: Floats, outer: Floats) -> Floats:
            return np.asarray(np.einsum("bw,bw->w", inner, outer))

        even = over_blocks(cosines, self.real) - over_blocks(sines, self.imaginary)
        odd = -over_blocks(cosines, self.imaginary) - over_blocks(sines, self.real)
        return np.concatenate([even, odd])

    def summed(self, amplitudes: Floats) -> Floats:
        """Add up block by block."""
        count = self.orders.size
        outer = self.coarse * (amplitudes[:count] + 1j * amplitudes[count:])
        even, odd = outer.real @ self.even, outer.imag @ self.odd
        total = np.hstack([(even + odd)[:, ::-1], even - odd])
        return np.asarray(total.ravel()[: self.time_s.size])

    def normal(self, weight: Floats | None = None) -> Floats:
        """Sum geometric series, or the weight's products with waves of all orders."""
        multiples = np.arange(2.0 * self.orders.max() + 1.0)
        if weight is None:
            series = self._series(multiples * self.fundamental_hz)
        else:
            waves = self.of(self.time_s, multiples, self.fundamental_hz)
            parts = waves.products(weight[None])[0]
            series = parts[: multiples.size] - 1j * parts[multiples.size :]
        even, odd = 0.5 * series.real, 0.5 * series.imag
        apart, both, sign = _pairs_of(self.orders.tobytes())
        even_apart, even_both = even.take(apart), even.take(both)
        mixed = odd.take(apart)
        mixed *= sign
        mixed -= odd.take(both)
        count = self.orders.size
        products = np.empty((2 * count, 2 * count))
        np.add(even_apart, even_both, out=products[:count, :count])
        np.subtract(even_apart, even_both, out=products[count:, count:])
        products[:count, count:], products[count:, :count] = mixed, mixed.T
        return products

    def crossed(self, other: Self) -> Floats:
        """Sum geometric series."""
        own = self.orders[:, None] * self.fundamental_hz
        others = other.orders * other.fundamental_hz
        apart, both = self._series(own - others), self._series(own + others)
        total, less = 0.5 * (apart + both), 0.5 * (apart - both)
        return np.block([[total.real, less.imag], [-total.imag, less.real]])

    def _series(self, wave_hz: Floats) -> Complex:
        """Sum of exp(j w t) over the samples: Dirichlet's kernel."""
        turn = math.pi * _mean_step(self.time_s) * wave_hz
        count = self.time_s.size
        half = np.where(turn == 0.0, 1.0, np.sin(turn))
        size = np.where(turn == 0.0, float(count), np.sin(turn * count) / half)
        middle = (self.time_s[0] + self.time_s[-1]) / 2.0
        return np.asarray(size * np.exp(2j * math.pi * middle * wave_hz))


@dataclass(frozen=True, slots=True, eq=False)
class _UnevenWaves(SampledWaves):
    """Waves at any times, laid out."""

    columns: Floats  # (2 waves, samples)

    @classmethod
    def of(cls, time_s: Floats, orders: Floats, fundamental_hz: float) -> Self:
        """Lay out all values; neighbours follow from one another by one product."""
        turn = np.exp(2j * math.pi * fundamental_hz * time_s)
        powers = {0.0: np.ones_like(turn), 1.0: turn, 2.0: turn * turn}
        columns = np.empty((2 * orders.size, time_s.size))
        current, last = powers[0.0], 0.0
        for index, order in enumerate(orders):
            if order - last in powers:
                current = current * powers[order - last]
            else:
                current = np.exp(2j * math.pi * fundamental_hz * order * time_s)
            last = order
            columns[index] = current.real
            columns[orders.size + index] = -current.imag
        return cls(time_s, orders, fundamental_hz, columns)

    def products(self, rows: Floats) -> Floats:
        """Multiply sample by sample."""
        return np.asarray(rows @ self.columns.T)

    def summed(self, amplitudes: Floats) -> Floats:
        """Add up sample by sample."""
        return np.asarray(amplitudes @ self.columns)

    def normal(self, weight: Floats | None = None) -> Floats:
        """Multiply sample by sample."""
        weighted = self.columns if weight is None else self.columns * weight
        return np.asarray(weighted @ self.columns.T)

    def crossed(self, other: Self) -> Floats:
        """Multiply sample by sample."""
        return np.asarray(self.columns @ other.columns.T)


@lru_cache(maxsize=8)  # records of one unit have two or four sets of orders
def _pairs_of(orders: bytes) -> tuple[Indices, Indices, Floats]:
    """Of each pair of orders: how far apart they are, their sum, which one is the greater."""
    order = np.frombuffer(orders).astype(int)
    apart = order[:, None] - order
    return np.abs(apart), order[:, None] + order, np.sign(apart).astype(float)


def _mean_step(time_s: Floats) -> float:
    return float(time_s[-1] - time_s[0]) / (time_s.size - 1)


def sampled_waves(time_s: Floats, orders: Floats, fundamental_hz: float) -> SampledWaves:
    """Lay out harmonics at the times of a record.

    Parameters
    ----------
    time_s : numpy.ndarray of float, shape (samples,)
        Times [s], ascending.
    orders : numpy.ndarray of float, shape (waves,)
        Whole numbers.
    fundamental_hz : float
        Frequency of the first order [Hz].

    Returns
    -------
    SampledWaves
        In blocks where no sample is off even spacing by more than 1e-10 of the shortest period.
    """
    even = time_s[0] + _mean_step(time_s) * np.arange(time_s.size)
    off = float(np.abs(time_s - even).max()) * fundamental_hz * float(orders.max())
    kind = _EvenWaves if off <= _EVEN_TURN else _UnevenWaves
    return kind.of(time_s, orders, fundamental_hz)
