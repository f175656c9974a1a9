"""A square-wave record less its fit: what the tests of residuals look at."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.edge_pause import EdgeHeights, edge_heights
from antecurve.judge.harmonics import summed_orders
from antecurve.judge.level_dependence import RelativeHarmonics
from antecurve.judge.periodic import HarmonicBasis
from antecurve.judge.record import repeated_rounding

if TYPE_CHECKING:
    from antecurve.judge.observation import Prediction
    from antecurve.judge.square_observation import SquareWaveObservation
    from antecurve.judge.square_wave import SquareWaveCapture

__all__ = [
    "HarmonicLevels",
    "ResidualRecord",
    "harmonic_levels",
    "relative_harmonics",
    "residual_record",
]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

_SURELY = 5.0  # standard deviations: of some 300 harmonics none is off by more in 6,000 verdicts
_MOST_DUTY = 0.05  # off 50 %, by judgement, where no even harmonic tells
_MOST_TURN = 1.0  # rad: harmonics that the duty may halve
_SHARPEST_S = 0.3e-6  # a tenth of the time constant of a pole at 50 kHz
_FLOOR_OF_STEP = 1.3  # of a converter's step / sqrt(12): the noise is the converter's own
_ALIKE = 10.0  # of chi-square: less than a quarter of what counts as ringing of an edge
_LEAST_RATE_HZ = 150e3  # two samples within 15 us of an edge


@dataclass(frozen=True, slots=True, eq=False)
class HarmonicLevels:
    """Odd harmonics of a record over those of a square wave, by no fit.

    Attributes
    ----------
    frequency_hz : numpy.ndarray of float, shape (harmonics,)
        Frequencies [Hz].
    level : numpy.ndarray of float, shape (harmonics,)
        ln of the ratio, gain included.
    reach : numpy.ndarray of float, shape (harmonics,)
        How far off it may be: noise, and what is unknown of the duty.
    """

    frequency_hz: Floats
    level: Floats
    reach: Floats


@dataclass(frozen=True, slots=True, eq=False)
class ResidualRecord:
    """A record less its fit.

    Attributes
    ----------
    capture : SquareWaveCapture
        The record as captured.
    basis : HarmonicBasis
        Its reduction.
    remainder : numpy.ndarray of float, shape (samples,)
        Record less fitted waveform [V], hum and drift still in it.
    reduced : numpy.ndarray of float, shape (2 harmonics,)
        Residuals of the reduction [V].
    noise : float
        Standard deviation of a sample [V].
    excess : float
        Mean square residual over that of the noise.
    rise_time_s : float
        Rise time of the generator [s].
    rising_s : float
        Time of a rising edge on the clock of the reduced record [s].
    derivatives : numpy.ndarray of float, shape (samples, 2)
        First and second derivative of the fitted waveform by time [V/s, V/s^2].
    timing_s : float
        How well the harmonics summed resolve an edge [s].
    folded : bool
        Whether harmonics beyond half the sampling rate are among them.
    by_duty : numpy.ndarray of complex, shape (harmonics,)
        Derivative of the fitted harmonics by the duty [V].
    settled : numpy.ndarray of float, shape (samples,)
        Record less waveform, hum and drift [V].
    """

    capture: SquareWaveCapture
    basis: HarmonicBasis
    remainder: Floats
    reduced: Floats
    noise: float
    excess: float
    rise_time_s: float
    rising_s: float
    derivatives: Floats
    timing_s: float
    folded: bool
    by_duty: Complex
    settled: Floats = field(init=False)

    def __post_init__(self) -> None:
        amplitudes, _ = self.basis.interference_amplitudes(self.remainder)
        object.__setattr__(self, "settled", self.remainder - amplitudes @ self.basis.beside[2:])

    @property
    def name(self) -> str:
        """How messages call it."""
        return self.capture.name

    @property
    def size_v(self) -> float:
        """Half the swing of the record [V]."""
        return float(np.ptp(self.basis.record.volts)) / 2.0

    @property
    def fitted(self) -> Floats:
        """The fitted waveform [V], shape (samples,)."""
        return self.basis.record.volts - self.remainder

    @property
    def shows_edges(self) -> bool:
        """Whether samples and harmonics are dense enough to look at edges by themselves."""
        return self.timing_s < _SHARPEST_S and self.basis.record.rate_hz > _LEAST_RATE_HZ

    @property
    def shows_ringing(self) -> bool:
        """Whether ringing of edges shows: all that a record holds is summed, or finely."""
        return self.shows_edges or not (self.folded or self.passes_over_edges)

    @property
    def passes_over_edges(self) -> bool:
        """Whether samples are too far apart for any test of edges."""
        return self.basis.record.rate_hz <= _LEAST_RATE_HZ

    @property
    def half_period_s(self) -> float:
        """Half a period of the square wave [s]."""
        return 0.5 / self.basis.record.frequency_hz

    @property
    def since_edge_s(self) -> Floats:
        """Time since the nearest edge [s], shape (samples,)."""
        turn = (self.basis.record.time_s - self.rising_s) / self.half_period_s
        return np.asarray((turn - np.floor(turn + 0.5)) * self.half_period_s)

    @property
    def edge_sign(self) -> Floats:
        """1 about rising edges, -1 about falling ones, shape (samples,)."""
        turn = (self.basis.record.time_s - self.rising_s) / self.half_period_s
        return np.where(np.floor(turn + 0.5) % 2 == 0, 1.0, -1.0)

    @property
    def about_middle(self) -> Floats:
        """The settled record, falling edges turned over [V], shape (samples,)."""
        settled = self.settled
        return np.asarray(self.edge_sign * (settled - settled.mean() + self.fitted))

    @property
    def edges(self) -> EdgeHeights | None:
        """Samples on the edges by their height; none where the record has no edges."""
        fitted = np.column_stack([self.fitted, self.derivatives])
        return edge_heights(
            self.about_middle,
            self.edge_sign[:, None] * fitted,
            since_s=self.since_edge_s,
            sign=self.edge_sign,
            half_period_s=self.half_period_s,
            noise_v=self.noise,
        )

    @property
    def capture_time_s(self) -> Floats:
        """Times of the samples as captured, on the clock of the reduced record [s]."""
        record = self.basis.record
        first = record.time_s[0] - max(0.0, record.averaged_s - 1.0 / self.capture.rate_hz) / 2.0
        return np.asarray(self.capture.time_s - self.capture.time_s[0] + first)


def residual_record(
    observation: SquareWaveObservation, residual: Floats, prediction: Prediction, *, excess: float
) -> ResidualRecord:
    """Take a fit off a record.

    Where nothing tells whether harmonics beyond half the sampling rate are folded into the record,
    they are taken to be: its edges are then resolved best.

    Parameters
    ----------
    observation : SquareWaveObservation
        The record, reduced.
    residual : numpy.ndarray of float, shape (rows,)
        Whitened residuals.
    prediction : Prediction
        The fit.
    excess : float
        Mean square residual before the noise was raised to meet it.

    Returns
    -------
    ResidualRecord
        With the noise of the record as it was before it was raised.
    """
    own = _summed(observation, residual, prediction, excess)
    if observation.folded:
        return own
    folded = _summed(replace(observation, folded=True), residual, prediction, excess)
    rises = float(folded.settled @ folded.settled - own.settled @ own.settled)
    return folded if rises < _ALIKE * own.noise**2 else own


def _summed(
    observation: SquareWaveObservation, residual: Floats, prediction: Prediction, excess: float
) -> ResidualRecord:
    """The record less the harmonics that it is said to hold."""
    basis = observation.basis
    waves = observation.waveforms(prediction, derivatives=2)
    response = prediction.log_response(observation.frequency_hz)
    model = observation.amplitudes(
        prediction.nuisance, response, basis.orders, prediction.rise_time_s
    )
    highest = summed_orders(basis.record, basis.orders, folded=observation.folded)[-1]
    return ResidualRecord(
        capture=observation.capture,
        basis=basis,
        remainder=basis.record.volts - waves[:, 0],
        reduced=residual * observation.sigma,
        noise=observation.sigma / math.sqrt(max(1.0, excess)),
        excess=excess,
        rise_time_s=prediction.rise_time_s,
        rising_s=float(prediction.nuisance[1]) * observation.delay_unit,
        derivatives=waves[:, 1:],
        timing_s=0.25 / (float(highest) * basis.record.frequency_hz),
        folded=observation.folded,
        by_duty=model.by_duty,
    )


def relative_harmonics(
    name: str, basis: HarmonicBasis, reduced: Floats, noise_v: float
) -> RelativeHarmonics:
    """Compare the odd harmonics of a record with those of its fit.

    Parameters
    ----------
    name : str
        The capture.
    basis : HarmonicBasis
        Its reduction.
    reduced : numpy.ndarray of float, shape (2 harmonics,) or (2 harmonics, several)
        Residuals of the reduction [V], or several at once.
    noise_v : float
        Standard deviation of a sample [V].

    Returns
    -------
    RelativeHarmonics
        Of the odd orders; a record without noise repeats the errors of its steps each period,
        and what repeats does not average out.
    """
    from scipy.linalg import solve_triangular

    raw = solve_triangular(basis.whitener, reduced)
    half = raw.shape[0] // 2
    odd = basis.orders % 2 == 1
    data = basis.amplitudes(basis.record.volts)[odd]
    data = np.where(np.abs(data) > 0, data, 1e-300)
    step = basis.record.step_v
    rounding = repeated_rounding(noise_v, step_v=step)
    if step and noise_v < _FLOOR_OF_STEP * step / math.sqrt(12.0):
        noise_v *= math.sqrt(max(1.0, basis.record.periods))
    return RelativeHarmonics(
        name,
        basis.record.frequency_hz,
        float(np.ptp(basis.record.volts)) / 2.0,
        basis.orders[odd],
        (-(raw[:half] + 1j * raw[half:])[odd].T / data).T,
        noise_v**2 * basis.variances()[odd] / np.abs(data) ** 2,
        rounding / np.abs(data),
    )


def harmonic_levels(basis: HarmonicBasis, square: Complex) -> HarmonicLevels:
    """Take the levels of the odd harmonics of a record.

    The duty shows in the even ones: of a duty of 50 % + d they are sin(pi n d) of those that odd
    neighbours would have, which themselves have cos(pi n d).

    Parameters
    ----------
    basis : HarmonicBasis
        The reduction of the record.
    square : numpy.ndarray of complex, shape (harmonics,)
        Harmonics of a square wave of 50 % duty as sampled [V]; those of even orders are not read.

    Returns
    -------
    HarmonicLevels
        Those that the duty does not make uncertain.
    """
    odd = basis.orders % 2 == 1
    size = np.maximum(np.abs(basis.amplitudes(basis.record.volts)), 1e-300)
    remainder = basis.remainder(basis.record.volts)
    noise = _SURELY * float(np.std(remainder)) * np.sqrt(basis.variances())
    orders, level = basis.orders[odd], np.log(size[odd] / np.abs(square[odd]))
    even = ~odd
    # One of order n is (4 / pi n) sin(pi n d) of the response: 4 d at most.
    duty = (size + noise)[even] / (4.0 * np.exp(np.interp(basis.orders[even], orders, level)))
    turn = math.pi * orders * float(np.min(duty, initial=_MOST_DUTY))
    told = turn < _MOST_TURN
    reach = noise[odd] / size[odd] - np.log(np.cos(np.minimum(turn, _MOST_TURN)))
    return HarmonicLevels(orders[told] * basis.record.frequency_hz, level[told], reach[told])
