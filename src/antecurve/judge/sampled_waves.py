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

__all__ = ["SampledWaves", "pairs_of_lines", "sampled_waves"]

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
        return self.products_of(self.laid_out(rows))

    @abstractmethod
    def laid_out(self, rows: Floats) -> Floats:
        """Lay out records for their products with any waves at the same times.

        Parameters
        ----------
        rows : numpy.ndarray of float, shape (records, samples)
            The records.

        Returns
        -------
        numpy.ndarray of float, any shape
            What `products_of` takes.
        """

    @abstractmethod
    def products_of(self, laid_out: Floats) -> Floats:
        """Multiply records that are laid out with all columns.

        Parameters
        ----------
        laid_out : numpy.ndarray of float, any shape
            As `laid_out` returns them.

        Returns
        -------
        numpy.ndarray of float, shape (records, 2 waves)
            As `products` returns them.
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

    def by_frequency(self, amplitudes: Floats) -> Floats:
        """Differentiate the sum of the columns by the frequency.

        Parameters
        ----------
        amplitudes : numpy.ndarray of float, shape (2 waves,)
            As in `summed`.

        Returns
        -------
        numpy.ndarray of float, shape (samples,)
            Over 1 Hz.
        """
        half = self.orders.size
        cosine, sine = amplitudes[:half] * self.orders, amplitudes[half:] * self.orders
        # d/df of a cos(phi) - b sin(phi) = 2 pi n t (-a sin(phi) - b cos(phi)).
        return 2.0 * math.pi * self.time_s * self.summed(np.concatenate([-sine, cosine]))

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
        """Multiply record by record: what is in between stays in the cache."""
        return np.vstack([self.products_of(self.laid_out(row[None])) for row in rows])

    def laid_out(self, rows: Floats) -> Floats:
        """Add and subtract the halves of each block: about its middle a cosine is even."""
        blocks, half = len(self.coarse), self.even.shape[1]
        padded = np.zeros((len(rows), blocks, 2, half))
        padded.reshape(len(rows), -1)[:, : rows.shape[1]] = rows
        before, after = padded[:, :, 0, ::-1], padded[:, :, 1]
        laid_out = np.empty((2, len(rows), blocks, half))
        np.add(after, before, out=laid_out[0])
        np.subtract(after, before, out=laid_out[1])
        return laid_out

    def products_of(self, laid_out: Floats) -> Floats:
        """Multiply block by block."""
        cosines, sines = laid_out[0] @ self.even.T, laid_out[1] @ self.odd.T
        even = _over_blocks(cosines, self.real) - _over_blocks(sines, self.imaginary)
        odd = -_over_blocks(cosines, self.imaginary) - _over_blocks(sines, self.real)
        return np.hstack([even, odd])

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
            wave_hz = multiples * self.fundamental_hz
            middle = (self.time_s[0] + self.time_s[-1]) / 2.0
            series = self._kernel(wave_hz) * np.exp(2j * math.pi * middle * wave_hz)
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
        own = self.orders * self.fundamental_hz
        others = other.orders * other.fundamental_hz
        middle = 2j * math.pi * (self.time_s[0] + self.time_s[-1]) / 2.0
        turn, other_turn = np.exp(middle * own)[:, None], np.exp(middle * others)
        apart = 0.5 * self._kernel(own[:, None] - others) * (turn * other_turn.conj())
        both = 0.5 * self._kernel(own[:, None] + others) * (turn * other_turn)
        total, less = apart + both, apart - both
        cosines = np.hstack([total.real, less.imag])
        return np.vstack([cosines, np.hstack([-total.imag, less.real])])

    def _kernel(self, wave_hz: Floats) -> Floats:
        """Sum of exp(j w t) over samples about time 0: Dirichlet's kernel."""
        turn = math.pi * _mean_step(self.time_s) * wave_hz
        count = self.time_s.size
        sine, at_zero = np.sin(turn), turn == 0.0
        sine[at_zero] = 1.0
        size = np.sin(turn * count) / sine
        size[at_zero] = count
        return np.asarray(size)


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

    def laid_out(self, rows: Floats) -> Floats:
        """Take records as they are."""
        return rows

    def products_of(self, laid_out: Floats) -> Floats:
        """Multiply sample by sample."""
        return np.asarray(laid_out @ self.columns.T)

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


def pairs_of_lines(columns: Floats) -> Floats:
    """Turn columns of waves into cosine and sine of each.

    Parameters
    ----------
    columns : numpy.ndarray of float, shape (..., 2 waves)
        Of all cosines, then of all negative sines.

    Returns
    -------
    numpy.ndarray of float, shape (..., 2 waves)
        Of the first cosine and sine, then of the next.
    """
    paired, count = np.empty(columns.shape), columns.shape[-1] // 2
    paired[..., 0::2] = columns[..., :count]
    np.negative(columns[..., count:], out=paired[..., 1::2])
    return paired


@lru_cache(maxsize=8)  # records of one unit have two or four sets of orders
def _pairs_of(orders: bytes) -> tuple[Indices, Indices, Floats]:
    """Of each pair of orders: how far apart they are, their sum, which one is the greater."""
    order = np.frombuffer(orders).astype(int)
    apart = order[:, None] - order
    return np.abs(apart), order[:, None] + order, np.sign(apart).astype(float)


def _over_blocks(inner: Floats, outer: Floats) -> Floats:
    return np.asarray(np.einsum("rbw,bw->rw", inner, outer))


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
