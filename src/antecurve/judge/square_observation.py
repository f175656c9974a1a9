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

from antecurve.judge.harmonics import (
    CorrectedHarmonics,
    HarmonicModel,
    summed_orders,
    synthesised,
    whitened,
)
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
from antecurve.judge.periodic import HarmonicBasis, harmonic_basis
from antecurve.judge.record import Record
from antecurve.judge.remainder import Remainder
from antecurve.judge.residual_record import relative_harmonics, residual_record
from antecurve.judge.signal_path import square_harmonics
from antecurve.judge.square_residuals import record_findings

if TYPE_CHECKING:
    from antecurve.judge.reference import MeasuredChain
    from antecurve.judge.square_wave import SquareWaveCapture

__all__ = ["SquareWaveObservation", "reduced_record"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

_DUTY_UNIT = 1e-3  # a usual error of a generator's duty, so that the coordinate is about 1
_DUTY_ORDERS = 6  # even harmonics that grow with the duty's error up to 3 %
_START_DUTY = (-0.05, 0.05)  # error of the duty to start from
_MOST_DUTY = 450.0  # coordinates: beyond 5 to 95 % it is a train of pulses
_DELAY_PER_PERIOD = 1e-3  # turns harmonic 100 by about half a radian
_LONGEST_ORDER = 512  # the delays below resolve eight points of a period of this harmonic
_DELAYS = 4096  # of a period tried for the start
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
        Factor by which the noise of a reference capture raises it, 1 or greater.
    prepared : Record
        The record before its reduction.
    highest_hz : float
        Reach of the reduction [Hz].
    reference : MeasuredChain or None
        The capture chain as a reference shows it.
    corrected_harmonics : CorrectedHarmonics or None
        How the harmonics taken off beforehand move with the unit.
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
    corrected_harmonics: CorrectedHarmonics | None = None
    folded: bool = True

    @property
    def name(self) -> str:
        """How messages call it."""
        return self.capture.name

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
        window = np.sinc(orders * fundamental * self.basis.record.averaged_s)
        factor = window * np.exp(
            nuisance[0] + log_response - 1j * omega * nuisance[1] * self.delay_unit
        )
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
        self, nuisance: Floats, total: Complex, shared: Complex, rise: RiseTime, unit: Floats
    ) -> Evaluation:
        """Compute whitened residuals and their derivatives.

        Parameters
        ----------
        nuisance, total, shared, rise, unit
            As in `Observation.evaluate`.

        Returns
        -------
        Evaluation
            Columns: shared, rise time, nuisances.
        """
        harmonics = self.amplitudes(nuisance, total, self.basis.orders, rise.value_s)
        value = harmonics.value
        columns = [value[:, None] * shared]
        if rise.uncertainty_s > 0:
            columns.append((harmonics.by_rise_time * rise.uncertainty_s)[:, None])
        columns.append(self.nuisance_slopes(harmonics))
        model = np.hstack([value[:, None], *columns])
        white = whitened(self.basis.whitener, np.vstack([model.real, model.imag])) / self.sigma
        residual, jacobian = white[:, 0] - self.data / self.sigma, white[:, 1:]
        taken_off = self.corrected_harmonics
        if taken_off is not None:
            slope = taken_off.slope / self.sigma
            residual += slope @ (np.concatenate([unit, nuisance]) - taken_off.origin)
            jacobian[:, : unit.size] += slope[:, : unit.size]
            jacobian[:, -nuisance.size :] += slope[:, unit.size :]
        return Evaluation(residual, jacobian, residual.size)

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

        low = self.basis.orders < _LONGEST_ORDER
        orders = self.basis.orders[low]
        raw = solve_triangular(self.basis.whitener, self.data)
        data = (raw[: raw.size // 2] + 1j * raw[raw.size // 2 :])[low]
        harmonics = self.amplitudes(np.zeros(3), log_response, self.basis.orders, 0.0)
        model = harmonics.value[low]
        spectrum = np.zeros(_DELAYS, dtype=complex)
        spectrum[orders.astype(int)] = data * np.conj(model)
        correlation = np.fft.ifft(spectrum).real * _DELAYS
        at = int(np.argmax(correlation))
        power, total = (float(np.sum(np.abs(x) ** 2)) for x in (model, data))
        gain = max(correlation[at], 1e-12 * total) / power
        even = (orders % 2 == 0) & (orders <= _DUTY_ORDERS)
        slope = gain * harmonics.by_duty[low][even]
        turned = data[even] * np.exp(2j * math.pi * orders[even] * at / _DELAYS)
        error = np.vdot(slope, turned).real / (np.vdot(slope, slope).real + 1e-300)
        duty = np.clip(error, *_START_DUTY)
        delay = (at / _DELAYS - duty / 2.0) / self.basis.record.frequency_hz / self.delay_unit
        nuisance = np.array([math.log(gain), delay, duty / _DUTY_UNIT])
        return nuisance, 1.0 - correlation[at] ** 2 / (power * total)

    def gain(self, nuisance: Floats) -> float:
        """Compute the gain, documented in `Observation`.

        Parameters
        ----------
        nuisance : numpy.ndarray of float, shape (3,)
            Own unknowns in the fit's coordinates.

        Returns
        -------
        float
            Volts from EMF peak 1 V.
        """
        return math.exp(float(nuisance[0]))

    def waveforms(self, prediction: Prediction, *, derivatives: int = 0) -> Floats:
        """Sum the fitted waveform and its derivatives at the record's times.

        Parameters
        ----------
        prediction : Prediction
            The fit.
        derivatives : int, optional
            How many derivatives by time beside it.

        Returns
        -------
        numpy.ndarray of float, shape (samples, 1 + derivatives)
            Output [V], without offset, then its derivatives [V/s, V/s^2].
        """
        record = self.basis.record
        orders = summed_orders(record, self.basis.orders, folded=self.folded)
        total = prediction.log_response(orders * record.frequency_hz)
        model = self.amplitudes(prediction.nuisance, total, orders, prediction.rise_time_s)
        by_time = (1j * model.omega[:, None]) ** np.arange(1 + derivatives)
        return synthesised(record, orders, model.value[:, None] * by_time)

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
        """Reduce the record again with hum and drift, documented in `Observation`.

        Parameters
        ----------
        interference : Interference
            What to take out.

        Returns
        -------
        SquareWaveObservation
            Not corrected for the harmonics passed over.
        """
        return reduced_record(
            self.capture, self.prepared, self.highest_hz, self.reference, interference
        )

    def remainder(self, prediction: Prediction | None = None) -> Remainder:
        """Subtract the fitted waveform from the record, documented in `Observation`.

        Parameters
        ----------
        prediction : Prediction, optional
            The fit.

        Returns
        -------
        Remainder
            With the reduction of the record.
        """
        volts = self.basis.record.volts
        if prediction is not None:
            volts = volts - self.waveforms(prediction)[:, 0]
        return Remainder(self.basis, volts)

    def corrected(self, prediction: Prediction, *, folded: bool) -> SquareWaveObservation:
        """Take off the harmonics that the reduction passes over, documented in `Observation`.

        Parameters
        ----------
        prediction : Prediction
            The fit that predicts them.
        folded : bool
            Whether harmonics beyond half the sampling rate are in the record.

        Returns
        -------
        SquareWaveObservation
            At the frequency that the remainder of the record asks for.
        """
        record = self.basis.record
        summed = summed_orders(record, self.basis.orders, folded=folded)
        unused = np.setdiff1d(summed, self.basis.orders)
        if not unused.size:
            return self
        frequency = unused * record.frequency_hz
        response = prediction.log_response(frequency)
        model = self.amplitudes(prediction.nuisance, response, unused, prediction.rise_time_s)
        by_unit = model.value[:, None] * prediction.unit_slopes(frequency)
        columns = np.hstack([model.value[:, None], by_unit, self.nuisance_slopes(model)])
        first = synthesised(record, unused, columns[:, :1])[:, 0]
        step = self.basis.frequency_step(record.volts - first)
        record = replace(record, frequency_hz=record.frequency_hz + step)
        waves = synthesised(record, unused, columns)
        volts = record.volts - waves[:, 0]
        slope = np.gradient(waves[:, 0], record.time_s) * record.time_s / record.frequency_hz
        basis = self.basis.moved(step, volts, name=self.name, unused_slope=slope)
        origin = np.concatenate([prediction.unit, prediction.nuisance])
        return replace(
            self,
            basis=basis,
            data=basis.reduced(volts),
            sigma=basis.noise(volts) * self.inflation,
            corrected_harmonics=CorrectedHarmonics(basis.reduced(waves[:, 1:].T).T, origin),
            folded=folded,
        )

    def residual_power(self, residual: Floats) -> float:
        """Compute the sum of squares about the corrected reduction, documented in `Observation`.

        Parameters
        ----------
        residual : numpy.ndarray of float, shape (rows,)
            Whitened residuals.

        Returns
        -------
        float
            Sum of squares [V^2].
        """
        free = self.basis.record.time_s.size - self.basis.factor.shape[0]
        return float((float(residual @ residual) + free) * self.sigma**2)

    def with_raised_noise(self, ratio: float) -> SquareWaveObservation:
        """Raise the noise of the record, documented in `Observation`.

        Parameters
        ----------
        ratio : float
            Mean square residual, above 1.

        Returns
        -------
        SquareWaveObservation
            With noise that explains the residuals.
        """
        return replace(self, sigma=self.sigma * math.sqrt(ratio))

    def residual_findings(
        self,
        residual: Floats,
        prediction: Prediction,
        *,
        excess: float,
        band_hz: tuple[float, float],
    ) -> list[ResidualFinding]:
        """Name hum, lines, movement, unlike halves and misfit, documented in `Observation`.

        Parameters
        ----------
        residual, prediction, excess, band_hz
            As in `Observation.residual_findings`; the band [Hz].

        Returns
        -------
        list of ResidualFinding
            Misfit counts as uncertainty.
        """
        residuals = residual_record(self, residual, prediction, excess=excess)
        return interference_findings(residuals) + record_findings(residuals, band_hz=band_hz)

    def relative_harmonics(self, residual: Floats, *, excess: float) -> RelativeHarmonics:
        """Compute the odd harmonics over those of the fit, documented in `Observation`.

        Parameters
        ----------
        residual, excess
            As in `Observation.relative_harmonics`.

        Returns
        -------
        RelativeHarmonics
            With the noise of the record as it was before it was raised.
        """
        noise = self.sigma / math.sqrt(max(1.0, excess))
        return relative_harmonics(self.name, self.basis, residual * self.sigma, noise)


def reduced_record(
    capture: SquareWaveCapture,
    record: Record,
    highest_hz: float,
    reference: MeasuredChain | None = None,
    interference: Interference = NOTHING_ELSE,
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

    Returns
    -------
    SquareWaveObservation
        As the fit sees it.
    """
    basis = harmonic_basis(
        record, highest_hz=highest_hz, name=capture.name, interference=interference
    )
    volts = basis.record.volts
    noise, inflation = basis.noise(volts), 1.0
    if reference is not None:
        odd = basis.orders % 2 == 1
        frequency = (basis.orders * basis.record.frequency_hz)[odd]
        size = np.abs(basis.amplitudes(volts))[odd]
        own = noise**2 * basis.variances()[odd] / size**2
        ratio = np.median(reference.variance_at(frequency) / own)
        inflation = float(np.sqrt(1.0 + ratio))
    sigma = noise * inflation
    return SquareWaveObservation(
        capture, basis, basis.reduced(volts), sigma, inflation, record, highest_hz, reference
    )
