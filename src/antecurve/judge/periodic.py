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
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import InputError
from antecurve.judge.interference import NOTHING_ELSE, Interference
from antecurve.judge.record import Record

__all__ = ["HarmonicBasis", "harmonic_basis"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

_MOST_ODD = 170  # all up to order 100 and a dozen per octave beyond
_MOST_EVEN = 16  # enough to tell distortion; higher ones are weaker
_USABLE_OF_RATE = 0.45  # of the sampling rate: short of half of it, where filters begin
_LEAST_NOISE = 1e-7  # of the swing: double precision through the normal equations
_FREQUENCY_ROUNDS = 4
_SMALL_TURN = 0.003  # of a period of the highest harmonic: its error is 2 %
_EVEN_TURN = 1e-10  # of a period: far below what the noise of a record turns a harmonic
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
    columns : numpy.ndarray of float, shape (samples, nuisances + 2 harmonics)
        Frequency, offset, drift, lines; then cos and -sin of each harmonic.
    factor : numpy.ndarray of float, shape (nuisances + 2 harmonics,) * 2
        Upper Cholesky factor of columns' normal equations.
    nuisances : int
        Number of leading columns of no interest.
    interference : Interference
        Drift and hum taken out.
    frequency_scale : float
        Size that the frequency's column had before it was set to 1 [V/Hz].
    """

    record: Record
    orders: Floats
    columns: Floats
    factor: Floats
    nuisances: int
    interference: Interference
    frequency_scale: float

    def frequency_step(self, volts: Floats) -> float:
        """Return by how much the frequency is still off.

        Parameters
        ----------
        volts : numpy.ndarray of float, shape (samples,)
            The record [V].

        Returns
        -------
        float
            Gauss-Newton step [Hz].
        """
        from scipy.linalg import cho_solve

        coefficients = cho_solve((self.factor, False), self.columns.T @ volts)
        return float(coefficients[0]) / self.frequency_scale

    def settled(self, step_hz: float) -> bool:
        """Return whether a step of the frequency hardly turns the highest harmonic.

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
        self, step_hz: float, volts: Floats, *, name: str, unused_slope: Floats | None = None
    ) -> HarmonicBasis:
        """Return the reduction at another frequency.

        Parameters
        ----------
        step_hz : float
            Step of the frequency [Hz].
        volts : numpy.ndarray of float, shape (samples,)
            The record [V], harmonics beyond the reduction taken off where they are known.
        name : str
            How messages call the capture.
        unused_slope : numpy.ndarray of float, shape (samples,), optional
            Derivative by the frequency of what was taken off [V/Hz].

        Returns
        -------
        HarmonicBasis
            With the frequency's column made of all harmonics.
        """
        record = replace(self.record, frequency_hz=self.record.frequency_hz + step_hz)
        return _reduce(record, self.orders, self.interference, name, volts, unused_slope)

    def reduced(self, volts: Floats) -> Floats:
        """Return q of a record.

        Parameters
        ----------
        volts : numpy.ndarray of float, shape (samples, ...)
            The record, or several [V].

        Returns
        -------
        numpy.ndarray of float, shape (2 harmonics, ...)
            q, the whitened right-hand side [V].
        """
        from scipy.linalg import solve_triangular

        full = solve_triangular(self.factor, self.columns.T @ volts, trans="T")
        return np.asarray(full[self.nuisances :])

    def noise(self, volts: Floats) -> float:
        """Return the standard deviation of a sample about the reduction.

        Parameters
        ----------
        volts : numpy.ndarray of float, shape (samples,)
            The record, what lies beyond the harmonics taken off [V].

        Returns
        -------
        float
            Standard deviation [V], not below the quantisation's step / sqrt(12).
        """
        from scipy.linalg import solve_triangular

        white = solve_triangular(self.factor, self.columns.T @ volts, trans="T")
        free = max(1, volts.size - self.factor.shape[0])
        residual = max(0.0, float(volts @ volts - white @ white)) / free
        return math.sqrt(max(residual, self.noise_floor_v**2))

    @property
    def noise_floor_v(self) -> float:
        """Least standard deviation of a sample [V]: that of quantisation and of arithmetic."""
        arithmetic = _LEAST_NOISE * float(np.ptp(self.record.volts))
        return math.hypot(self.record.step_v / math.sqrt(12.0), arithmetic)

    def without_interference(self) -> tuple[Floats, Floats]:
        """Return the reduction to frequency, offset and harmonics alone.

        Returns
        -------
        tuple of numpy.ndarray
            Factor and columns, as `factor` and `columns` without those of the interference.
        """
        from scipy.linalg import cholesky

        if self.nuisances == 2:
            return self.factor, self.columns
        chosen = np.r_[0:2, self.nuisances : len(self.factor)]
        part = self.factor[:, chosen]
        return np.asarray(cholesky(part.T @ part)), self.columns[:, chosen]

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
        return inverse.T @ (self.columns.T @ volts), inverse[chosen]

    @property
    def whitener(self) -> Floats:
        """R, shape (2 harmonics, 2 harmonics), over cos and -sin amplitudes."""
        return self.factor[self.nuisances :, self.nuisances :]

    def amplitudes(self, volts: Floats) -> Complex:
        """Return the complex amplitudes c_n of a record.

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
        """Return the variance of each amplitude's components over the noise variance.

        Returns
        -------
        numpy.ndarray of float, shape (harmonics,)
            Mean of the variances of real and imaginary part, for noise of variance 1.
        """
        from scipy.linalg import solve_triangular

        inverse = solve_triangular(self.whitener, np.eye(self.whitener.shape[0]))
        spread = (inverse**2).sum(axis=1)
        half = spread.size // 2
        return np.asarray((spread[:half] + spread[half:]) / 2.0)


def harmonic_basis(
    record: Record, *, highest_hz: float, name: str, interference: Interference = NOTHING_ELSE
) -> HarmonicBasis:
    """Return the reduction of a record to harmonics up to a frequency.

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
    top = min(highest_hz, _USABLE_OF_RATE * record.rate_hz) / frequency
    orders = _orders(top, record.time_s.size)
    for few in (9.0, 41.0):
        small = np.arange(1.0, min(few, max(top, 3.0)) + 1.0)
        for _ in range(2):
            frequency += _frequency_step(record, small, frequency, name)
    record = replace(record, frequency_hz=frequency)
    basis = _reduce(record, orders, interference, name, record.volts)
    for _ in range(_FREQUENCY_ROUNDS):
        step = basis.frequency_step(record.volts)
        if basis.settled(step):
            break
        basis = basis.moved(step, record.volts, name=name)
    _check_edges(basis, name)
    return basis


def _orders(top: float, samples: int) -> Floats:
    """All low odd orders, then a spread of the higher ones; a few even ones."""
    most = min(_MOST_ODD, max(8, samples // 12))
    odd = np.arange(1.0, max(top, 3.0) + 0.5, 2.0)
    if odd.size > most:
        low = odd[: most // 2]
        spread = np.geomspace(low[-1] + 2.0, odd[-1], most - low.size)
        odd = np.union1d(low, 2.0 * np.floor(spread / 2.0) + 1.0)
    even = np.arange(2.0, max(top, 3.0) + 0.5, 2.0)[: min(_MOST_EVEN, most // 2)]
    return np.union1d(odd, even)


def _waves(time: Floats, orders: Floats, frequency: float, out: Floats | None = None) -> Floats:
    """cos and -sin of each harmonic; neighbours follow from one another by one product.

    They are written into the rows of `out`, shape (2 harmonics, samples), where it is given.
    """
    turn = np.exp(2j * math.pi * frequency * time)
    powers = {0.0: np.ones_like(turn), 1.0: turn, 2.0: turn * turn}
    waves = np.empty((2 * orders.size, time.size)) if out is None else out
    current, last = powers[0.0], 0.0
    for index, order in enumerate(orders):
        if order - last in powers:
            current = current * powers[order - last]
        else:
            current = np.exp(2j * math.pi * frequency * order * time)
        last = order
        waves[index] = current.real
        waves[orders.size + index] = -current.imag
    return waves.T


def _normal_matrix(rows: Floats, orders: Floats, record: Record) -> Floats:
    """Products of all columns; of the harmonics by sums of geometric series where time is even."""
    count = 2 * orders.size
    time = record.time_s
    step = (time[-1] - time[0]) / (time.size - 1)
    uneven = np.abs(time - time[0] - step * np.arange(time.size)).max()
    if uneven * record.frequency_hz * orders.max() > _EVEN_TURN:
        return np.asarray(rows @ rows.T)
    few = len(rows) - count
    normal = np.empty((len(rows),) * 2)
    normal[:few] = rows[:few] @ rows.T
    normal[few:, :few] = normal[:few, few:].T
    turn = math.pi * record.frequency_hz * step
    middle = 2.0 * math.pi * record.frequency_hz * (time[0] + time[-1]) / 2.0

    def series(order: Floats) -> Complex:
        """Sum of exp(j order w t) over the samples: Dirichlet's kernel."""
        half = np.where(order == 0, 1.0, np.sin(turn * order))
        size = np.where(order == 0, float(time.size), np.sin(turn * order * time.size) / half)
        return np.asarray(size * np.exp(1j * middle * order))

    apart = series(orders[:, None] - orders)
    both = series(orders[:, None] + orders)
    mixed = (apart - both).imag
    normal[few:, few:] = 0.5 * np.block(
        [[(apart + both).real, mixed], [mixed.T, (apart - both).real]]
    )
    return normal


def _frequency_step(record: Record, orders: Floats, frequency: float, name: str) -> float:
    """One Gauss-Newton step of the frequency with a small set of harmonics.

    A window over the record keeps the harmonics left out from leaking into the step.
    """
    time = record.time_s
    window = np.cos(math.pi * time / (2.02 * np.abs(time).max()))
    waves = _waves(time, orders, frequency)
    columns = np.hstack([np.ones((waves.shape[0], 1)), waves]) * window[:, None]
    volts = record.volts * window
    amplitude = _solved(columns, volts)
    slope = _frequency_column(time, waves, orders, amplitude[1:]) * window
    both = _solved(np.column_stack([columns, slope / np.max(np.abs(slope))]), volts)
    both[-1] /= np.max(np.abs(slope))
    limit = 0.1 / float(np.ptp(record.time_s))
    step = float(np.clip(both[-1], -limit, limit))
    if not math.isfinite(step):
        raise InputError(name, "no stable period", "capture three or more whole periods")
    return step


def _solved(columns: Floats, volts: Floats) -> Floats:
    """Least squares by the normal equations; columns are near orthogonal."""
    normal = columns.T @ columns
    normal[np.diag_indices_from(normal)] *= 1.0 + _RIDGE
    return np.asarray(np.linalg.solve(normal, columns.T @ volts), dtype=np.float64)


def _frequency_column(time: Floats, waves: Floats, orders: Floats, amplitude: Floats) -> Floats:
    """Derivative of the record by the frequency [V/Hz]."""
    half = orders.size
    cosine, sine = amplitude[:half] * orders, amplitude[half:] * orders
    # d/df of a cos(phi) - b sin(phi) = 2 pi n t (-a sin(phi) - b cos(phi)).
    turned = np.concatenate([-sine, cosine])
    return np.asarray(2.0 * math.pi * time * (waves @ turned))


def _reduce(
    record: Record,
    orders: Floats,
    interference: Interference,
    name: str,
    volts: Floats,
    unused_slope: Floats | None = None,
) -> HarmonicBasis:
    from scipy.linalg import LinAlgError, cho_solve, cholesky

    time = record.time_s
    beside = interference.columns(time)
    # All columns in one array, the slope by the frequency first: of a long record there is no
    # memory to spare for copies.
    nuisances = 2 + len(beside)
    rows = np.empty((nuisances + 2 * orders.size, time.size))
    rows[1] = 1.0
    rows[2:nuisances] = beside
    waves = _waves(time, orders, record.frequency_hz, rows[nuisances:])
    base = rows[1:].T
    normal = _normal_matrix(rows[1:], orders, record)
    ridge = _RIDGE * time.size * np.eye(len(normal) + 1)
    ridge[2:nuisances, 2:nuisances] += np.diag(interference.prior_weights)
    try:
        first = cholesky(normal + ridge[1:, 1:])
        amplitude = cho_solve((first, False), base.T @ volts)[-2 * orders.size :]
        slope = _frequency_column(time, waves, orders, amplitude)
        if unused_slope is not None:
            slope = slope + unused_slope
        scale = max(float(np.sqrt(np.mean(slope**2))), 1e-300)
        slope = slope / scale
        rows[0] = slope
        mixed = base.T @ slope
        factor = cholesky(np.block([[slope @ slope, mixed], [mixed[:, None], normal]]) + ridge)
    except LinAlgError:
        raise InputError(
            name, f"{time.size} samples", "they do not fix the harmonics; capture more samples"
        ) from None
    return HarmonicBasis(record, orders, rows.T, np.asarray(factor), nuisances, interference, scale)


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
