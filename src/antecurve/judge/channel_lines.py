"""Fourier lines of two channels, one over the other, averaged over narrow bands."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from antecurve.arrays import even_turns

__all__ = ["Band", "Lines", "Pair", "lines_of", "overlap", "sounding_bands"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

_FILTERS_FROM_HZ = 14e3  # converters at 32 kHz; below, a note and its next harmonic differ as much
_FILTER_BANDS = 4  # a third of an octave: a first-order corner loses 2 dB there
_FILTERED = 10.0 ** (-25.0 / 10.0)  # of the power: music and noise fall by a few dB, filters by 60
_NEIGHBOURS = 9  # bands: a third of an octave to either side
_SPREAD_BY_TAPER = 1e-4  # of the power: between the tones of a square wave there is less
_CORRELATED_LINES = 8  # lines further apart share less than 1e-3 of their noise
_BANDS_PER_OCTAVE = 12  # a semitone: a first-order corner moves by 0.25 dB at most within
_LEAST_LINES = 12  # of which a Hann window leaves five to tell the noise
_LEAST_DEVIATION = 1e-4  # neper, 0.001 dB: far below what parts and meters leave


@dataclass(frozen=True, slots=True, eq=False)
class Pair:
    """Flattened stimulus and output, sample by sample, with what a taper may take.

    Attributes
    ----------
    flat, output : numpy.ndarray of float, shape (samples,)
        The channels.
    rate_hz : float
        Sampling rate [Hz].
    tapers : tuple of int
        Samples that a taper may take at either end.
    """

    flat: Floats
    output: Floats
    rate_hz: float
    tapers: tuple[int, ...]

    def shifted(self, samples: int) -> Pair:
        """Shift the output by whole samples, both cut to what they share.

        Parameters
        ----------
        samples : int
            By how much the output is late.

        Returns
        -------
        Pair
            Of equal length.
        """
        flat, output = overlap(self.flat, self.output, samples)
        return replace(self, flat=flat, output=output)


@dataclass(frozen=True, slots=True, eq=False)
class Lines:
    """Fourier lines of a tapered pair, and the correlation of noise between neighbours.

    Attributes
    ----------
    frequency_hz : numpy.ndarray of float, shape (lines,)
        Frequencies [Hz].
    flat, output : numpy.ndarray of complex, shape (lines,)
        Lines of the channels.
    moment : numpy.ndarray of complex, shape (lines,), optional
        Of the stimulus times the time from the middle of the record [s].
    correlation : numpy.ndarray of complex, shape (neighbours,)
        What a line's noise shares with its own and the next ones'.
    taper_power : float
        Power of each line of white noise whose mean square is 1.
    """

    frequency_hz: Floats
    flat: Complex
    output: Complex
    moment: Complex | None
    correlation: Complex
    taper_power: float

    def delayed(self, seconds: float, *, polarity: int) -> Lines:
        """Shift the output's lines by a delay.

        Parameters
        ----------
        seconds : float
            Delay of the output [s].
        polarity : int
            1, or -1 for an output upside down.

        Returns
        -------
        Lines
            Without the delay, the right way up.
        """
        # Lines are evenly apart, the first of them one step from 0 Hz.
        step = 2.0 * math.pi * float(self.frequency_hz[0]) * seconds
        turn = even_turns(self.frequency_hz.size + 1, step=step)[1:]
        return replace(self, output=self.output * (polarity * turn))

    def bands(self, band_hz: tuple[float, float]) -> list[Band]:
        """Average over the bands between two frequencies; silent ones have an infinite variance.

        Parameters
        ----------
        band_hz : tuple of float
            The frequencies [Hz].

        Returns
        -------
        list of Band
            Ascending.
        """
        return [_band(self, within) for within in _band_slices(self.frequency_hz, band_hz)]

    def ratios(self, band_hz: tuple[float, float]) -> list[complex]:
        """Average the ratios alone over the bands between two frequencies; 1 for silent ones.

        Parameters
        ----------
        band_hz : tuple of float
            The frequencies [Hz].

        Returns
        -------
        list of complex
            Output over flattened stimulus, in the order of `bands`.
        """
        told = []
        for within in _band_slices(self.frequency_hz, band_hz):
            flat = self.flat[within]
            cross, power = complex(np.vdot(flat, self.output[within])), _power(flat)
            told.append(cross / power if cross and power else 1.0 + 0.0j)
        return told


@dataclass(frozen=True, slots=True)
class Band:
    """The ratio over a band.

    Attributes
    ----------
    mean_hz, spread_hz : float
        Mean of the lines that carried the signal, and their standard deviation [Hz].
    ratio : complex
        Output over flattened stimulus.
    variance : float
        Of the real and of the imaginary part of ln of the ratio.
    coherence : float
        Squared coherence, 0 to 1.
    sounds_s : float
        When the stimulus sounds, on average, from the middle of the record [s].
    density : float
        Mean power of the stimulus's lines, over that of white noise whose mean square is 1.
    free : float
        Independent lines by which noise is known.
    """

    mean_hz: float
    spread_hz: float
    ratio: complex
    variance: float
    coherence: float
    sounds_s: float = 0.0
    density: float = 0.0
    free: float = 1.0


def overlap(stimulus: Floats, output: Floats, samples: int) -> tuple[Floats, Floats]:
    """Cut both channels to where they overlap, the output earlier by whole samples.

    A few samples more are left out, so that the length has small factors for the transform.

    Parameters
    ----------
    stimulus, output : numpy.ndarray of float, shape (samples,)
        The channels.
    samples : int
        By how much the output is late.

    Returns
    -------
    tuple of numpy.ndarray of float, shape (fewer samples,)
        Both.
    """
    from scipy.fft import prev_fast_len

    size = prev_fast_len(stimulus.size - abs(samples), real=True)
    late, early = max(0, samples), max(0, -samples)
    return stimulus[early : early + size], output[late : late + size]


def lines_of(pair: Pair, *, timed: bool = False, output: Complex | None = None) -> Lines:
    """Transform a pair, tapered.

    Parameters
    ----------
    pair : Pair
        The channels.
    timed : bool, optional
        Whether to tell when each line sounds.
    output : numpy.ndarray of complex, shape (lines,), optional
        The output's lines, where they are known.

    Returns
    -------
    Lines
        All but that of 0 Hz.
    """
    from scipy.fft import rfft

    size = pair.flat.size
    window, correlation, power = _taper(size, tuple(min(t, size // 2) for t in pair.tapers))
    tapered = (pair.flat - pair.flat.mean()) * window
    flat = rfft(tapered)[1:]
    if output is None:
        output = np.asarray(rfft((pair.output - pair.output.mean()) * window)[1:])
    moment = None
    if timed:
        time = (np.arange(size) - (size - 1) / 2.0) / pair.rate_hz
        moment = rfft(tapered * time)[1:]
    frequency = np.arange(1, flat.size + 1) * (pair.rate_hz / size)
    return Lines(frequency, flat, output, moment, correlation, power)


@lru_cache(maxsize=4)
def _taper(size: int, ends: tuple[int, ...]) -> tuple[Floats, Complex, float]:
    """A window over so many samples at either end, what its lines share of noise, its power."""
    from scipy.fft import rfft

    window = np.ones(size)
    for end, taper in zip((window, window[::-1]), ends, strict=True):
        end[:taper] = np.sin(0.5 * np.pi * (np.arange(taper) + 0.5) / taper) ** 2
    shared = rfft(window**2)[:_CORRELATED_LINES]
    return window, shared / shared[0].real, float(shared[0].real)


def _power(lines: Complex) -> float:
    """Sum of the squares."""
    return float(np.vdot(lines, lines).real)


def _band_slices(frequency: Floats, band_hz: tuple[float, float]) -> list[slice]:
    """Neighbouring lines in semitones, or wider where a semitone holds too few."""
    slices, (low_hz, high_hz) = [], band_hz
    first = int(np.searchsorted(frequency, low_hz))
    while first < frequency.size:
        end = frequency[first] * 2.0 ** (1.0 / _BANDS_PER_OCTAVE)
        last = max(int(np.searchsorted(frequency, end)), first + _LEAST_LINES)
        if last > frequency.size or frequency[last - 1] > high_hz:
            break
        slices.append(slice(first, last))
        first = last
    return slices


def _band(lines: Lines, within: slice) -> Band:
    """Ratio and variance over the lines of a band; infinite where it is silent."""
    frequency, correlation = lines.frequency_hz[within], lines.correlation
    flat, output = lines.flat[within], lines.output[within]
    silent = Band(float(frequency[0]), 0.0, 1.0, math.inf, 0.0)
    power, out_power = _power(flat), _power(output)
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
    level = _power(noise) / expected_noise
    # The level comes from few lines: Student's t with 2 free degrees of freedom is wider.
    variance = level * shared / (power * abs(ratio)) ** 2 / 2.0 * free / (free - 1.0)
    weight = flat.real**2 + flat.imag**2
    mean = float(weight @ frequency) / power
    spread = math.sqrt(max(0.0, float(weight @ (frequency - mean) ** 2) / power))
    coherence = min(1.0, abs(ratio) ** 2 * power / out_power)
    sounds_s = 0.0
    if lines.moment is not None:
        sounds_s = float(np.vdot(flat, lines.moment[within]).real) / power
    density = power / frequency.size / lines.taper_power
    variance += _LEAST_DEVIATION**2
    return Band(mean, spread, ratio, variance, coherence, sounds_s, density, free)


def sounding_bands(bands: list[Band]) -> list[Band]:
    """Keep the bands that hold more than what a taper spreads of those beside them.

    Parameters
    ----------
    bands : list of Band
        Bands, ascending.

    Returns
    -------
    list of Band
        Those in which the signal sounds.
    """
    from scipy.ndimage import maximum_filter1d

    density = np.array([b.density for b in bands])
    beside = maximum_filter1d(density, _NEIGHBOURS)
    least = _SPREAD_BY_TAPER * beside
    first = _filtered_from(bands, density)
    return [b for b, at_least in zip(bands[:first], least, strict=False) if b.density > at_least]


def _filtered_from(bands: list[Band], density: Floats) -> int:
    """Index of the first band that a converter's filter cut; the number of bands without one.

    What is left beyond it are images of other frequencies, in both channels alike: they are far
    above the noise, and tell the response where they come from.
    """
    above = np.maximum.accumulate(density[::-1])[::-1]
    steep = np.zeros(density.size, dtype=bool)
    steep[_FILTER_BANDS:] = above[_FILTER_BANDS:] < _FILTERED * above[:-_FILTER_BANDS]
    high = np.array([b.mean_hz for b in bands]) > _FILTERS_FROM_HZ
    return int(np.argmax(steep & high)) if np.any(steep & high) else density.size
