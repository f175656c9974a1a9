"""Noise of a stimulus channel, which lowers the ratio of an output to it.

With X the stimulus, N the noise of its channel and H the response, the ratio tends to
H Sxx/(Sxx + Snn), whatever noise the output has (Bendat and Piersol, Random Data, on noise at the
input).  A record bounds Snn from above.  No part of the stimulus holds less than its noise; white
noise is as large in every other part.  And where the squared coherence is g, a share of 1 - g of
the stimulus is noise at most: the ratio lies between the estimates of both channels.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.record import quantisation_step

__all__ = ["least_of_noise", "noise_ceiling"]

Floats = NDArray[np.float64]

_FROM_HZ = 100.0  # below noise rises and hum stands
_FILTERS_FROM_HZ = 14e3  # of converters at 32 kHz
_HIGHEST_SHARE = 0.45  # of the sampling rate, as of responses
_STEP = 2.0 ** (1.0 / 6.0)  # of frequency, in which a filter falls by far
_FILTERED = 0.1  # of the power a third of an octave below; music and noise fall by a few dB
_STRETCHES = ((0.05, 64), (0.2, 32))
"""Length [s] of stretches and lines of a cell: for silence, of which a sweep needs 0.1 s, and for
gaps between tones that last."""
_MOST_STRETCHES = 400  # evenly spread: as many tell a silence of 1 % of a record
_LINES = 64  # of a cell of the whole record: their mean scatters by a sixth under a Hann window
_BLUR = 35.0 / 18.0  # sum w^4 N/(sum w^2)^2 of a Hann window: lines that share their noise
_RISK = 0.025  # that some cell lies as far below the noise
_DIGITAL = 1e-14  # of the peak's square, 140 dB: no converter is that quiet


def noise_ceiling(stimulus: Floats, rate_hz: float) -> float:
    """Bound the white noise of a recorded stimulus from above.

    Parameters
    ----------
    stimulus : numpy.ndarray of float, shape (samples,)
        The recorded stimulus.
    rate_hz : float
        Sampling rate [Hz].

    Returns
    -------
    float
        Its largest mean square, over all frequencies up to half the sampling rate.
    """
    band_hz = (_FROM_HZ, _unfiltered_hz(stimulus, rate_hz))
    bounds = [_least([stimulus], rate_hz, band_hz, lines=_LINES)]
    for seconds, lines in _STRETCHES:
        size = min(stimulus.size, max(4 * lines, round(seconds * rate_hz)))
        apart = max(size // 2, (stimulus.size - size) // _MOST_STRETCHES)
        starts = range(0, stimulus.size - size + 1, apart)
        stretches = [stimulus[s : s + size] for s in starts]
        # A stretch of equal samples was cut off or cut in: it tells nothing of the rest.
        sounding = [s for s in stretches if np.ptp(s) > 0.0]
        bounds.append(_least(sounding, rate_hz, band_hz, lines=lines))
    rounding = quantisation_step(stimulus) ** 2 / 12.0
    return max(rounding, _DIGITAL * float(np.max(np.abs(stimulus))) ** 2, min(bounds))


def _least(
    parts: Sequence[Floats], rate_hz: float, band_hz: tuple[float, float], *, lines: int
) -> float:
    """The least mean square that white noise of the power of a few neighbouring lines has."""
    cells = [np.zeros(0)]
    for part in parts:
        first, last = (round(f * part.size / rate_hz) for f in band_hz)
        power = _power(part)[max(1, first) : last]
        power = power[: power.size // lines * lines]
        cells.append(power.reshape(-1, lines).mean(axis=1))
    every = np.concatenate(cells)
    scatter = least_of_noise(np.full(max(1, every.size), lines / _BLUR))
    return float(np.min(every, initial=np.inf)) / float(scatter[0])


def _power(part: Floats) -> Floats:
    """Power of each line; of white noise its mean square."""
    from scipy.fft import rfft

    window, of_noise = _window(part.size)
    lines = rfft((part - part.mean()) * window)
    return np.asarray((lines.real**2 + lines.imag**2) / of_noise)


@lru_cache(maxsize=3)
def _window(size: int) -> tuple[Floats, float]:
    """A Hann window, and the power that white noise of a mean square of 1 has behind it."""
    window = np.hanning(size)
    return window, float(window @ window)


def _unfiltered_hz(stimulus: Floats, rate_hz: float) -> float:
    """Frequency up to which no filter of a converter takes the noise away."""
    highest = _HIGHEST_SHARE * rate_hz
    power, at = _power(stimulus), _FILTERS_FROM_HZ / _STEP**2
    means = []
    while at * _STEP <= highest:
        first, last = (round(f * stimulus.size / rate_hz) for f in (at, at * _STEP))
        means.append(float(power[first:last].mean()))
        if len(means) > 2 and means[-1] < _FILTERED * means[-3]:
            return at / _STEP
        at *= _STEP
    return highest


def least_of_noise(free_lines: Floats) -> Floats:
    """Compute the share of their mean that powers of noise alone exceed, but for a small risk.

    The mean of the squares of M lines has a gamma distribution of shape M.

    Parameters
    ----------
    free_lines : numpy.ndarray of float, shape (cells,)
        Independent lines of each cell.

    Returns
    -------
    numpy.ndarray of float, shape (cells,)
        Shares that all cells exceed with a probability of 97.5 %.
    """
    from scipy.special import gammaincinv

    return np.asarray(gammaincinv(free_lines, _RISK / free_lines.size) / free_lines)
