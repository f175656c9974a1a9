"""A periodic record reduced to its harmonics by least squares, with their full covariance.

y(t) = c_0 + Re sum c_n exp(j 2 pi n f t) is linear in the amplitudes; the frequency is found
from the record by autocorrelation and refined by Gauss-Newton steps, each one more column,
t d/dt of the record.  With the columns of no interest in front, the Cholesky factor of the
normal equations holds the reduction: for its lower block R and the right-hand side q,
q - R c is white with the variance of the record's noise, whatever the start, the length and the
spacing of the samples.  (Golub and Van Loan, Matrix Computations, 5.3, on normal equations.)
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import InputError
from antecurve.judge.harmonics import reduced_orders
from antecurve.judge.interference import NOTHING_ELSE, Interference
from antecurve.judge.record import Record
from antecurve.judge.sampled_waves import SampledWaves, pairs_of_lines, sampled_waves

__all__ = ["USABLE_OF_RATE", "HarmonicBasis", "harmonic_basis"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

USABLE_OF_RATE = 0.45
"""Of the sampling rate, how far up a record is used: short of half of it, where filters begin."""
_LEAST_NOISE = 1e-7  # of the swing: double precision through the normal equations
_FREQUENCY_ROUNDS = 4  # Newton steps, each of which squares the error
_SMALL_TURN = 0.003  # of a period of the highest harmonic: its error is 2 %
_RIDGE = 1e-11  # keeps the factor defined where columns all but coincide


@dataclass(frozen=True, slots=True, eq=False)
class HarmonicBasis:
    """The least-squares reduction of a record to harmonics.

    Attributes
    ----------
    record : Record
        The record with its refined frequency.
    orders : numpy.ndarray of float, shape (harmonics,)
        Orders of the harmonics.
    waves : SampledWaves
        cos and -sin of each harmonic.
    beside : numpy.ndarray of float, shape (nuisances, samples)
        Columns of no interest: frequency, offset, drift, lines.
    factor : numpy.ndarray of float, shape (nuisances + 2 harmonics,) * 2
        Upper Cholesky factor of the normal equations, columns of no interest first.
    interference : Interference
        Drift and hum taken out.
    frequency_scale : float
        Size that the frequency's column had before it was set to 1 [V/Hz].
    columns : _Columns
        All columns but that of the frequency.
    whitener : numpy.ndarray of float, shape (2 harmonics, 2 harmonics)
        R, over cos and -sin amplitudes: the lower block of `factor` by itself.
    """

    record: Record
    orders: Floats
    waves: SampledWaves
    beside: Floats
    factor: Floats
    interference: Interference
    frequency_scale: float
    columns: _Columns
    whitener: Floats = field(init=False, repr=False)

    def __post_init__(self) -> None:
        lower = self.factor[self.nuisances :, self.nuisances :]
        object.__setattr__(self, "whitener", np.asfortranarray(lower))

    @property
    def nuisances(self) -> int:
        """Number of columns of no interest."""
        return len(self.beside)

    def products(self, rows: Floats) -> Floats:
        """Multiply records with all columns of the reduction.

        Parameters
        ----------
        rows : numpy.ndarray of float, shape (records, samples)
            The records [V].

        Returns
        -------
        numpy.ndarray of float, shape (records, nuisances + 2 harmonics)
            Right-hand sides of the normal equations [V].
        """
        return np.hstack([rows @ self.beside.T, self.waves.products(rows)])

    def frequency_step(self, volts: Floats) -> tuple[float, Floats]:
        """Compute by how much the frequency is still off.

        Parameters
        ----------
        volts : numpy.ndarray of float, shape (samples,)
            The record [V].

        Returns
        -------
        tuple of float and numpy.ndarray
            Gauss-Newton step [Hz], and the amplitudes of the harmonics beside it [V], shape
            (2 harmonics,).
        """
        from scipy.linalg import cho_solve

        coefficients = cho_solve((self.factor, False), self.products(volts[None])[0])
        return float(coefficients[0]) / self.frequency_scale, coefficients[self.nuisances :]

    def settled(self, step_hz: float) -> bool:
        """Tell whether a step of the frequency hardly turns the highest harmonic.

        Parameters
        ----------
        step_hz : float
            The step [Hz].

        Returns
        -------
        bool
            Whether it turns by less than 0.003 of a period over the record.
        """
        span = float(np.ptp(self.record.time_s)) * float(self.orders.max())
        return abs(step_hz) * span < _SMALL_TURN

    def moved(
        self,
        step_hz: float,
        amplitudes: Floats,
        *,
        name: str,
        unused_slope: Floats | None = None,
    ) -> HarmonicBasis:
        """Reduce at another frequency.

        Parameters
        ----------
        step_hz : float
            Step of the frequency [Hz].
        amplitudes : numpy.ndarray of float, shape (2 harmonics,)
            Amplitudes of the harmonics, which the frequency's column is made of [V].
        name : str
            How messages call the capture.
        unused_slope : numpy.ndarray of float, shape (samples,), optional
            Derivative by the frequency of what was taken off [V/Hz].

        Returns
        -------
        HarmonicBasis
            With the same interference taken out.
        """
        columns = self.columns
        same = columns.interference is self.interference
        if step_hz != 0.0 or not same:
            record = replace(self.record, frequency_hz=self.record.frequency_hz + step_hz)
            beside = columns.beside if same else None
            columns = _Columns.of(record, self.orders, self.interference, beside)
        return columns.reduction(amplitudes, name, unused_slope)

    def reduced(self, volts: Floats) -> Floats:
        """Compute q of a record.

        Parameters
        ----------
        volts : numpy.ndarray of float, shape (..., samples)
            The record, or several [V].

        Returns
        -------
        numpy.ndarray of float, shape (..., 2 harmonics)
            q, the whitened right-hand side [V].
        """
        return self._whitened(volts)[..., self.nuisances :]

    def reduced_with_noise(self, volts: Floats) -> tuple[Floats, float]:
        """Compute q of a record, and the noise about the reduction.

        Parameters
        ----------
        volts : numpy.ndarray of float, shape (samples,)
            The record, what lies beyond the harmonics taken off [V].

        Returns
        -------
        tuple of numpy.ndarray and float
            q [V], shape (2 harmonics,), and the standard deviation of a sample [V], not below
            the quantisation's step / sqrt(12).
        """
        white = self._whitened(volts)
        free = max(1, volts.size - self.factor.shape[0])
        residual = max(0.0, float(volts @ volts - white @ white)) / free
        noise = math.sqrt(max(residual, self.noise_floor_v**2))
        return white[self.nuisances :], noise

    def _whitened(self, volts: Floats) -> Floats:
        """Right-hand sides of all columns, whitened."""
        from scipy.linalg import solve_triangular

        right = self.products(np.atleast_2d(volts))
        white = solve_triangular(self.factor, right.T, trans="T").T
        return np.asarray(white.reshape((*volts.shape[:-1], -1)))

    @property
    def noise_floor_v(self) -> float:
        """Least standard deviation of a sample [V]: that of quantisation and of arithmetic."""
        arithmetic = _LEAST_NOISE * float(np.ptp(self.record.volts))
        return math.hypot(self.record.step_v / math.sqrt(12.0), arithmetic)

    def without_interference(self) -> Floats:
        """Compute the factor of frequency, offset and harmonics alone.

        Returns
        -------
        numpy.ndarray of float, shape (2 + 2 harmonics,) * 2
            As `factor` without the columns of the interference.
        """
        from scipy.linalg import cholesky

        if self.nuisances == 2:
            return self.factor
        chosen = np.r_[0:2, self.nuisances : len(self.factor)]
        part = self.factor[:, chosen]
        return np.asarray(cholesky(part.T @ part))

    def remainder(self, volts: Floats) -> Floats:
        """Take all columns out of a record by least squares.

        Parameters
        ----------
        volts : numpy.ndarray of float, shape (samples,)
            The record [V].

        Returns
        -------
        numpy.ndarray of float, shape (samples,)
            What noise and further signals leave [V].
        """
        from scipy.linalg import cho_solve

        coefficients = cho_solve((self.factor, False), self.products(volts[None])[0])
        beside, own = coefficients[: self.nuisances], coefficients[self.nuisances :]
        return np.asarray(volts - beside @ self.beside - self.waves.summed(own))

    def interference_amplitudes(self, volts: Floats) -> tuple[Floats, Floats]:
        """Fit drift and lines beside the harmonics.

        Parameters
        ----------
        volts : numpy.ndarray of float, shape (samples,)
            The record, or what a fit leaves of it [V].

        Returns
        -------
        tuple of numpy.ndarray
            Amplitudes of the columns of `interference` [V], shape (columns,), and their
            covariance for noise of variance 1, shape (columns, columns).
        """
        from scipy.linalg import cho_solve

        chosen = slice(2, self.nuisances)
        unit = np.eye(len(self.factor))[:, chosen]
        inverse = cho_solve((self.factor, False), unit)
        return self.products(volts[None])[0] @ inverse, inverse[chosen]

    @property
    def unwhitener(self) -> Floats:
        """The inverse of R, shape (2 harmonics, 2 harmonics)."""
        from scipy.linalg.lapack import dtrtri

        return np.asarray(dtrtri(self.whitener)[0])

    def amplitudes(self, volts: Floats) -> Complex:
        """Compute the complex amplitudes c_n of a record.

        Parameters
        ----------
        volts : numpy.ndarray of float, shape (samples,)
            The record [V].

        Returns
        -------
        numpy.ndarray of complex, shape (harmonics,)
            Amplitudes [V] at time 0 of the record.
        """
        from scipy.linalg import solve_triangular

        coefficients = solve_triangular(self.whitener, self.reduced(volts))
        half = coefficients.size // 2
        return np.asarray(coefficients[:half] + 1j * coefficients[half:])

    def variances(self) -> Floats:
        """Compute the variance of each amplitude's components over the noise variance.

        Returns
        -------
        numpy.ndarray of float, shape (harmonics,)
            Mean of the variances of real and imaginary part, for noise of variance 1.
        """
        spread = (self.unwhitener**2).sum(axis=1)
        half = spread.size // 2
        return np.asarray((spread[:half] + spread[half:]) / 2.0)


def harmonic_basis(
    record: Record,
    *,
    highest_hz: float,
    name: str,
    interference: Interference = NOTHING_ELSE,
    near: HarmonicBasis | None = None,
    frequency_settled: bool = False,
) -> HarmonicBasis:
    """Reduce a record to harmonics up to a frequency.

    Parameters
    ----------
    record : Record
        The record; its frequency is refined here.
    highest_hz : float
        Highest frequency that counts [Hz].
    name : str
        How messages call the capture.
    interference : Interference, optional
        Drift and hum to take out.
    near : HarmonicBasis, optional
        A reduction of the same record, whose frequency is the start.
    frequency_settled : bool, optional
        Whether the frequency of `near` is kept: harmonics passed over were taken off to find it.

    Returns
    -------
    HarmonicBasis
        At most 170 odd harmonics (all the low ones, then evenly spread in the logarithm) and
        the lowest even ones.

    Raises
    ------
    InputError
        When the record holds no edges, or its samples do not fix the harmonics.
    """
    frequency = record.frequency_hz
    top = min(highest_hz, USABLE_OF_RATE * record.rate_hz) / frequency
    orders = reduced_orders(top, samples=record.time_s.size)
    if near is not None:
        frequency = near.record.frequency_hz
    for few in (9.0, 41.0) if near is None else ():
        small = np.arange(1.0, min(few, max(top, 3.0)) + 1.0)
        for _ in range(2):
            frequency += _frequency_step(record, small, frequency, name)
    record = replace(record, frequency_hz=frequency)
    columns = _Columns.of(record, orders, interference)
    basis = columns.reduction(columns.amplitudes(name), name)
    for _ in range(0 if frequency_settled else _FREQUENCY_ROUNDS):
        step, amplitudes = basis.frequency_step(record.volts)
        if basis.settled(step):
            break
        basis = basis.moved(step, amplitudes, name=name)
    _check_edges(basis, name)
    return basis


def _frequency_step(record: Record, orders: Floats, frequency: float, name: str) -> float:
    """One Gauss-Newton step of the frequency with a small set of harmonics.

    A window over the record keeps the harmonics left out from leaking into the step.
    """
    time = record.time_s
    window = np.cos(math.pi * time / (2.02 * np.abs(time).max()))
    waves = sampled_waves(time, orders, frequency)
    inner, volts = waves.normal(window**2), record.volts * window**2
    beside = np.ones((1, time.size))
    right = np.concatenate([beside @ volts, waves.products(volts[None])[0]])
    amplitude = _solved(_bordered(waves, inner, beside, window**2), right)
    slope = waves.by_frequency(amplitude[1:])
    scale = float(np.max(np.abs(slope * window)))
    beside = np.stack([slope / scale, beside[0]])
    right = np.insert(right, 0, beside[0] @ volts)
    turned = _solved(_bordered(waves, inner, beside, window**2), right)
    limit = 0.1 / float(np.ptp(record.time_s))
    step = float(np.clip(turned[0] / scale, -limit, limit))
    if not math.isfinite(step):
        raise InputError(name, "no stable period", "capture three or more whole periods")
    return step


def _bordered(
    waves: SampledWaves, inner: Floats, beside: Floats, weight: Floats | None = None
) -> Floats:
    """Normal equations of further columns and the waves, of which `inner` are the products."""
    weighted = beside if weight is None else beside * weight
    mixed = waves.products(weighted)
    return np.block([[weighted @ beside.T, mixed], [mixed.T, inner]])


def _solved(normal: Floats, right: Floats) -> Floats:
    """Least squares by the normal equations; columns are near orthogonal."""
    return np.asarray(np.linalg.solve(normal + _RIDGE * np.diag(np.diag(normal)), right))


@dataclass(frozen=True, slots=True, eq=False)
class _Columns:
    """All columns of a reduction but that of the frequency, with their normal equations."""

    record: Record
    interference: Interference
    waves: SampledWaves
    beside: Floats  # offset, drift, lines
    normal: Floats

    @classmethod
    def of(
        cls,
        record: Record,
        orders: Floats,
        interference: Interference,
        beside: Floats | None = None,
    ) -> _Columns:
        """Lay out all columns; those beside the harmonics are the same at any frequency."""
        time = record.time_s
        if beside is None:
            beside = np.vstack([np.ones(time.size), interference.columns(time)])
        waves = sampled_waves(time, orders, record.frequency_hz)
        count, line_hz = len(beside), np.array(interference.line_hz)
        normal = np.empty((count + 2 * orders.size,) * 2)
        normal[:count, :count], normal[count:, count:] = beside @ beside.T, waves.normal()
        mixed, others = normal[:count, count:], count - 2 * line_hz.size
        mixed[:others] = waves.products(beside[:others])
        if line_hz.size:
            mixed[others:] = pairs_of_lines(waves.crossed(waves.of(time, line_hz, 1.0))).T
        normal[count:, :count] = mixed.T
        ridge = np.full(len(normal), _RIDGE * time.size)
        ridge[1 : len(beside)] += interference.prior_weights
        normal[np.diag_indices_from(normal)] += ridge
        return cls(record, interference, waves, beside, normal)

    def amplitudes(self, name: str) -> Floats:
        """Project a record on the harmonics: amplitudes [V], shape (2 harmonics,)."""
        from scipy.linalg import cho_solve

        volts = self.record.volts
        right = np.concatenate([self.beside @ volts, self.waves.products(volts[None])[0]])
        return np.asarray(
            cho_solve((_cholesky(self.normal, name), False), right)[len(self.beside) :]
        )

    def reduction(
        self, amplitudes: Floats, name: str, unused_slope: Floats | None = None
    ) -> HarmonicBasis:
        """Put the frequency's column, made of amplitudes, in front."""
        slope = self.waves.by_frequency(amplitudes)
        if unused_slope is not None:
            slope = slope + unused_slope
        scale = max(float(np.sqrt(np.mean(slope**2))), 1e-300)
        slope = slope / scale
        mixed = np.concatenate([self.beside @ slope, self.waves.products(slope[None])[0]])
        size = np.array([[slope @ slope + _RIDGE * slope.size]])
        factor = _cholesky(np.block([[size, mixed[None]], [mixed[:, None], self.normal]]), name)
        return HarmonicBasis(
            self.record,
            self.waves.orders,
            self.waves,
            np.vstack([slope, self.beside]),
            factor,
            self.interference,
            scale,
            self,
        )


def _cholesky(normal: Floats, name: str) -> Floats:
    from scipy.linalg import LinAlgError, cholesky

    try:
        return np.asarray(cholesky(normal))
    except LinAlgError:
        raise InputError(
            name,
            "samples that do not fix the harmonics of a square wave",
            "capture more samples, spread over whole periods",
        ) from None


def _check_edges(basis: HarmonicBasis, name: str) -> None:
    size = np.abs(basis.amplitudes(basis.record.volts))
    odd = basis.orders % 2 == 1
    low = size[odd][:5]
    if low.size < 2 or low[1:].max() < 0.01 * low[0]:
        raise InputError(
            name,
            "a record without edges (a sine?)",
            "a square wave must go into the network; for a sine, sweep it and give "
            "frequency_hz, level_db",
        )
