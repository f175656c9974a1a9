"""Captures as residuals: whitened, with derivatives by everything that may move."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.captures import SweepCapture
from antecurve.judge.periodic import HarmonicBasis
from antecurve.judge.signal_path import square_harmonics
from antecurve.quantities import DB_PER_NEPER

__all__ = [
    "Block",
    "Evaluation",
    "FoldedRest",
    "HarmonicModel",
    "RiseTime",
    "SquareBlock",
    "SweepBlock",
]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

DUTY_UNIT = 1e-3
_DELAY_PER_PERIOD = 1e-3
_SWEEP_DELAY = 1e-5
_SLICE = 200_000


@dataclass(frozen=True, slots=True)
class RiseTime:
    """Rise time of the generator's edge, 10 to 90 %.

    Attributes
    ----------
    value_s : float
        Its value [s].
    uncertainty_s : float
        Its standard uncertainty [s]; 0 when it is taken as known.
    """

    value_s: float
    uncertainty_s: float = 0.0


@dataclass(frozen=True, slots=True, eq=False)
class HarmonicModel:
    """Model amplitudes of harmonics with what their derivatives need.

    Attributes
    ----------
    value : numpy.ndarray of complex, shape (harmonics,)
        Amplitudes [V].
    omega : numpy.ndarray of float, shape (harmonics,)
        Angular frequencies [rad/s].
    by_duty, by_rise_time : numpy.ndarray of complex, shape (harmonics,)
        Derivatives by the duty [V] and by the rise time [V/s].
    """

    value: Complex
    omega: Floats
    by_duty: Complex
    by_rise_time: Complex


@dataclass(frozen=True, slots=True, eq=False)
class Evaluation:
    """Residuals at a point.

    Attributes
    ----------
    residual : numpy.ndarray of float, shape (rows,)
        Whitened residuals, data first, then the priors.
    jacobian : numpy.ndarray of float, shape (rows, unknowns)
        Derivatives.
    data_rows : int
        Number of leading rows that belong to data.
    """

    residual: Floats
    jacobian: Floats
    data_rows: int


@dataclass(frozen=True, slots=True, eq=False)
class FoldedRest:
    """The harmonics taken off a record, linearised about the fit they were predicted by.

    Attributes
    ----------
    slope : numpy.ndarray of float, shape (2 harmonics, constants + 3)
        Derivative of their reduction q by the unit's constants, gain, delay and duty [V].
    origin : numpy.ndarray of float, shape (constants + 3,)
        The fit that they were predicted by, in its coordinates.
    """

    slope: Floats
    origin: Floats


@dataclass(frozen=True, slots=True, eq=False)
class SquareBlock:
    """A reduced square-wave capture.

    Attributes
    ----------
    name : str
        How messages call it.
    basis : HarmonicBasis
        The reduction.
    data : numpy.ndarray of float, shape (2 harmonics,)
        q of the reduction [V].
    sigma : float
        Standard deviation of the whitened data [V].
    inflation : float
        What the noise of a reference capture makes of it, 1 or greater.
    rest : FoldedRest or None
        How the harmonics taken off beforehand move with the unit.
    """

    name: str
    basis: HarmonicBasis
    data: Floats
    sigma: float
    inflation: float = 1.0
    rest: FoldedRest | None = None

    @property
    def own(self) -> int:
        """Number of own unknowns: gain, delay, duty."""
        return 3

    @property
    def rows(self) -> int:
        """Number of residuals."""
        return 2 * self.basis.orders.size

    @property
    def frequency_hz(self) -> Floats:
        """Frequencies of the harmonics [Hz]."""
        return self.basis.orders * self.basis.record.frequency_hz

    @property
    def delay_unit(self) -> float:
        """Unit of the delay coordinate [s]."""
        return _DELAY_PER_PERIOD / self.basis.record.frequency_hz

    def amplitudes(
        self, own: Floats, log_response: Complex, orders: Floats, rise_time_s: float
    ) -> HarmonicModel:
        """Return model amplitudes of any harmonics.

        Parameters
        ----------
        own : numpy.ndarray of float, shape (3,)
            ln gain, delay, duty in the fit's coordinates.
        log_response : numpy.ndarray of complex, shape (harmonics,)
            ln of network, unit and chain.
        orders : numpy.ndarray of float, shape (harmonics,)
            Orders.
        rise_time_s : float
            Rise time [s].

        Returns
        -------
        HarmonicModel
            Amplitudes and derivatives.
        """
        fundamental = self.basis.record.frequency_hz
        omega = 2.0 * math.pi * fundamental * orders
        shape = square_harmonics(
            orders,
            frequency_hz=fundamental,
            duty=0.5 + DUTY_UNIT * own[2],
            rise_time_s=rise_time_s,
        )
        window = np.sinc(orders * fundamental * self.basis.record.averaged_s)
        factor = window * np.exp(own[0] + log_response - 1j * omega * own[1] * self.delay_unit)
        return HarmonicModel(
            shape.value * factor, omega, shape.by_duty * factor, shape.by_rise_time * factor
        )

    def own_slopes(self, model: HarmonicModel) -> Complex:
        """Return derivatives of amplitudes by gain, delay and duty.

        Parameters
        ----------
        model : HarmonicModel
            The amplitudes.

        Returns
        -------
        numpy.ndarray of complex, shape (harmonics, 3)
            In the fit's coordinates [V].
        """
        delay = -1j * model.omega * self.delay_unit * model.value
        return np.stack([model.value, delay, model.by_duty * DUTY_UNIT], axis=1)

    def evaluate(
        self, own: Floats, total: Complex, shared: Complex, rise: RiseTime, units: Floats
    ) -> Evaluation:
        """Return whitened residuals and their derivatives.

        Parameters
        ----------
        own : numpy.ndarray of float, shape (own,)
            Own unknowns in the fit's coordinates.
        total : numpy.ndarray of complex, shape (frequencies,)
            ln of network, unit and chain.
        shared : numpy.ndarray of complex, shape (frequencies, constants + sources)
            Its derivatives by the shared unknowns.
        rise : RiseTime
            Rise time; its column follows the shared ones when it is uncertain.
        units : numpy.ndarray of float, shape (constants,)
            The unit in the fit's coordinates.

        Returns
        -------
        Evaluation
            Columns: shared, rise time, own.
        """
        found = self.amplitudes(own, total, self.basis.orders, rise.value_s)
        value = found.value
        columns = [value[:, None] * shared]
        if rise.uncertainty_s > 0:
            columns.append((found.by_rise_time * rise.uncertainty_s)[:, None])
        columns.append(self.own_slopes(found))
        model = np.hstack([value[:, None], *columns])
        white = _whitened(self.basis.whitener, np.vstack([model.real, model.imag])) / self.sigma
        residual, jacobian = white[:, 0] - self.data / self.sigma, white[:, 1:]
        if self.rest is not None:
            slope = self.rest.slope / self.sigma
            residual += slope @ (np.concatenate([units, own]) - self.rest.origin)
            jacobian[:, : units.size] += slope[:, : units.size]
            jacobian[:, -own.size :] += slope[:, units.size :]
        return Evaluation(residual, jacobian, residual.size)


def _whitened(factor: Floats, columns: Floats) -> Floats:
    """Product of an upper triangular matrix with a few columns.

    In slices so small that no linear algebra library starts threads for them, which would cost
    more than they save; what lies below the diagonal is left out.
    """
    rows = max(8, _SLICE // columns.size)
    return np.vstack(
        [
            factor[first : first + rows, first:] @ columns[first:]
            for first in range(0, len(factor), rows)
        ]
    )


@dataclass(frozen=True, slots=True, eq=False)
class SweepBlock:
    """A sweep.

    Attributes
    ----------
    capture : SweepCapture
        The sweep.
    sigma_db : float
        Standard deviation of a level [dB].
    sigma_rad : float
        Standard deviation of a phase [rad].
    """

    capture: SweepCapture
    sigma_db: float
    sigma_rad: float

    @property
    def name(self) -> str:
        """How messages call it."""
        return self.capture.name

    @property
    def own(self) -> int:
        """Number of own unknowns: gain, and a delay when there is a phase."""
        return 1 if self.capture.phase_deg is None else 2

    @property
    def rows(self) -> int:
        """Number of residuals: one per frequency, two with phase."""
        return (1 if self.capture.phase_deg is None else 2) * self.capture.frequency_hz.size

    @property
    def frequency_hz(self) -> Floats:
        """Frequencies [Hz]."""
        return self.capture.frequency_hz

    @property
    def delay_unit(self) -> float:
        """Unit of the delay coordinate [s]."""
        return _SWEEP_DELAY

    def evaluate(
        self, own: Floats, total: Complex, shared: Complex, rise: RiseTime, units: Floats
    ) -> Evaluation:
        """Return whitened residuals and their derivatives.

        Parameters
        ----------
        own : numpy.ndarray of float, shape (own,)
            Own unknowns in the fit's coordinates.
        total : numpy.ndarray of complex, shape (frequencies,)
            ln of network, unit and chain.
        shared : numpy.ndarray of complex, shape (frequencies, constants + sources)
            Its derivatives by the shared unknowns.
        rise : RiseTime
            Rise time; its column follows the shared ones when it is uncertain.
        units : numpy.ndarray of float, shape (constants,)
            The unit in the fit's coordinates.

        Returns
        -------
        Evaluation
            Columns: shared, rise time, own.
        """
        count = total.size
        rise_column = np.zeros((count, int(rise.uncertainty_s > 0)))
        scale = self.sigma_db / DB_PER_NEPER
        residual = (total.real + own[0] - self.capture.level_db / DB_PER_NEPER) / scale
        own_columns = np.zeros((count, self.own))
        own_columns[:, 0] = 1.0
        jacobian = np.hstack([shared.real, rise_column, own_columns]) / scale
        if self.capture.phase_deg is None:
            return Evaluation(residual, jacobian, count)
        omega = 2.0 * math.pi * self.frequency_hz * self.delay_unit
        turn = total.imag - omega * own[1] - np.deg2rad(self.capture.phase_deg)
        turn = np.angle(np.exp(2j * turn)) / 2.0  # inverted polarity does not matter
        phase_columns = np.zeros((count, 2))
        phase_columns[:, 1] = -omega
        phase_jacobian = np.hstack([shared.imag, rise_column, phase_columns]) / self.sigma_rad
        return Evaluation(
            np.concatenate([residual, turn / self.sigma_rad]),
            np.vstack([jacobian, phase_jacobian]),
            2 * count,
        )


Block = SquareBlock | SweepBlock
"""A capture as the fit sees it."""
