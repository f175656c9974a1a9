"""Slow movement of a record: its mean and its swing from period to period.

The mean over one period of the square wave holds nothing of it, whatever the response.  What a
unit that settles, a drift and hum leave there is small or goes one way; a unit whose supply or
bias oscillates below the audio band (motor-boating) moves it by much, or to and fro.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["SlowMovement", "slow_movement"]

Floats = NDArray[np.float64]

_POINTS = 400  # of the moving mean: many more than the turns of a slow movement
_WITHOUT_HUM_S = 0.1  # whole cycles of 50 and of 60 Hz
_LONG = 3.5  # of that window: a movement within a record so long shows its turns
_DRIFT_ORDER = 2  # a drift that settles bends, but does not turn back


@dataclass(frozen=True, slots=True)
class SlowMovement:
    """How a record moves from period to period.

    Attributes
    ----------
    mean : float
        Range of the mean over a period, over the swing of the square wave.
    to_and_fro : float
        Range of what a bent drift leaves of it, over the swing; 0 for a record too short to tell.
    turns_back : float
        Range of the mean beyond the distance of its ends, over the swing: 0 for what goes one way,
        and for a record of less than 0.1 s, in which hum turns back.
    swing : float
        Range of the swing itself over its median.
    """

    mean: float
    to_and_fro: float
    turns_back: float
    swing: float


def slow_movement(
    time_s: Floats, volts: Floats, *, frequency_hz: float, swing_v: float
) -> SlowMovement:
    """Measure how mean and swing move over a record.

    Parameters
    ----------
    time_s : numpy.ndarray of float, shape (samples,)
        Times [s], ascending.
    volts : numpy.ndarray of float, shape (samples,)
        The record, hum taken out where it is known [V].
    frequency_hz : float
        Frequency of the square wave [Hz].
    swing_v : float
        Swing of the fitted waveform [V].

    Returns
    -------
    SlowMovement
        Shares of the swing.
    """
    period = 1.0 / frequency_hz
    length = float(time_s[-1] - time_s[0])
    size = np.abs(_fundamental(time_s, volts, frequency_hz))
    long = length >= _LONG * _WITHOUT_HUM_S
    window = period * math.ceil(_WITHOUT_HUM_S / period) if long else period
    at, mean = _moving_mean(time_s, volts, window)
    bent = np.polynomial.Polynomial.fit(at, mean, _DRIFT_ORDER)(at)
    to_and_fro = float(np.ptp(mean - bent)) / swing_v if long else 0.0
    changed = float(np.ptp(size) / np.median(size))
    moved, apart = float(np.ptp(mean)), abs(float(mean[-1] - mean[0]))
    back = (moved - apart) / swing_v if length >= _WITHOUT_HUM_S else 0.0
    return SlowMovement(moved / swing_v, to_and_fro, back, changed)


def _fundamental(time_s: Floats, volts: Floats, frequency_hz: float) -> NDArray[np.complex128]:
    """Amplitude over a period that moves along the record, a bent drift of the mean taken off.

    Of narrow peaks the fundamental is small, and a drift much of it.
    """
    period = 1.0 / frequency_hz
    start, mean = _moving_mean(time_s, volts, period)
    drift = np.polynomial.Polynomial.fit(start + period / 2.0, mean, _DRIFT_ORDER)(time_s)
    turn = np.exp(-2j * math.pi * frequency_hz * time_s)
    return np.asarray(_moving_mean(time_s, (volts - drift) * turn, period)[1])


def _moving_mean(
    time: Floats, values: NDArray[np.inexact], window: float
) -> tuple[Floats, NDArray[np.inexact]]:
    """Mean over a window that moves along the record, with the time of its start."""
    steps = np.diff(time) * (values[1:] + values[:-1]) / 2.0
    integral = np.concatenate([[0.0], np.cumsum(steps)])
    start = np.linspace(time[0], max(time[0], time[-1] - window), _POINTS)
    ends = np.interp(np.stack([start, start + window]), time, integral)
    return start, (ends[1] - ends[0]) / window
