"""Noise of a stimulus channel, which lowers the ratio of an output to it.

With X the stimulus, N the noise of its channel and H the response, the ratio tends to
H Sxx/(Sxx + Snn), whatever noise the output has (Bendat and Piersol, Random Data, on noise at the
input).  A record bounds Snn from above.  No part of the stimulus holds less than its noise; white
noise is as large in every other part.  And where the squared coherence is g, a share of 1 - g of
the stimulus is noise at most: the ratio lies between the estimates of both channels.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.record import quantisation_step

__all__ = ["least_of_noise", "noise_ceiling"]

Floats = NDArray[np.float64]

_BAND_HZ = (100.0, 14e3)  # below noise rises and hum stands, above converters' filters begin
_SHORT_S = 0.05  # two of them fit into the silence that a sweep needs about it
_MOST_SHORT = 400  # stretches, evenly spread: as many tell a silence of 1 % of a record
_LINES = 64  # whose mean power scatters by a sixth under a Hann window
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
    short = max(4 * _LINES, round(_SHORT_S * rate_hz))
    apart = max(short // 2, (stimulus.size - short) // _MOST_SHORT)
    starts = range(0, max(1, stimulus.size - short + 1), apart)
    stretches = [stimulus[s : s + short] for s in starts]
    # A stretch of equal samples was cut off or cut in: it tells nothing of the rest.
    parts = [stimulus, *(s for s in stretches if np.ptp(s) > 0.0)]
    cells = np.concatenate([_cells(part, rate_hz) for part in parts])
    rounding = quantisation_step(stimulus) ** 2 / 12.0
    least = max(rounding, _DIGITAL * float(np.max(np.abs(stimulus))) ** 2)
    scatter = least_of_noise(np.full(cells.size, _LINES / _BLUR))
    return max(least, float(np.min(cells / scatter)))


def _cells(part: Floats, rate_hz: float) -> Floats:
    """Mean squares that white noise of the power of each few neighbouring lines would have."""
    from scipy.fft import rfft

    window = np.hanning(part.size)
    lines = rfft((part - part.mean()) * window)
    first, last = (round(f * part.size / rate_hz) for f in _BAND_HZ)
    inside = lines[max(1, first) : min(last, lines.size - 1)]
    inside = inside[: max(1, inside.size // _LINES) * _LINES]
    power = (inside.real**2 + inside.imag**2) / float(window @ window)
    return np.asarray(power.reshape(-1, min(_LINES, power.size)).mean(axis=1))


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
