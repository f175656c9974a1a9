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
from functools import lru_cache
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import InputError
from antecurve.judge.interruption import is_sweep, refuse_interruption, refuse_lagging_bands
from antecurve.signals.resampling import resampled

__all__ = [
    "Alignment",
    "Channels",
    "Response",
    "ResponseEstimate",
    "aligned_channels",
    "quiet_samples",
]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]
Response: TypeAlias = Callable[[Floats], Complex]
"""A response at frequencies [Hz] above 0."""

_QUIET = 1e-3  # of the stimulus's largest value: what a taper may cut off without a trace
_LEAST_QUIET_S = 0.02  # for a taper within the quiet; at 50 Hz one period
_TAPER_SHOWS = 5.0  # half a taper shows a fifth of the error at the start of a sweep
_CORRELATED_LINES = 8  # lines further apart share less than 1e-3 of their noise
_BANDS_PER_OCTAVE = 12  # a semitone: a first-order corner moves by 0.25 dB at most within
_LEAST_LINES = 12  # of which a Hann window leaves five to tell the noise
_LEAST_DEVIATION = 1e-4  # neper, 0.001 dB: far below what parts and meters leave
_LARGEST_DEVIATION = 0.12  # neper, 1 dB: beyond, the logarithm of a ratio is no longer normal
_POINTS_PER_DECADE = 1000  # a chord is off a corner of Q 1 by less than 1e-6
_LOWEST_HZ = 8.0  # below, no signal of a bench reaches
_HIGHEST_SHARE = 0.45  # of the sampling rate; converters' filters begin there
_DELAY_FROM_HZ = 300.0  # below, low corners turn the phase more than a delay does
_FLOOR = 1e-6  # of the strongest line: what is whitened, and not noise of the arithmetic
_SEGMENTS = 8  # over which the delay is followed
_LEAST_SEGMENT = 2000  # samples: some twenty bands of twelve lines
_UNKNOWN_CORNER_HZ = 10.0  # a low corner not in the response turns by 10 Hz / f
_UNKNOWN_DELAY_S = 2e-7  # by which a high corner's delay changes up to 20 kHz
_ROUNDS = 2  # the first takes the delay out, the second what it hid
_CLOCKS_DIFFER = 4.0  # standard deviations of the slope; by chance once in 16,000 records
_NOTABLE_DRIFT = 0.01  # samples over the record: turns the top of the band by 0.03 rad


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
    """

    low_hz: Floats
    high_hz: Floats
    ratio: Complex
    variance: Floats
    coherence: Floats


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
        flat = _filtered(self.spectrum, self.output.size, self.rate_hz, flattening)
        pair = _Pair(flat, self.output, self.rate_hz, self.tapers)
        top_hz = min(highest_hz, _HIGHEST_SHARE * self.rate_hz)
        by_taper = [
            _lines(p).delayed(self.late_s, self.alignment.polarity).bands(_LOWEST_HZ, top_hz)
            for p in (pair, replace(pair, tapers=tuple(t // 2 for t in self.tapers)))
        ]
        bands = [_compared(*two) for two in zip(*by_taper, strict=True)]
        told = [b for b in bands if b.variance <= _LARGEST_DEVIATION**2]
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
        )

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
        from scipy.fft import irfft, rfft

        size = self.output.size
        spectrum = rfft(self.output - self.output.mean())
        frequency = np.arange(spectrum.size) * (self.rate_hz / size)
        turned = spectrum * np.exp(2j * math.pi * frequency * self.late_s)
        output = self.alignment.polarity * irfft(turned, size)
        return _filtered(self.spectrum, size, self.rate_hz, flattening), np.asarray(output)


@dataclass(frozen=True, slots=True, eq=False)
class _Pair:
    """Flattened stimulus and output, sample by sample, with what a taper may take."""

    flat: Floats
    output: Floats
    rate_hz: float
    tapers: tuple[int, ...]

    def part(self, first: int, last: int) -> _Pair:
        half = (last - first) // 2
        return _Pair(self.flat[first:last], self.output[first:last], self.rate_hz, (half, half))

    def shifted(self, samples: int) -> _Pair:
        """Shift the output by whole samples, both cut to what they share."""
        flat, output = _shared(self.flat, self.output, samples)
        return replace(self, flat=flat, output=output)


@dataclass(frozen=True, slots=True, eq=False)
class _Lines:
    """Fourier lines of a tapered pair, and the correlation of noise between neighbours."""

    frequency_hz: Floats
    flat: Complex
    output: Complex
    correlation: Complex

    def delayed(self, seconds: float, polarity: int) -> _Lines:
        """Shift the output's lines by a delay."""
        turn = polarity * np.exp(2j * math.pi * self.frequency_hz * seconds)
        return replace(self, output=self.output * turn)

    def bands(self, low_hz: float, high_hz: float) -> list[_Band]:
        """Average over the bands between two frequencies; silent ones have an infinite variance."""
        return [
            _band(self.frequency_hz[p], self.flat[p], self.output[p], self.correlation)
            for p in _band_slices(self.frequency_hz, low_hz, high_hz)
        ]


@dataclass(frozen=True, slots=True)
class _Band:
    """The ratio over a band."""

    mean_hz: float
    spread_hz: float
    ratio: complex
    variance: float
    coherence: float


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
    """
    tapers = tuple(
        quiet_samples(end, rate_hz) or stimulus.size // 2 for end in (stimulus, stimulus[::-1])
    )
    flat = _filtered(_with_silence(stimulus), stimulus.size, rate_hz, flattening)
    pair = _Pair(flat, output, rate_hz, tapers)
    whole, polarity = _whole_delay(pair)
    shifted, clocks = pair.shifted(whole), 0.0
    for _ in range(_ROUNDS):
        slope = _drift(shifted, name)
        if slope is None:
            break
        clocks = (1.0 + clocks) * (1.0 + slope) - 1.0
        middle = (output.size - 1) / 2.0
        stretched = middle + (np.arange(float(output.size)) - middle) * (1.0 + clocks)
        pair = replace(pair, output=resampled(output, stretched))
        whole, polarity = _whole_delay(pair)
        shifted = pair.shifted(whole)
    lines = _lines(shifted)
    late, _ = _fine_delay(lines, rate_hz, polarity)
    if is_sweep(stimulus, rate_hz):
        heard_hz = (_LOWEST_HZ, _HIGHEST_SHARE * rate_hz)
        cross = lines.delayed(late, polarity).output * lines.flat.conj()
        refuse_lagging_bands(lines.frequency_hz, cross, band_hz=heard_hz, name=name)
    alignment = Alignment(whole / rate_hz + late, clocks, polarity)
    shared, _ = _shared(stimulus, pair.output, whole)
    return Channels(_with_silence(shared), shifted.output, rate_hz, tapers, alignment, late, name)


def _shared(stimulus: Floats, output: Floats, samples: int) -> tuple[Floats, Floats]:
    """Both channels where they overlap, the output earlier by whole samples.

    A few samples more are left out, so that the length has small factors for the transform.
    """
    from scipy.fft import prev_fast_len

    size = prev_fast_len(stimulus.size - abs(samples), real=True)
    late, early = max(0, samples), max(0, -samples)
    return stimulus[early : early + size], output[late : late + size]


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
    level = np.interp(position, known, np.log(np.abs(value)))
    return np.asarray(np.exp(level + 1j * np.interp(position, known, np.unwrap(np.angle(value)))))


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


def _lines(pair: _Pair) -> _Lines:
    from scipy.fft import rfft

    size = pair.flat.size
    window, correlation = _taper(size, tuple(min(t, size // 2) for t in pair.tapers))
    flat, output = (rfft((x - x.mean()) * window)[1:] for x in (pair.flat, pair.output))
    frequency = np.arange(1, flat.size + 1) * (pair.rate_hz / size)
    return _Lines(frequency, flat, output, correlation)


@lru_cache(maxsize=4)
def _taper(size: int, ends: tuple[int, ...]) -> tuple[Floats, Complex]:
    """A window that rises and falls over so many samples, and what its lines share of noise."""
    from scipy.fft import rfft

    window = np.ones(size)
    for end, taper in zip((window, window[::-1]), ends, strict=True):
        end[:taper] = np.sin(0.5 * np.pi * (np.arange(taper) + 0.5) / taper) ** 2
    shared = rfft(window**2)[:_CORRELATED_LINES]
    return window, shared / shared[0].real


def _band_slices(frequency: Floats, low_hz: float, high_hz: float) -> list[slice]:
    """Neighbouring lines in semitones, or wider where a semitone holds too few."""
    slices = []
    first = int(np.searchsorted(frequency, low_hz))
    while first < frequency.size:
        end = frequency[first] * 2.0 ** (1.0 / _BANDS_PER_OCTAVE)
        last = max(int(np.searchsorted(frequency, end)), first + _LEAST_LINES)
        if last > frequency.size or frequency[last - 1] > high_hz:
            break
        slices.append(slice(first, last))
        first = last
    return slices


def _band(frequency: Floats, flat: Complex, output: Complex, correlation: Complex) -> _Band:
    """Ratio and variance over the lines of a band; infinite where it is silent."""
    silent = _Band(float(frequency[0]), 0.0, 1.0, math.inf, 0.0)
    weight = np.abs(flat) ** 2
    power, out_power = float(weight.sum()), float(np.sum(np.abs(output) ** 2))
    if power <= 0.0 or out_power <= 0.0:
        return silent
    ratio = complex(np.vdot(flat, output)) / power
    noise = output - ratio * flat
    # Variance of sum N U*: neighbouring lines share noise through the taper.
    shared = power + 2.0 * sum(
        float((correlation[k] * np.vdot(flat[k:], flat[:-k])).real)
        for k in range(1, correlation.size)
    )
    expected_noise = frequency.size - shared / power
    free = frequency.size / (1.0 + 2.0 * float(np.sum(np.abs(correlation[1:]) ** 2))) - 1.0
    if ratio == 0.0 or shared <= 0.0 or expected_noise <= 0.0 or free <= 1.0:
        return silent
    level = float(np.vdot(noise, noise).real) / expected_noise
    # The level comes from few lines: Student's t with 2 free degrees of freedom is wider.
    variance = level * shared / (power * abs(ratio)) ** 2 / 2.0 * free / (free - 1.0)
    mean = float(np.sum(weight * frequency)) / power
    spread = math.sqrt(max(0.0, float(np.sum(weight * (frequency - mean) ** 2)) / power))
    coherence = min(1.0, abs(ratio) ** 2 * power / out_power)
    return _Band(mean, spread, ratio, variance + _LEAST_DEVIATION**2, coherence)


def _compared(band: _Band, other: _Band) -> _Band:
    """The band, its variance wider by what half the taper makes of it beyond noise.

    A response rings past a taper; where the signal is strong only there, that is no noise.
    """
    excess = max(0.0, abs(np.log(other.ratio / band.ratio)) ** 2 - band.variance)
    return replace(band, variance=band.variance + _TAPER_SHOWS**2 * excess / 2.0)


def _whole_delay(pair: _Pair) -> tuple[int, int]:
    """Delay in whole samples and polarity: the highest peak of the whitened correlation."""
    from scipy.fft import irfft

    lines = _lines(pair)
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


def _fine_delay(lines: _Lines, rate_hz: float, polarity: int) -> tuple[float, float]:
    """Delay [s] by the slope of the phase over bands, and its standard deviation [s].

    The deviation covers corners that the flattening response lacks.
    """
    delay, deviation = 0.0, math.inf
    for _ in range(_ROUNDS):  # the second when the first has turned the phase of each band
        bands = lines.delayed(delay, polarity).bands(_DELAY_FROM_HZ, _HIGHEST_SHARE * rate_hz)
        told = [b for b in bands if b.variance < 1.0]
        if len(told) < 2:
            break
        omega = 2.0 * math.pi * np.array([b.mean_hz for b in told])
        phase = np.angle([b.ratio for b in told])
        information = omega**2 / np.array([b.variance for b in told])
        total = float(np.sum(information))
        delay -= float(np.sum(information * phase / omega)) / total
        corner = 2.0 * math.pi * _UNKNOWN_CORNER_HZ * float(np.sum(information / omega**2)) / total
        deviation = math.hypot(total**-0.5, corner, _UNKNOWN_DELAY_S)
    return delay, deviation


def _drift(pair: _Pair, name: str) -> float | None:
    """The difference of clocks by the delay's slope over segments, where it stands out."""
    length = pair.flat.size // _SEGMENTS
    if length < _LEAST_SEGMENT:
        return None
    loudest, told = float(np.abs(pair.flat).max()), []
    for first in range(0, _SEGMENTS * length, length):
        segment = pair.part(first, first + length)
        if np.abs(segment.flat).max() < 0.01 * loudest:
            continue
        whole, polarity = _whole_delay(segment)
        fine, deviation = _fine_delay(_lines(segment.shifted(whole)), pair.rate_hz, polarity)
        if math.isfinite(deviation):
            told.append((first + length / 2.0, whole + fine * pair.rate_hz, deviation))
    if len(told) < 3:
        return None
    time, delay, deviation = np.array(told).T
    refuse_interruption(delay, rate_hz=pair.rate_hz, name=name)
    weight = 1.0 / (deviation * pair.rate_hz)
    design = np.stack([np.ones(time.size), time - time.mean()], axis=1) * weight[:, None]
    solution, squares, *_ = np.linalg.lstsq(design, delay * weight, rcond=None)
    scatter = max(1.0, float(squares[0]) / (time.size - 2)) if squares.size else 1.0
    error = math.sqrt(scatter * float(np.linalg.inv(design.T @ design)[1, 1]))
    slope = float(solution[1])
    notable = abs(slope) * pair.flat.size > _NOTABLE_DRIFT
    return slope if notable and abs(slope) > _CLOCKS_DIFFER * error else None
