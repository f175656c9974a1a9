"""Harmonics of a logarithmic sweep, set apart in time by deconvolution.

The response to a sweep that takes T from f1 to f2 holds the harmonic of order n ahead of the
linear part by T ln n/ln(f2/f1).  Source: A. Farina, AES 108th Convention, preprint 5093 (2000).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.played_record import PlayedRecord
from antecurve.signals.request import HIGHEST_SHARE

__all__ = ["SweepDistortion", "sweep_distortion"]

Floats = NDArray[np.float64]

_ORDERS = (2, 3, 4, 5)  # later ones crowd together in time
_AROUND_S = 0.25  # of silence taken in before and behind the sweep
_WIDTH = 0.4  # of the time to the next order: what a window takes to either side
_BLUR = 35.0 / 18.0  # lines of a Hann window that share their noise
_FLOOR = 1e-6  # of the strongest line: regulariser of the division
_POINTS_PER_OCTAVE = 3  # third octaves, as levels are usually read
_LOWEST_HZ = 40.0  # below, a window holds too few periods
_CLEAR_OF_EDGE = 0.8  # of the highest frequency: beyond, what the end of the band rings with
_TURNS = 4.0  # periods of a fundamental that a window must hold


@dataclass(frozen=True, slots=True, eq=False)
class SweepDistortion:
    """Harmonic distortion over frequency.

    Attributes
    ----------
    level_db : float
        Peak level of the stimulus re full scale [dB].
    frequency_hz : numpy.ndarray of float, shape (frequencies,)
        Frequencies of the fundamental [Hz].
    share : numpy.ndarray of float, shape (frequencies,)
        Power of the harmonics over that of the fundamental, noise taken off; may be below 0.
    deviation : numpy.ndarray of float, shape (frequencies,)
        Standard deviation of that.
    """

    level_db: float
    frequency_hz: Floats
    share: Floats
    deviation: Floats


def sweep_distortion(played: PlayedRecord) -> SweepDistortion | None:
    """Measure the harmonics of a played sweep.

    Parameters
    ----------
    played : PlayedRecord
        A record of a sweep.

    Returns
    -------
    SweepDistortion or None
        ``None`` where it is no sweep, or too short to set orders apart.
    """
    request = played.request
    if request is None or request.kind != "sweep":
        return None
    rate, (low_hz, high_hz) = played.record.rate_hz, request.ends_hz
    seconds = request.run_samples / request.rate_hz
    ahead = seconds / math.log(high_hz / low_hz)
    inside = played.step_samples(first=0, last=request.run_samples)
    around = round(_AROUND_S * rate)
    part = slice(max(0, inside.start - around), inside.stop + around)
    response = _deconvolved(played.record.stimulus[part], played.record.volts[part])
    width = _WIDTH * ahead * math.log(_ORDERS[-1] / _ORDERS[-2])
    lowest = max(_LOWEST_HZ, 2.0 * low_hz, _TURNS / width)
    reach_hz = _CLEAR_OF_EDGE * min(high_hz, HIGHEST_SHARE * rate)
    highest = reach_hz / 2.0
    if highest < 2.0 * lowest:
        return None
    count = int(_POINTS_PER_OCTAVE * math.log2(highest / lowest)) + 1
    hz = lowest * 2.0 ** (np.arange(count) / _POINTS_PER_OCTAVE)
    windows = _Windows(response, rate, width)
    first, _ = windows.power(0.0, hz)
    share, variance = np.zeros(count), np.zeros(count)
    for order in _ORDERS:
        reached = order * hz <= reach_hz
        at = np.where(reached, order * hz, hz)
        power, lines = windows.power(-ahead * math.log(order), at)
        # Halfway to the orders before and behind stands noise alone, of the same time.
        halves = [math.sqrt(order * (order + step)) for step in (-1, 1)]
        noise = sum(windows.power(-ahead * math.log(n), at)[0] for n in halves) / 2.0
        over = np.maximum(power - noise, 0.0)
        share += np.where(reached, power - noise, 0.0)
        scatter = _BLUR * (2.0 * over * noise + 2.0 * noise**2) / lines
        variance += np.where(reached, scatter, 0.0)
    return SweepDistortion(request.level_db[0], hz, share / first, np.sqrt(variance) / first)


def _deconvolved(stimulus: Floats, output: Floats) -> Floats:
    """The response in time, harmonics at times before 0, which stand at the end."""
    from scipy.fft import irfft, next_fast_len, rfft

    size = next_fast_len(2 * stimulus.size, real=True)
    one, other = rfft(stimulus, size), rfft(output, size)
    power = np.abs(one) ** 2
    return np.asarray(irfft(other * one.conj() / (power + _FLOOR * power.max()), size))


@dataclass(frozen=True, slots=True, eq=False)
class _Windows:
    """Parts of a response in time."""

    response: Floats
    rate_hz: float
    width_s: float

    def power(self, middle_s: float, frequency_hz: Floats) -> tuple[Floats, Floats]:
        """Compute the power about a time, means over third octaves, and the lines in each."""
        half = round(self.width_s * self.rate_hz)
        middle = round(middle_s * self.rate_hz)
        position = (middle + np.arange(-half, half + 1)) % self.response.size
        power = np.abs(np.fft.rfft(self.response[position] * np.hanning(position.size))) ** 2
        hertz = np.arange(power.size) * (self.rate_hz / position.size)
        total = np.concatenate([[0.0], np.cumsum(power)])
        low, high = (np.searchsorted(hertz, frequency_hz * 2.0**e) for e in (-1 / 6, 1 / 6))
        high = np.maximum(high, low + 1)
        return (total[high] - total[low]) / (high - low), np.asarray(high - low, dtype=float)
