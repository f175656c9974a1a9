"""The response between two channels of a record, for any signal, with its variance.

One least-squares ratio over each of many narrow bands: with U the stimulus behind a response that
is nearly right, R = sum Y U* / sum |U|^2 over the lines of a band.  What R is not, is noise: it
stands in the same lines, and gives the variance of R (Bendat and Piersol, Random Data, chapter 9,
for averages over equal lines; here each line weighs as its stimulus does).  Flattened by a fit and
estimated again, neither the width of a band nor the ends of a record bias the ratio.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from antecurve.arrays import even_turns
from antecurve.errors import InputError
from antecurve.judge.channel_lines import Band, Lines, Pair, lines_of, overlap, sounding_bands
from antecurve.judge.clock_drift import (
    cell_delays,
    clock_difference,
    refuse_wandering,
    stretch_delays,
)
from antecurve.judge.interruption import is_sweep, refuse_interruption, refuse_lagging_bands
from antecurve.signals.resampling import resampled

__all__ = [
    "Alignment",
    "Channels",
    "Response",
    "ResponseEstimate",
    "aligned_channels",
    "measured_response",
    "quiet_samples",
]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]
Response: TypeAlias = Callable[[Floats], Complex]
"""A response at frequencies [Hz] above 0."""

_QUIET = 1e-3  # of the stimulus's largest value: what a taper may cut off without a trace
_LEAST_QUIET_S = 0.02  # for a taper within the quiet; at 50 Hz one period
_TAPER_SHOWS = 5.0  # half a taper shows a fifth of the error at the start of a sweep
_LARGEST_DEVIATION = 0.12  # neper, 1 dB: beyond, the logarithm of a ratio is no longer normal
_POINTS_PER_DECADE = 1000  # a chord is off a corner of Q 1 by less than 1e-6
_LOWEST_HZ = 8.0  # below, no signal of a bench reaches
_HIGHEST_SHARE = 0.45  # of the sampling rate; converters' filters begin there
_DELAY_FROM_HZ = 300.0  # below, low corners turn the phase more than a delay does
_FLOOR = 1e-6  # of the strongest line: what is whitened, and not noise of the arithmetic
_ROUNDS = 2  # the first takes the delay out, the second what it hid
_CLOCK_ROUNDS = 4  # each leaves a tenth of the drift or less, which blurs the delays
_NOTABLE_DRIFT = 0.1  # samples over the record: turns either end of 20 kHz by 0.06 rad at 96 kHz


@dataclass(frozen=True, slots=True)
class Alignment:
    """How the output lies over the stimulus.

    Attributes
    ----------
    delay_s : float
        Delay of the output at the middle of the record [s], the nominal response apart.
    clock_ratio : float
        Sampling clock of the output over that of the stimulus, less 1.
    polarity : int
        1, or -1 for an output upside down.
    """

    delay_s: float
    clock_ratio: float
    polarity: int


@dataclass(frozen=True, slots=True, eq=False)
class ResponseEstimate:
    """Ratios of output to flattened stimulus, band by band.

    Attributes
    ----------
    low_hz, high_hz : numpy.ndarray of float, shape (bands,)
        Two frequencies that stand for each band [Hz], equally weighted: they have the mean and
        the spread of the lines that carried the signal.
    ratio : numpy.ndarray of complex, shape (bands,)
        Output over stimulus times flattening response, delay and polarity taken out.
    variance : numpy.ndarray of float, shape (bands,)
        Variance of the real and of the imaginary part of ln of a ratio.
    coherence : numpy.ndarray of float, shape (bands,)
        Squared coherence, 0 to 1.
    sounds_s : numpy.ndarray of float, shape (bands,)
        When the stimulus sounds in each band, on average, from the middle of the record [s].
    """

    low_hz: Floats
    high_hz: Floats
    ratio: Complex
    variance: Floats
    coherence: Floats
    sounds_s: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Channels:
    """Two channels of a record, one over the other.

    Attributes
    ----------
    spectrum : numpy.ndarray of complex, shape (lines,)
        Fourier lines of the stimulus with as much silence behind it.
    output : numpy.ndarray of float, shape (samples,)
        By the stimulus's clock and late by less than a sample.
    rate_hz : float
        Sampling rate [Hz].
    tapers : tuple of int
        Samples that a taper may take at either end.
    alignment : Alignment
        Delay, clocks, polarity.
    late_s : float
        What is left of the delay [s].
    name : str
        How messages call the record.
    """

    spectrum: Complex
    output: Floats
    rate_hz: float
    tapers: tuple[int, ...]
    alignment: Alignment
    late_s: float
    name: str

    def estimate(self, flattening: Response, *, highest_hz: float) -> ResponseEstimate:
        """Estimate the response between the channels.

        Parameters
        ----------
        flattening : callable
            A response that is nearly right; the ratio is over it.
        highest_hz : float
            Highest frequency that counts [Hz].

        Returns
        -------
        ResponseEstimate
            Only bands that the signal reaches, so that a ratio is known to 1 dB.

        Raises
        ------
        InputError
            When no band can be told.
        """
        pair = Pair(self.flattened(flattening), self.output, self.rate_hz, self.tapers)
        top_hz = min(highest_hz, _HIGHEST_SHARE * self.rate_hz)
        by_taper = [
            lines_of(p, timed=p is pair)
            .delayed(self.late_s, polarity=self.alignment.polarity)
            .bands(low_hz=_LOWEST_HZ, high_hz=top_hz)
            for p in (pair, replace(pair, tapers=tuple(t // 2 for t in self.tapers)))
        ]
        bands = [_compared(*two) for two in zip(*by_taper, strict=True)]
        told = [b for b in sounding_bands(bands) if b.variance <= _LARGEST_DEVIATION**2]
        if not told:
            raise InputError(
                self.name,
                "no frequency at which the output follows the stimulus",
                "check channels, leads and levels, and that one clock plays and records",
            )
        return ResponseEstimate(
            np.array([b.mean_hz - b.spread_hz for b in told]),
            np.array([b.mean_hz + b.spread_hz for b in told]),
            np.array([b.ratio for b in told]),
            np.array([b.variance for b in told]),
            np.array([b.coherence for b in told]),
            np.array([b.sounds_s for b in told]),
        )

    def by_other_clock(self, ratio: float) -> Channels:
        """Take a difference of clocks out that is left.

        Parameters
        ----------
        ratio : float
            Growth of the output's delay, in seconds a second.

        Returns
        -------
        Channels
            The same where it makes no notable difference.
        """
        if abs(ratio) * self.output.size < _NOTABLE_DRIFT:
            return self
        clocks = (1.0 + self.alignment.clock_ratio) * (1.0 + ratio) - 1.0
        alignment = replace(self.alignment, clock_ratio=clocks)
        return replace(self, output=_by_other_clock(self.output, ratio), alignment=alignment)

    def waveforms(self, flattening: Response) -> tuple[Floats, Floats]:
        """Stack the flattened stimulus and the output.

        Parameters
        ----------
        flattening : callable
            The response that the stimulus goes through.

        Returns
        -------
        tuple of numpy.ndarray of float, shape (samples,)
            Flattened stimulus, and the output without delay and the right way up.
        """
        output = self.alignment.polarity * self._moved(
            self.output - self.output.mean(), self.late_s
        )
        return self.flattened(flattening), output

    def flattened(self, flattening: Response) -> Floats:
        """Send the stimulus through a response.

        Parameters
        ----------
        flattening : callable
            The response.

        Returns
        -------
        numpy.ndarray of float, shape (samples,)
            Flattened stimulus.
        """
        return _filtered(self.spectrum, self.output.size, self.rate_hz, flattening)

    def as_sampled(self, flat: Floats) -> tuple[Floats, Floats]:
        """Stack the output as it was sampled, and the flattened stimulus moved to it.

        Parameters
        ----------
        flat : numpy.ndarray of float, shape (samples,)
            Flattened stimulus, as from `flattened`.

        Returns
        -------
        tuple of numpy.ndarray of float, shape (samples,)
            Output and flattened stimulus, the right way up; below 8 Hz, where no response is
            told, both move as the output does.
        """
        output = self.alignment.polarity * (self.output - self.output.mean())
        return output, self.alike_below(self._moved(flat, -self.late_s), output)

    def alike_below(self, samples: Floats, others: Floats) -> Floats:
        """Move samples as others do below 8 Hz, where no response is told.

        Parameters
        ----------
        samples, others : numpy.ndarray of float, shape (samples,)
            Two waveforms.

        Returns
        -------
        numpy.ndarray of float, shape (samples,)
            The first, with the slow part of the others.
        """
        from scipy.fft import irfft, rfft

        size = samples.size
        slow = rfft(others - samples)
        slow[math.ceil(_LOWEST_HZ * size / self.rate_hz) :] = 0.0
        return np.asarray(samples + irfft(slow, size))

    def _moved(self, samples: Floats, earlier_s: float) -> Floats:
        """Samples as many seconds earlier."""
        from scipy.fft import irfft, rfft

        step = 2.0 * math.pi * earlier_s * self.rate_hz / samples.size
        turn = even_turns(samples.size // 2 + 1, step=step)
        return np.asarray(irfft(rfft(samples) * turn, samples.size))

    def before(self, output: Floats, response: Response) -> Floats:
        """Undo a response where the signal may reach.

        Parameters
        ----------
        output : numpy.ndarray of float, shape (samples,)
            What came out.
        response : callable
            The response to undo, from 8 Hz to nearly half the sampling rate.

        Returns
        -------
        numpy.ndarray of float, shape (samples,)
            What went in.
        """

        def inverse(frequency_hz: Floats) -> Complex:
            low = frequency_hz < _LOWEST_HZ  # of which noise would grow without bounds
            return np.asarray(1.0 / response(np.where(low, _LOWEST_HZ, frequency_hz)))

        return _filtered(_with_silence(output), output.size, self.rate_hz, inverse)

    def replaced(self, difference: Floats) -> Channels:
        """Add to the output what is late and turned as it is.

        Parameters
        ----------
        difference : numpy.ndarray of float, shape (samples,)
            Without delay and the right way up, as from `waveforms`.

        Returns
        -------
        Channels
            With another output.
        """
        late = self._moved(difference, -self.late_s)
        return replace(self, output=self.output + self.alignment.polarity * late)


def aligned_channels(
    stimulus: Floats, output: Floats, *, rate_hz: float, flattening: Response, name: str
) -> Channels:
    """Lay two channels over each other.

    Parameters
    ----------
    stimulus, output : numpy.ndarray of float, shape (samples,)
        The channels, sampled evenly.
    rate_hz : float
        Sampling rate [Hz].
    flattening : callable
        A response that is nearly right.
    name : str
        How messages call the record.

    Returns
    -------
    Channels
        With delay, polarity and a difference of clocks found; the last is taken out.

    Raises
    ------
    InputError
        When the record was interrupted, or its clocks drift.
    """
    tapers = tuple(
        quiet_samples(end, rate_hz) or stimulus.size // 2 for end in (stimulus, stimulus[::-1])
    )
    flat = _filtered(_with_silence(stimulus), stimulus.size, rate_hz, flattening)
    pair = Pair(flat, output, rate_hz, tapers)
    whole, polarity = _whole_delay(pair)
    shifted, clocks, sweep = pair.shifted(whole), 0.0, is_sweep(stimulus, rate_hz)
    for _ in range(_CLOCK_ROUNDS):
        cells = cell_delays(shifted.flat, shifted.output, rate_hz)
        refuse_interruption(stretch_delays(cells), rate_hz=rate_hz, name=name)
        slope = clock_difference(
            cells, shifted.flat.size, rate_hz=rate_hz, sweep=sweep, known=clocks != 0.0
        )
        if slope is None:
            break
        clocks = (1.0 + clocks) * (1.0 + slope) - 1.0
        pair = replace(pair, output=_by_other_clock(output, clocks))
        whole, polarity = _whole_delay(pair)
        shifted = pair.shifted(whole)
    refuse_wandering(cells, rate_hz=rate_hz, name=name)
    lines = lines_of(shifted)
    late = _fine_delay(lines, rate_hz, polarity)
    if sweep:
        heard_hz = (_LOWEST_HZ, _HIGHEST_SHARE * rate_hz)
        cross = lines.delayed(late, polarity=polarity).output * lines.flat.conj()
        refuse_lagging_bands(lines.frequency_hz, cross, band_hz=heard_hz, name=name)
    alignment = Alignment(whole / rate_hz + late, clocks, polarity)
    shared, _ = overlap(stimulus, pair.output, whole)
    return Channels(_with_silence(shared), shifted.output, rate_hz, tapers, alignment, late, name)


def _by_other_clock(output: Floats, ratio: float) -> Floats:
    """The output by a clock slower by a ratio, its middle where it was."""
    middle = (output.size - 1) / 2.0
    return resampled(output, middle + (np.arange(float(output.size)) - middle) * (1.0 + ratio))


def measured_response(estimate: ResponseEstimate, flattening: Response) -> Response:
    """Interpolate what was measured between two channels.

    Parameters
    ----------
    estimate : ResponseEstimate
        Ratios band by band.
    flattening : callable
        What they are over.

    Returns
    -------
    callable
        The response, beyond the bands as at their ends.
    """
    position = np.log((estimate.low_hz + estimate.high_hz) / 2.0)
    log_ratio = np.log(np.abs(estimate.ratio)) + 1j * np.unwrap(np.angle(estimate.ratio))

    def measured(frequency_hz: Floats) -> Complex:
        ratio = np.interp(np.log(frequency_hz), position, log_ratio)
        return np.asarray(flattening(frequency_hz) * np.exp(ratio))

    return measured


def _with_silence(stimulus: Floats) -> Complex:
    """Fourier lines of the stimulus with silence behind it."""
    from scipy.fft import next_fast_len, rfft

    return np.asarray(rfft(stimulus - stimulus.mean(), next_fast_len(2 * stimulus.size, real=True)))


def _filtered(lines: Complex, samples: int, rate_hz: float, response: Response) -> Floats:
    """The stimulus behind a response."""
    from scipy.fft import irfft, next_fast_len

    size = next_fast_len(2 * samples, real=True)
    frequency = np.arange(1, lines.size) * (rate_hz / size)
    behind = np.concatenate([[0.0], lines[1:] * _interpolated(response, frequency)])
    return np.asarray(irfft(behind, size)[:samples])


def _interpolated(response: Response, frequency_hz: Floats) -> Complex:
    """A smooth response at many frequencies, its logarithm linear between fewer."""
    decades = math.log10(frequency_hz[-1] / frequency_hz[0])
    few = np.geomspace(frequency_hz[0], frequency_hz[-1], math.ceil(_POINTS_PER_DECADE * decades))
    if few.size >= frequency_hz.size:
        return response(frequency_hz)
    value, position, known = response(few), np.log(frequency_hz), np.log(few)
    size = np.exp(np.interp(position, known, np.log(np.abs(value))))
    phase = np.interp(position, known, np.unwrap(np.angle(value)))
    made = np.empty(size.shape, dtype=complex)  # in half the time of a complex exponential
    np.multiply(size, np.cos(phase), out=made.real)
    np.multiply(size, np.sin(phase), out=made.imag)
    return made


def quiet_samples(stimulus: Floats, rate_hz: float) -> int:
    """Count the samples of silence before a signal.

    Parameters
    ----------
    stimulus : numpy.ndarray of float, shape (samples,)
        The signal.
    rate_hz : float
        Sampling rate [Hz].

    Returns
    -------
    int
        0 when it is shorter than 20 ms.
    """
    quiet = int(np.argmax(np.abs(stimulus) > _QUIET * np.abs(stimulus).max()))
    return quiet if quiet >= _LEAST_QUIET_S * rate_hz else 0


def _compared(band: Band, other: Band) -> Band:
    """The band, its variance wider by what half the taper makes of it beyond noise.

    A response rings past a taper; where the signal is strong only there, that is no noise.
    """
    excess = max(0.0, abs(np.log(other.ratio / band.ratio)) ** 2 - band.variance)
    return replace(band, variance=band.variance + _TAPER_SHOWS**2 * excess / 2.0)


def _whole_delay(pair: Pair) -> tuple[int, int]:
    """Delay in whole samples and polarity: the highest peak of the whitened correlation."""
    from scipy.fft import irfft

    lines = lines_of(pair)
    cross = lines.output * lines.flat.conj()
    heard = (lines.frequency_hz > _DELAY_FROM_HZ) & (
        lines.frequency_hz < _HIGHEST_SHARE * pair.rate_hz
    )
    floor = _FLOOR * float(np.abs(cross[heard]).max(initial=0.0))
    if floor == 0.0:
        return 0, 1
    white = np.where(heard, cross / (np.abs(cross) + floor), 0.0)
    impulse = irfft(np.concatenate([[0.0], white]), pair.flat.size)
    peak = int(np.argmax(np.abs(impulse)))
    polarity = 1 if impulse[peak] > 0 else -1
    return (peak if peak < impulse.size / 2 else peak - impulse.size), polarity


def _fine_delay(lines: Lines, rate_hz: float, polarity: int) -> float:
    """Delay [s] by the slope of the phase over bands."""
    delay = 0.0
    for _ in range(_ROUNDS):  # the second when the first has turned the phase of each band
        bands = lines.delayed(delay, polarity=polarity).bands(
            low_hz=_DELAY_FROM_HZ, high_hz=_HIGHEST_SHARE * rate_hz
        )
        told = [b for b in bands if b.variance < 1.0]
        if len(told) < 2:
            break
        omega = 2.0 * math.pi * np.array([b.mean_hz for b in told])
        phase = np.angle([b.ratio for b in told])
        information = omega**2 / np.array([b.variance for b in told])
        delay -= float(np.sum(information * phase / omega)) / float(np.sum(information))
    return delay
