"""Waveforms of one run, each with a peak of 1 between the samples as well.

Square wave, multitone and noise are made of whole periods, so that runs follow without a gap.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from antecurve.signals.low_crest import low_crest_phases
from antecurve.signals.request import SignalRequest

__all__ = ["multitone_lines", "played_hz", "run_waveform", "true_peak"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]
Integers = NDArray[np.int64]

_FADE_S = 0.005  # of a sine step: short against it, and no click
_TONES_PER_OCTAVE = 48  # the more tones, the better the fast ones fill between peaks of the slow
_HUM_HZ = np.concatenate([50.0 * np.arange(1, 21), 60.0 * np.arange(1, 17)])  # above, it is weak
_OVERSAMPLING = 4  # peaks between samples then stand out by less than 0.1 dB
_SEED = 20  # of the noise: every file of a request is the same


def played_hz(request: SignalRequest) -> float:
    """Compute the frequency of the square wave that is played.

    Parameters
    ----------
    request : SignalRequest
        A square wave.

    Returns
    -------
    float
        The nearest frequency with whole periods in a run [Hz].
    """
    periods = round(request.frequencies_hz[0] * request.run_samples / request.rate_hz)
    return periods * request.rate_hz / request.run_samples


def multitone_lines(request: SignalRequest) -> Integers:
    """Choose the tones of a multitone, 48 to an octave and clear of the lines of hum.

    Parameters
    ----------
    request : SignalRequest
        A multitone.

    Returns
    -------
    numpy.ndarray of int, shape (tones,)
        Periods of each tone in the period of all, ascending.
    """
    low, high = request.ends_hz
    spacing = request.rate_hz / request.period_samples
    count = int(_TONES_PER_OCTAVE * math.log2(high / low)) + 1
    tones = low * 2.0 ** (np.arange(count) / _TONES_PER_OCTAVE)
    lines = np.unique(np.rint(tones / spacing).astype(np.int64))
    clear = np.abs(lines[:, None] * spacing - _HUM_HZ).min(axis=1) > spacing / 4.0
    return lines[clear] if clear.any() else lines


def run_waveform(request: SignalRequest) -> Floats:
    """Compute one run of a signal.

    Parameters
    ----------
    request : SignalRequest
        The signal.

    Returns
    -------
    numpy.ndarray of float, shape (samples,)
        With a peak of 1; sine steps stand at their levels re full scale.
    """
    return _WAVEFORMS[request.kind](request)


def true_peak(waveform: Floats) -> float:
    """Compute the peak of a periodic waveform, between the samples as well.

    Parameters
    ----------
    waveform : numpy.ndarray of float, shape (samples,)
        One run.

    Returns
    -------
    float
        Largest magnitude.
    """
    from scipy.fft import irfft, rfft

    size = _OVERSAMPLING * waveform.size
    return float(np.abs(irfft(rfft(waveform), size)).max()) * _OVERSAMPLING


def _square(request: SignalRequest) -> Floats:
    """Odd harmonics 1/n, each as an ideal square wave has it, up to the highest frequency."""
    spectrum = np.zeros(request.run_samples // 2 + 1, dtype=complex)
    first = round(played_hz(request) * request.run_samples / request.rate_hz)
    lines = np.arange(first, _last_line(request, request.highest_hz) + 1, 2 * first)
    spectrum[lines] = -1j * first / lines
    return _of_peak_one(spectrum, request.run_samples)


def _sines(request: SignalRequest) -> Floats:
    waveform = np.zeros(request.run_samples)
    fade = round(_FADE_S * request.rate_hz)
    rise = np.sin(0.5 * np.pi * (np.arange(fade) + 0.5) / fade) ** 2
    for step in request.steps:
        time = np.arange(step.last - step.first) / request.rate_hz
        sine = 10.0 ** (step.level_db / 20.0) * np.sin(2.0 * np.pi * step.frequency_hz * time)
        sine[:fade] *= rise
        sine[-fade:] *= rise[::-1]
        waveform[step.first : step.last] = sine
    return waveform


def _sweep(request: SignalRequest) -> Floats:
    """Equal times for each octave, sin(2 pi f1 T/ln(f2/f1) ((f2/f1)^(t/T) - 1)).

    Source: A. Farina, "Simultaneous measurement of impulse response and distortion with a
    swept-sine technique", AES 108th Convention, preprint 5093 (2000).
    """
    low, high = request.ends_hz
    time = np.arange(request.run_samples) / request.rate_hz
    octaves = math.log(high / low)
    growth = np.expm1(octaves * time / request.seconds)
    sweep = np.sin(2.0 * np.pi * low * request.seconds / octaves * growth)
    for end, fade_s in ((sweep, _FADE_S), (sweep[::-1], _FADE_S / 2.0)):
        fade = round(fade_s * request.rate_hz)
        end[:fade] *= np.sin(0.5 * np.pi * (np.arange(fade) + 0.5) / fade) ** 2
    return sweep


def _multitone(request: SignalRequest) -> Floats:
    """Tones with equal power in each octave, and a low crest factor."""
    lines = multitone_lines(request)
    amplitudes = _octave_shares(lines)
    spectrum = np.zeros(request.period_samples // 2 + 1, dtype=complex)
    spectrum[lines] = amplitudes * np.exp(1j * low_crest_phases(lines, amplitudes))
    periods = request.run_samples // request.period_samples
    return np.tile(_of_peak_one(spectrum, request.period_samples), periods)


def _octave_shares(lines: Integers) -> Floats:
    """Amplitudes at which each tone has the power of the octaves it stands for.

    They reach half-way to its neighbours: low tones stand wide apart, a period of all being short.
    """
    octaves = np.log2(lines)
    if octaves.size < 2:
        return np.ones(octaves.size)
    between = (octaves[1:] + octaves[:-1]) / 2.0
    first, last = 2.0 * octaves[:1] - between[:1], 2.0 * octaves[-1:] - between[-1:]
    return np.sqrt(np.diff(np.concatenate([first, between, last])))


def _noise(request: SignalRequest) -> Floats:
    """Equal power in each octave: every line at 1/sqrt(f), phases drawn."""
    low, high = request.ends_hz
    first = math.ceil(low * request.run_samples / request.rate_hz)
    lines = np.arange(max(1, first), _last_line(request, high) + 1)
    phases = np.random.default_rng(_SEED).uniform(0.0, 2.0 * np.pi, lines.size)
    spectrum = np.zeros(request.run_samples // 2 + 1, dtype=complex)
    spectrum[lines] = np.exp(1j * phases) / np.sqrt(lines)
    return _of_peak_one(spectrum, request.run_samples)


def _last_line(request: SignalRequest, frequency_hz: float) -> int:
    return math.floor(frequency_hz * request.run_samples / request.rate_hz)


def _of_peak_one(spectrum: Complex, samples: int) -> Floats:
    from scipy.fft import irfft

    waveform = np.asarray(irfft(spectrum, samples), dtype=np.float64)
    return waveform / true_peak(waveform)


_WAVEFORMS: dict[str, Callable[[SignalRequest], Floats]] = {
    "square": _square, "sines": _sines, "sweep": _sweep, "multitone": _multitone, "noise": _noise,
}  # fmt: skip
