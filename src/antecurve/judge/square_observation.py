"""Square-wave records reduced to their harmonics, as the fit sees them.

Harmonics that the reduction passes over, and those beyond its reach that the sampling folds back,
are taken off as a fit predicts them; their derivatives stay, so that the next fit moves them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.edge_pause import EDGE_REACH
from antecurve.judge.harmonics import (
    HarmonicModel,
    along_record,
    one_period,
    response_at_orders,
    summed_orders,
    whitened,
)
from antecurve.judge.hidden_edges import hidden_edge_findings
from antecurve.judge.hum_findings import interference_findings
from antecurve.judge.interference import NOTHING_ELSE, Interference
from antecurve.judge.level_dependence import RelativeHarmonics
from antecurve.judge.observation import (
    Evaluation,
    Observation,
    Prediction,
    ResidualFinding,
    RiseTime,
    Trace,
)
from antecurve.judge.passed_over import PassedOver, passed_over, with_harmonics_off
from antecurve.judge.periodic import HarmonicBasis, harmonic_basis
from antecurve.judge.record import Record
from antecurve.judge.remainder import Remainder
from antecurve.judge.residual_record import (
    HarmonicLevels,
    harmonic_levels,
    relative_harmonics,
    residual_record,
)
from antecurve.judge.signal_path import square_harmonics
from antecurve.judge.square_alignment import aligned_square
from antecurve.judge.square_residuals import record_findings
from antecurve.judge.unseen_pause import RecordedEdges

if TYPE_CHECKING:
    from antecurve.judge.reference import MeasuredChain
    from antecurve.judge.square_wave import SquareWaveCapture

__all__ = ["SquareWaveObservation", "reduced_record"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

_DUTY_UNIT = 1e-3  # a usual error of a generator's duty, so that the coordinate is about 1
_MOST_DUTY = 450.0  # coordinates: beyond 5 to 95 % it is a train of pulses
_DELAY_PER_PERIOD = 1e-3  # turns harmonic 100 by about half a radian
_EDGE_POINTS = 4001  # a quarter of a microsecond or less at 100 Hz and more
_TRACE_POINTS = 4000  # more than a figure has pixels


@dataclass(frozen=True, slots=True, eq=False)
class SquareWaveObservation(Observation):
    """A reduced square-wave record; nuisances are ln gain, delay and duty.

    Attributes
    ----------
    capture : SquareWaveCapture
        The record as captured.
    basis : HarmonicBasis
        The reduction.
    data : numpy.ndarray of float, shape (2 harmonics,)
        q of the reduction [V].
    sigma : float
        Standard deviation of the whitened data [V].
    inflation : float
        Factor by which a reference's noise, and residuals once known, raise it, 1 or greater.
    prepared : Record
        The record before its reduction.
    highest_hz : float
        Reach of the reduction [Hz].
    reference : MeasuredChain or None
        The capture chain as a reference shows it.
    passed_over : PassedOver or None
        How the harmonics taken off beforehand move with the fit.
    folded : bool
        Whether what lies beyond half the sampling rate is folded into the record.
    """

    capture: SquareWaveCapture
    basis: HarmonicBasis
    data: Floats
    sigma: float
    inflation: float
    prepared: Record
    highest_hz: float
    reference: MeasuredChain | None = None
    passed_over: PassedOver | None = None
    folded: bool = True

    @property
    def name(self) -> str:
        """How messages call it."""
        return self.capture.name

    @property
    def edges_apart_s(self) -> float:
        """As the record has them, documented in `Observation`."""
        return self.basis.record.edges_apart_s

    @property
    def nuisance_bounds(self) -> tuple[Floats, Floats]:
        """Gain and delay without bounds, the duty within 5 to 95 %."""
        bound = np.array([np.inf, np.inf, _MOST_DUTY])
        return -bound, bound

    @property
    def rows(self) -> int:
        """Number of residuals."""
        return 2 * self.basis.orders.size

    @property
    def frequency_hz(self) -> Floats:
        """Frequencies of the harmonics [Hz]."""
        return self.basis.orders * self.basis.record.frequency_hz

    @property
    def evaluated_hz(self) -> Floats:
        """Frequencies of the harmonics, then the nodes of those taken off [Hz]."""
        if self.passed_over is None:
            return self.frequency_hz
        return np.concatenate([self.frequency_hz, self.passed_over.node_hz])

    @property
    def delay_unit(self) -> float:
        """Unit of the delay coordinate [s]."""
        return _DELAY_PER_PERIOD / self.basis.record.frequency_hz

    def amplitudes(
        self, nuisance: Floats, log_response: Complex, orders: Floats, rise_time_s: float
    ) -> HarmonicModel:
        """Compute model amplitudes of any harmonics.

        Parameters
        ----------
        nuisance : numpy.ndarray of float, shape (3,)
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
            duty=0.5 + _DUTY_UNIT * nuisance[2],
            rise_time_s=rise_time_s,
        )
        factor = np.exp(nuisance[0] + log_response - 1j * omega * nuisance[1] * self.delay_unit)
        if self.basis.record.averaged_s > 0.0:
            factor *= np.sinc(orders * fundamental * self.basis.record.averaged_s)
        return HarmonicModel(
            shape.value * factor, omega, shape.by_duty * factor, shape.by_rise_time * factor
        )

    def nuisance_slopes(self, model: HarmonicModel) -> Complex:
        """Compute derivatives of amplitudes by gain, delay and duty.

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
        return np.stack([model.value, delay, model.by_duty * _DUTY_UNIT], axis=1)

    def evaluate(
        self, nuisance: Floats, total: Complex, shared: Complex, rise: RiseTime
    ) -> Evaluation:
        """Compute whitened residuals and their derivatives.

        Parameters
        ----------
        nuisance, total, shared, rise
            As in `Observation.evaluate`.

        Returns
        -------
        Evaluation
            Columns: shared, rise time, nuisances.
        """
        count, known = self.basis.orders.size, shared.shape[1]
        harmonics = self.amplitudes(nuisance, total[:count], self.basis.orders, rise.value_s)
        uncertain = rise.uncertainty_s > 0
        model = np.empty((1 + known + uncertain + nuisance.size, count), dtype=complex)
        model[0] = harmonics.value
        np.multiply(harmonics.value, shared[:count].T, out=model[1 : 1 + known])
        if uncertain:
            model[1 + known] = harmonics.by_rise_time * rise.uncertainty_s
        model[-nuisance.size :] = self.nuisance_slopes(harmonics).T
        white = whitened(self.basis.whitener, model, 1.0 / self.sigma)
        residual, jacobian = self._missed(white[:, 0], total[count:], nuisance), white[:, 1:]
        if self.passed_over is not None:
            by_shared, by_nuisance = self.passed_over.slopes(shared[count:])
            jacobian[:, :known] += by_shared / self.sigma
            jacobian[:, -nuisance.size :] += by_nuisance / self.sigma
        return Evaluation(residual, jacobian, residual.size)

    def residual(self, nuisance: Floats, total: Complex, rise: RiseTime) -> Floats:
        """Compute whitened residuals alone, documented in `Observation`."""
        count = self.basis.orders.size
        harmonics = self.amplitudes(nuisance, total[:count], self.basis.orders, rise.value_s)
        white = whitened(self.basis.whitener, harmonics.value[None], 1.0 / self.sigma)
        return self._missed(white[:, 0], total[count:], nuisance)

    def _missed(self, white: Floats, node_response: Complex, nuisance: Floats) -> Floats:
        """Residuals of harmonics, whitened; of those passed over by what moved."""
        residual = white - self.data / self.sigma
        if self.passed_over is not None:
            residual += self.passed_over.change(node_response, nuisance) / self.sigma
        return residual

    def start(self, log_response: Complex) -> tuple[Floats, float]:
        """Find delay by correlation over a period, gain by projection, duty by even harmonics.

        Parameters
        ----------
        log_response : numpy.ndarray of complex, shape (frequencies,)
            ln of all in the path.

        Returns
        -------
        tuple of numpy.ndarray and float
            Nuisance unknowns, and the share of the power that is missed.
        """
        from scipy.linalg import solve_triangular

        raw = solve_triangular(self.basis.whitener, self.data)
        data = raw[: raw.size // 2] + 1j * raw[raw.size // 2 :]
        model = self.amplitudes(np.zeros(3), log_response, self.basis.orders, 0.0)
        near = aligned_square(self.basis.orders, data, model)
        delay = near.delay / self.basis.record.frequency_hz / self.delay_unit
        return np.array([math.log(near.gain), delay, near.duty_error / _DUTY_UNIT]), near.missed

    def gain(self, nuisance: Floats) -> float:
        """Compute the gain, documented in `Observation`."""
        return math.exp(float(nuisance[0]))

    def waveforms(
        self, prediction: Prediction, *, derivatives: int = 0, time_s: Floats | None = None
    ) -> Floats:
        """Sum the fitted waveform and its derivatives.

        Parameters
        ----------
        prediction : Prediction
            The fit.
        derivatives : int, optional
            How many derivatives by time beside it.
        time_s : numpy.ndarray of float, shape (samples,), optional
            Times [s]; by default those of the record.

        Returns
        -------
        numpy.ndarray of float, shape (samples, 1 + derivatives)
            Output [V], without offset, then its derivatives [V/s, V/s^2].
        """
        record = self.basis.record
        orders = summed_orders(record, self.basis.orders, folded=self.folded)
        total = response_at_orders(prediction.log_response, orders * record.frequency_hz)
        model = self.amplitudes(prediction.nuisance, total, orders, prediction.rise_time_s)
        by_time = (1j * model.omega[:, None]) ** np.arange(1 + derivatives)
        asked = record if time_s is None else replace(record, time_s=time_s)
        return along_record(asked, one_period(orders, model.value[:, None] * by_time)).T

    def trace(self, prediction: Prediction) -> Trace:
        """Lay the record beside the fitted waveform.

        Parameters
        ----------
        prediction : Prediction
            The fit.

        Returns
        -------
        Trace
            Over time.
        """
        record = self.basis.record
        shown = slice(0, _TRACE_POINTS)
        fitted = self.waveforms(prediction)[:, 0]
        offset = float(np.mean(record.volts - fitted))
        time = record.time_s - record.time_s[0]
        return Trace(
            self.name,
            self.capture.kind,
            time[shown],
            record.volts[shown],
            fitted[shown] + offset,
            over_time=True,
        )

    def without_interference(self, interference: Interference) -> SquareWaveObservation:
        """Reduce the record again with hum and drift, documented in `Observation`."""
        return reduced_record(
            self.capture, self.prepared, self.highest_hz, self.reference, interference, self
        )

    def remainder(self, prediction: Prediction | None = None) -> Remainder:
        """Subtract the fitted waveform from the record, documented in `Observation`."""
        volts = self.basis.record.volts
        if prediction is not None:
            volts = volts - self.waveforms(prediction)[:, 0]
        return Remainder(self.basis, volts)

    def corrected(self, prediction: Prediction, *, folded: bool) -> SquareWaveObservation:
        """Take off the harmonics that the reduction passes over, documented in `Observation`."""
        record = self.basis.record
        summed = summed_orders(record, self.basis.orders, folded=folded)
        reduced = self.basis.orders[self.basis.orders <= summed.size].astype(int)
        unused = np.delete(summed, reduced - 1)
        if not unused.size:
            return self
        response = response_at_orders(prediction.log_response, unused * record.frequency_hz)
        model = self.amplitudes(prediction.nuisance, response, unused, prediction.rise_time_s)
        basis, volts = with_harmonics_off(
            self.basis, unused, model.value, first=self.passed_over is None, name=self.name
        )
        off = None
        if self.passed_over is not None and folded == self.folded:
            off = self.passed_over.at(prediction)
        if off is None:
            own, beside = self.nuisance_slopes(model), (self.delay_unit, not self.through_network)
            off = passed_over(basis, unused, model, own, prediction, *beside)
        data, noise = basis.reduced_with_noise(volts)
        return replace(
            self,
            basis=basis,
            data=data,
            sigma=noise * self.inflation,
            passed_over=off,
            folded=folded,
        )

    def residual_power(self, residual: Floats) -> float:
        """Compute the sum of squares about the corrected reduction, documented in `Observation`."""
        free = self.basis.record.time_s.size - self.basis.factor.shape[0]
        return float((float(residual @ residual) + free) * self.sigma**2)

    def with_raised_noise(self, ratio: float) -> SquareWaveObservation:
        """Raise the noise of the record, documented in `Observation`."""
        return replace(self, sigma=self.sigma * ratio**0.5, inflation=self.inflation * ratio**0.5)

    def residual_findings(
        self,
        residual: Floats,
        prediction: Prediction,
        *,
        excess: float,
        band_hz: tuple[float, float],
    ) -> list[ResidualFinding]:
        """Name all that the fit does not describe, documented in `Observation`."""
        record = residual_record(self, residual, prediction, excess=excess)
        hidden = hidden_edge_findings(record, prediction, band_hz)
        return interference_findings(record) + hidden + record_findings(record)

    def relative_harmonics(self, residual: Floats, *, excess: float) -> RelativeHarmonics:
        """Compute the odd harmonics over those of the fit, documented in `Observation`."""
        noise = self.sigma / math.sqrt(max(1.0, excess))
        return relative_harmonics(self.name, self.basis, residual * self.sigma, noise)

    def harmonic_levels(self) -> HarmonicLevels:
        """Take the levels of the odd harmonics, documented in `Observation`."""
        nothing = np.zeros(self.nuisances)
        path = np.zeros(self.basis.orders.size, dtype=complex)
        square = self.amplitudes(nothing, path, self.basis.orders, 0.0)
        return harmonic_levels(self.basis, square.value)

    def recorded_edges(
        self, residual: Floats, prediction: Prediction, *, excess: float
    ) -> RecordedEdges | None:
        """Take the edges of the record and of its fit, documented in `Observation`."""
        record = residual_record(self, residual, prediction, excess=excess)
        seen = record.edges
        if record.passes_over_edges or seen is None:
            return None
        reduced = record.basis.record
        reach = EDGE_REACH * record.half_period_s
        edge_s = np.linspace(-reach, reach, _EDGE_POINTS)
        (volts,) = self.waveforms(prediction, time_s=record.rising_s + edge_s).T
        half_height = -float(np.median(volts[edge_s < 0.0]))
        square_hz, rate_hz = reduced.frequency_hz, reduced.rate_hz
        return RecordedEdges(square_hz, reduced.periods, rate_hz, seen, edge_s, volts / half_height)


def reduced_record(
    capture: SquareWaveCapture,
    record: Record,
    highest_hz: float,
    reference: MeasuredChain | None = None,
    interference: Interference = NOTHING_ELSE,
    near: SquareWaveObservation | None = None,
) -> SquareWaveObservation:
    """Reduce a record to its harmonics.

    Parameters
    ----------
    capture : SquareWaveCapture
        The record as captured.
    record : Record
        The record prepared.
    highest_hz : float
        Reach of the reduction [Hz].
    reference : MeasuredChain, optional
        The reference that matches it, whose noise raises that of the record.
    interference : Interference, optional
        Hum and drift to take out.
    near : SquareWaveObservation, optional
        The same record reduced before, whose frequency is the start.

    Returns
    -------
    SquareWaveObservation
        As the fit sees it.
    """
    basis = harmonic_basis(
        record,
        highest_hz=highest_hz,
        name=capture.name,
        interference=interference,
        near=None if near is None else near.basis,
        frequency_settled=near is not None and near.passed_over is not None,
    )
    volts = basis.record.volts
    (data, noise), inflation = basis.reduced_with_noise(volts), 1.0
    if reference is not None:
        odd = basis.orders % 2 == 1
        frequency = (basis.orders * basis.record.frequency_hz)[odd]
        size = np.abs(basis.amplitudes(volts))[odd]
        own = noise**2 * basis.variances()[odd] / size**2
        ratio = np.median(reference.variance_at(frequency) / own)
        inflation = float(np.sqrt(1.0 + ratio))
    return SquareWaveObservation(
        capture, basis, data, noise * inflation, inflation, record, highest_hz, reference
    )
