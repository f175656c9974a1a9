"""Two-channel records as the fit sees them: ratios of output to stimulus, band by band."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, TypeVar

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.hum_on_tones import without_hum_on_tones
from antecurve.judge.observation import (
    Evaluation,
    Observation,
    Prediction,
    ResidualFinding,
    ResidualKind,
    RiseTime,
    Trace,
)
from antecurve.judge.overlay import Overlay, laid_over
from antecurve.judge.residual_shape import has_shape, noise_variance, shape_findings
from antecurve.judge.response_estimate import (
    RECTANGULAR,
    Channels,
    ResponseEstimate,
    noise_scatter,
)
from antecurve.judge.spectral_filter import Response
from antecurve.quantities import DB_PER_NEPER

if TYPE_CHECKING:
    from antecurve.judge.reference import MeasuredChain
    from antecurve.judge.two_channel import TwoChannelRecord

__all__ = ["TwoChannelObservation", "band_frequencies", "bands_tell_clocks", "noise_counts"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]
_Number = TypeVar("_Number", np.float64, np.complex128)

_DELAY_UNIT_S = 1e-5  # turns 10 kHz by about half a radian, so that the coordinate is about 1
_CLOCK_UNIT = 1e-5  # the same after a second
_MOST_GAIN = 100.0  # neper: values of a channel may be 1e20 of the other's
_MOST_DELAY = 1e5  # units, a second: the channels are aligned before
_MOST_CLOCK = 5.0  # units: what is left of a difference that was looked for
_NO_NOISE = -0.5 / RECTANGULAR
_MOST_NOISE = 3.0  # standard deviations: a little beyond either end
_NOTABLE_NOISE_DB = 0.05  # a tenth of the usual limit of 0.5 dB
_COUNTS = 0.2  # standard deviations: no constant moves by more of its own
_SOUNDS_APART = 0.02  # of the record: standard deviation of when bands sound, as of a sweep
_NOISE_REACH = 2.0  # standard deviations: noise of a band stays within in 95 of 100


@dataclass(frozen=True, slots=True, eq=False)
class TwoChannelObservation(Observation):
    """Ratios as the fit sees them; nuisances are ln gain and a delay.

    Where two clocks may differ and bands sound at different times, what is left of the difference
    is another.  So is the noise of the stimulus, where it may lower ratios: white, and anything
    from none to the most that the record allows (a rectangular distribution by its standard
    deviation, JCGM 100:2008, 4.3.7).  It lowers levels and leaves phases, which no unit does.

    Attributes
    ----------
    capture : TwoChannelRecord
        The record.
    channels : Channels
        The channels, one over the other.
    flattening : callable
        The response from the stimulus, by ln of the path from the EMF.
    ideal : callable
        ln of the path from the EMF with an ideal unit.
    highest_hz : float
        Highest frequency that counts [Hz].
    estimate : ResponseEstimate
        Ratios over the nominal response, each of two frequencies.
    nominal : numpy.ndarray of complex, shape (2 bands,)
        ln of the nominal response at these frequencies.
    raised : float
        Variance over that of the estimate.
    clicks_s : tuple of float
        Times of clicks that were left out [s].
    clock_is_free : bool
        Whether what is left of a difference of clocks is a nuisance, from the first estimate on.
    noise_is_free : bool
        Whether the noise of the stimulus is a nuisance, the last one.
    scattering : numpy.ndarray of float, shape (bands,)
        Share of the stimulus that counts as noise in the variance of ratios.
    hum_hz : tuple of float
        Tones that hum stands on, which hardly count [Hz].
    reference : MeasuredChain or None
        What the channels themselves do, as a record with the unit bypassed shows it.
    """

    capture: TwoChannelRecord
    channels: Channels
    flattening: Callable[[Callable[[Floats], Complex]], Response]
    ideal: Callable[[Floats], Complex]
    highest_hz: float
    estimate: ResponseEstimate
    nominal: Complex
    scattering: Floats
    raised: float = 1.0
    clicks_s: tuple[float, ...] = ()
    clock_is_free: bool = False
    noise_is_free: bool = False
    hum_hz: tuple[float, ...] = ()
    reference: MeasuredChain | None = None

    @property
    def name(self) -> str:
        """How messages call it."""
        return self.capture.name

    @property
    def through_network(self) -> bool:  # type: ignore[override]
        """Whether the stimulus was taken before the network."""
        return self.capture.stimulus_at != "input"

    @property
    def through_chain(self) -> bool:  # type: ignore[override]
        """Whether the stimulus was played from a file; of two inputs the chain cancels."""
        return self.capture.from_file

    @property
    def frequency_hz(self) -> Floats:
        """Two frequencies of each band [Hz]."""
        return band_frequencies(self.estimate)

    @property
    def rows(self) -> int:
        """Real and imaginary part of each ratio, and what is known of the stimulus's noise."""
        return 2 * self.estimate.ratio.size + int(self.noise_is_free)

    @property
    def nuisance_bounds(self) -> tuple[Floats, Floats]:
        """Bounds far beyond any gain and delay, so that no step of a fit runs off."""
        bounds = [_MOST_GAIN, _MOST_DELAY]
        bounds += [_MOST_CLOCK] * self.clock_is_free + [_MOST_NOISE] * self.noise_is_free
        return -np.array(bounds), np.array(bounds)

    @property
    def _own_columns(self) -> Complex:
        """Derivatives of ln of a ratio by gain, delay and clocks, two frequencies of each band."""
        turn = -2j * math.pi * self.frequency_hz
        columns = [np.ones(turn.size), turn * _DELAY_UNIT_S]
        if self.clock_is_free:
            columns.append(turn * _CLOCK_UNIT * np.repeat(self.estimate.sounds_s, 2))
        return np.stack(columns, axis=1)

    @property
    def _variance(self) -> Floats:
        """Variance of the real and of the imaginary part of ln of a ratio."""
        own = self.estimate.variance + noise_scatter(self.scattering, self.estimate.free_lines)
        if self.reference is not None:
            own = own + self.reference.variance_at(_by_band(self.frequency_hz))
        return np.asarray(self.raised * own)

    @property
    def _sigma(self) -> Floats:
        """Standard deviation of the real and of the imaginary part of a ratio."""
        return np.sqrt(self._variance) * np.abs(self.estimate.ratio)

    def _ratios(self, nuisance: Floats, total: Complex) -> Complex:
        """Predicted ratios over the nominal response, at both frequencies of each band."""
        columns = self._own_columns
        ratios = np.exp(total - self.nominal + columns @ nuisance[: columns.shape[1]])
        return np.asarray(ratios * np.repeat(1.0 - self._noise_shares(nuisance), 2))

    def _noise_shares(self, nuisance: Floats) -> Floats:
        """The share that noise has of the stimulus of each band."""
        most = self.estimate.noise_share
        if not self.noise_is_free:
            return np.zeros(most.size)
        return np.asarray(most * (0.5 + RECTANGULAR * nuisance[-1]))

    def _by_noise(self, nuisance: Floats, value: Complex) -> Complex:
        """Derivatives of ratios by the noise of the stimulus; no column where it is none."""
        if not self.noise_is_free:
            return np.zeros((value.size, 0), dtype=complex)
        slope = -RECTANGULAR * self.estimate.noise_share / (1.0 - self._noise_shares(nuisance))
        return np.asarray(value[:, None] * np.repeat(slope, 2)[:, None])

    def evaluate(
        self, nuisance: Floats, total: Complex, shared: Complex, rise: RiseTime
    ) -> Evaluation:
        """Whiten ratios less measured ones, documented in `Observation`."""
        value = self._ratios(nuisance, total)
        count = total.size
        rise_column = np.zeros((count, int(rise.uncertainty_s > 0)))
        slopes = value[:, None] * np.hstack([shared, rise_column, self._own_columns])
        slopes = np.hstack([slopes, self._by_noise(nuisance, value)])
        sigma = self._sigma
        residual = (_by_band(value) - self.estimate.ratio) / sigma
        white = _by_band(slopes) / sigma[:, None]
        # What is known of the noise is a last row: its unknown has a standard deviation of 1.
        known = np.eye(1, white.shape[1], white.shape[1] - 1)[: int(self.noise_is_free)]
        return Evaluation(
            np.concatenate([residual.real, residual.imag, nuisance[-1:][: len(known)]]),
            np.vstack([white.real, white.imag, known]),
            self.rows,
        )

    def start(self, log_response: Complex) -> tuple[Floats, float]:
        """Take the mean of the levels as gain, documented in `Observation`."""
        unknowns = np.zeros(self.nuisances)
        if self.noise_is_free:
            unknowns[-1] = _NO_NOISE
        predicted = _by_band(self._ratios(unknowns, log_response))
        missed = np.log(np.abs(self.estimate.ratio / predicted))
        gain = float(np.mean(missed))
        level = np.log(np.abs(self.estimate.ratio)) + _by_band(self.nominal).real
        unknowns[0] = gain
        return unknowns, float(np.var(missed) / (np.var(level) + 1e-12))

    def gain(self, nuisance: Floats) -> float:
        """Estimate the level of the gain, documented in `Observation`."""
        return float(nuisance[0]) * DB_PER_NEPER

    def trace(self, prediction: Prediction) -> Trace:
        """Show levels less the reference beside the fit, documented in `Observation`."""
        fitted = _by_band(
            self._ratios(prediction.nuisance, prediction.log_response(self.frequency_hz))
        )
        nominal = _by_band(self.nominal.real)
        if self.reference is not None:
            nominal = nominal - self.reference.at(_by_band(self.frequency_hz)).real
        captured, model = (
            DB_PER_NEPER * (np.log(np.abs(ratio)) + nominal)
            for ratio in (self.estimate.ratio, fitted)
        )
        middle = _by_band(self.frequency_hz)
        return Trace(self.name, self.capture.kind, middle, captured, model, over_time=False)

    def residual_findings(
        self,
        residual: Floats,
        prediction: Prediction,
        *,
        excess: float,
        band_hz: tuple[float, float],
    ) -> list[ResidualFinding]:
        """Describe a shape that the model lacks: it is the unit's own.

        Parameters
        ----------
        residual, prediction, excess, band_hz
            As in `Observation.residual_findings`; the band [Hz].

        Returns
        -------
        list of ResidualFinding
            One, or none.
        """
        white = residual[: self.estimate.ratio.size]
        level = -DB_PER_NEPER * white * np.sqrt(self._variance)
        # A shape raises the variance of all bands, and is no noise itself.
        noise = DB_PER_NEPER * np.sqrt(self._variance * min(1.0, noise_variance(white)))
        # Of each band only what noise can't be.
        missed = np.sign(level) * np.maximum(0.0, np.abs(level) - _NOISE_REACH * noise)
        middle = _by_band(self.frequency_hz)
        doubted = np.where(missed == 0.0, 0.0, noise)
        shape = shape_findings(self.name, middle, missed, shaped=has_shape(white), noise_db=doubted)
        lowered = self._noise_findings(prediction.nuisance, band_hz)
        return [*shape, *self._click_findings(), *self._hum_findings(), *lowered]

    def _noise_findings(
        self, nuisance: Floats, band_hz: tuple[float, float]
    ) -> list[ResidualFinding]:
        """Say where noise of the stimulus lowers the ratio."""
        middle = self.estimate.middle_hz
        inside = (middle >= band_hz[0]) & (middle <= band_hz[1])
        lowered = np.where(inside, -DB_PER_NEPER * np.log1p(-self._noise_shares(nuisance)), 0.0)
        worst = int(np.argmax(lowered))
        if lowered[worst] < _NOTABLE_NOISE_DB:
            return []
        frequency = float(middle[worst])
        text = (
            f"{self.name}: noise of the stimulus channel lowers the ratio by about "
            f"{lowered[worst]:.2g} dB at {frequency:.0f} Hz. That is taken out as of white noise. "
            "Raise the level of that channel, or play a signal with more at these frequencies"
        )
        return [ResidualFinding(ResidualKind.STIMULUS_NOISE, self.name, text, frequency)]

    def _hum_findings(self) -> list[ResidualFinding]:
        """Name the tones that hum stands on."""
        if not self.hum_hz:
            return []
        places = " and ".join(f"{f:.0f} Hz" for f in self.hum_hz)
        one = len(self.hum_hz) == 1
        tones, are = ("the tone", "which is") if one else ("the tones", "which are")
        text = (
            f"{self.name}: hum stands on {tones} at {places}, {are} left out. Look for an earth "
            "loop, or play tones beside the mains frequency and its multiples"
        )
        return [ResidualFinding(ResidualKind.LINE, self.name, text, self.hum_hz[0])]

    def _click_findings(self) -> list[ResidualFinding]:
        """Name the clicks that were left out."""
        if not self.clicks_s:
            return []
        times = " and ".join(f"{t:.3f} s" for t in self.clicks_s)
        text = (
            f"{self.name}: a click at {times} is left out. Look for a switch, a loose plug or a "
            "busy computer"
        )
        return [ResidualFinding(ResidualKind.CLICK, self.name, text, 0.0)]

    def corrected(self, prediction: Prediction, *, folded: bool) -> TwoChannelObservation:
        """Estimate the response again about a fit, documented in `Observation`."""
        flattening = self.flattening(prediction.log_response)
        channels = self.channels
        if self.clock_is_free:
            channels = channels.by_other_clock(float(prediction.nuisance[2]) * _CLOCK_UNIT)
        estimate = channels.estimate(
            flattening, highest_hz=self.highest_hz, timed=self.clock_is_free
        )
        estimate, hum_hz = without_hum_on_tones(estimate)
        nominal = prediction.log_response(band_frequencies(estimate))
        corrected = replace(
            self, channels=channels, estimate=estimate, nominal=nominal, hum_hz=hum_hz
        )
        share = corrected._noise_shares(prediction.nuisance)
        return replace(corrected, scattering=np.clip(share, 0.0, estimate.noise_share))

    def overlay(self, prediction: Prediction, band_hz: tuple[float, float]) -> Overlay:
        """Lay the output over the stimulus behind an ideal unit, documented in `Observation`."""
        reference = self.reference

        def ideal(frequency_hz: Floats) -> Complex:
            total = self.ideal(frequency_hz)
            return total if reference is None else total + reference.at(frequency_hz)

        fitted = self.flattening(prediction.log_response)
        laid = laid_over(self.channels, self.flattening(ideal), fitted, band_hz=band_hz)
        return (
            laid
            if reference is None
            else replace(laid, polarity=laid.polarity * reference.polarity)
        )

    def with_raised_noise(self, ratio: float) -> TwoChannelObservation:
        """Raise the variance to the residuals, documented in `Observation`."""
        return replace(self, raised=self.raised * ratio)


def band_frequencies(estimate: ResponseEstimate) -> Floats:
    """List the two frequencies of each band, one band after the other.

    Parameters
    ----------
    estimate : ResponseEstimate
        Ratios band by band.

    Returns
    -------
    numpy.ndarray of float, shape (2 bands,)
        Frequencies [Hz], ascending.
    """
    return np.stack([estimate.low_hz, estimate.high_hz], axis=1).ravel()


def bands_tell_clocks(channels: Channels, estimate: ResponseEstimate) -> bool:
    """Tell whether bands sound at times so different that a clock is no delay.

    Parameters
    ----------
    channels : Channels
        The channels.
    estimate : ResponseEstimate
        Ratios between them.

    Returns
    -------
    bool
        As of a sweep.
    """
    length_s = channels.output.size / channels.rate_hz
    return float(np.std(estimate.sounds_s)) > _SOUNDS_APART * length_s


def noise_counts(estimate: ResponseEstimate) -> bool:
    """Tell whether the noise of the stimulus may move what a fit tells.

    Parameters
    ----------
    estimate : ResponseEstimate
        Ratios between the channels.

    Returns
    -------
    bool
        Whether the most of it moves some constant by a fifth of its standard deviation.
    """
    return float(np.sum(estimate.noise_share**2 / estimate.variance)) > _COUNTS**2


def _by_band(values: NDArray[_Number]) -> NDArray[_Number]:
    """Means of the two frequencies of each band, along the first axis."""
    return np.asarray(values.reshape(-1, 2, *values.shape[1:]).mean(axis=1), dtype=values.dtype)
