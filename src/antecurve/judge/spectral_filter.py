"""Signals of a record behind a response, by Fourier transforms with silence behind them."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from antecurve.signals.resampling import resampled

__all__ = ["Response", "by_other_clock", "filtered", "quiet_samples", "with_silence"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]
Response: TypeAlias = Callable[[Floats], Complex]
"""A response at frequencies [Hz] above 0."""

_QUIET = 1e-3  # of the stimulus's largest value: what a taper may cut off without a trace
_NOISE = 0.01  # likewise, of noise that is no signal
_ABOVE_NOISE = 1.5  # times the largest sample of 20 ms, five standard deviations: no later one
_LEAST_QUIET_S = 0.02  # for a taper within the quiet; at 50 Hz one period
_POINTS_PER_DECADE = 2000  # a chord is off a corner of order two by less than 1e-6
_SILENCE_S = 2.0  # what rings at 8 Hz, where responses begin, with a Q of 4 falls to 4e-6 in it


def with_silence(samples: Floats, rate_hz: float) -> Complex:
    """Transform samples less their mean with silence behind them, into which they may ring.

    Parameters
    ----------
    samples : numpy.ndarray of float, shape (samples,)
        The signal.
    rate_hz : float
        Sampling rate [Hz].

    Returns
    -------
    numpy.ndarray of complex, shape (lines,)
        Fourier lines from 0 Hz on.
    """
    from scipy.fft import rfft

    return np.asarray(rfft(samples - samples.mean(), _size(samples.size, rate_hz)))


def _size(samples: int, rate_hz: float) -> int:
    """Samples with the silence behind them; as much as the signal is long, where it is short."""
    from scipy.fft import next_fast_len

    return int(next_fast_len(samples + min(samples, round(_SILENCE_S * rate_hz)), real=True))


def filtered(lines: Complex, response: Response, *, samples: int, rate_hz: float) -> Floats:
    """Send a signal through a response.

    Parameters
    ----------
    lines : numpy.ndarray of complex, shape (lines,)
        The signal's Fourier lines, as from `with_silence`.
    response : callable
        The response.
    samples : int
        How many samples the signal has.
    rate_hz : float
        Sampling rate [Hz].

    Returns
    -------
    numpy.ndarray of float, shape (samples,)
        The signal behind it.
    """
    from scipy.fft import irfft

    size = _size(samples, rate_hz)
    frequency = np.arange(1.0, float(lines.size)) * (rate_hz / size)
    behind = np.zeros_like(lines)
    np.multiply(lines[1:], _interpolated(response, frequency), out=behind[1:])
    return np.asarray(irfft(behind, size, overwrite_x=True)[:samples])


def _interpolated(response: Response, frequency_hz: Floats) -> Complex:
    """A smooth response at many frequencies, linear between fewer."""
    decades = math.log10(frequency_hz[-1] / frequency_hz[0])
    few = np.geomspace(frequency_hz[0], frequency_hz[-1], math.ceil(_POINTS_PER_DECADE * decades))
    if few.size >= frequency_hz.size:
        return response(frequency_hz)
    return np.asarray(np.interp(frequency_hz, few, response(few)))


def by_other_clock(samples: Floats, ratio: float) -> Floats:
    """Sample a signal anew by a clock that differs.

    Parameters
    ----------
    samples : numpy.ndarray of float, shape (samples,)
        The signal.
    ratio : float
        By how much the clock is slower, as a share.

    Returns
    -------
    numpy.ndarray of float, shape (samples,)
        The signal, its middle where it was.
    """
    middle = (samples.size - 1) / 2.0
    return resampled(samples, middle + (np.arange(float(samples.size)) - middle) * (1.0 + ratio))


def quiet_samples(stimulus: Floats, rate_hz: float, *, noisy: bool = False) -> int:
    """Count the samples of silence before a signal.

    Parameters
    ----------
    stimulus : numpy.ndarray of float, shape (samples,)
        The signal.
    rate_hz : float
        Sampling rate [Hz].
    noisy : bool, optional
        Whether noise 40 dB below the signal's peak is silence; else 60 dB are asked for, as a
        taper needs them.

    Returns
    -------
    int
        0 when it is shorter than 20 ms.
    """
    size, least = np.abs(stimulus), int(_LEAST_QUIET_S * rate_hz)
    level, first = _QUIET * float(size.max()), float(size[:least].max(initial=0.0))
    if noisy and first < _NOISE * float(size.max()):
        level = max(level, _ABOVE_NOISE * first)
    quiet = int(np.argmax(size > level))
    return quiet if quiet >= _LEAST_QUIET_S * rate_hz else 0
