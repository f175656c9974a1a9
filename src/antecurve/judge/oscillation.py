"""Lines on the tops of a square wave: oscillation or pick-up.

A linear unit comes to rest after each edge.  What swings on with one frequency at the end of the
tops is no part of its response, however short the record is and whether or not the line is a
multiple of the square wave.  Each top less a cubic gives a periodogram; those of all tops are
averaged (Welch, IEEE Trans. Audio Electroacoust. 15 (1967) 70), and a line is what exceeds the
level of its neighbours by more than noise does.  Upper and lower tops are looked at by themselves
as well: an oscillation may come in bursts on one of them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["TopLine", "line_on_tops", "tops_of"]

Floats = NDArray[np.float64]

_TOP_FROM, _TOP_TO = 0.25, 0.97  # of a half period: ringing is over, the next edge not yet there
_LEAST_SAMPLES = 40  # of a top: fewer leave no neighbours to tell the noise
_LEAST_TURNS = 8  # of a line within a top: below, a cubic and the window smear it
_NOT_NEAR_HALF = 3  # lines of the spectrum at half the sampling rate, where it is real
_NEIGHBOURS = 65  # lines of the spectrum whose median is the level of the noise
_CHANCE = 1e-6  # that noise shows a line somewhere in a record
_LEVEL_ERROR = 1.5  # the level of the noise is a median of few lines: known to a third
_STEPS = 0.5  # of a converter's step: its error, a sawtooth at most, has lines of 1/pi of it
_STEADY = 0.7  # late over early half of a top; ringing within it decays by more


@dataclass(frozen=True, slots=True)
class TopLine:
    """A line on the tops.

    Attributes
    ----------
    frequency_hz : float
        Its frequency as sampled [Hz].
    amplitude_v : float
        Its amplitude, quadratic mean over the tops [V].
    tops : str
        ``both``, ``upper`` or ``lower``: where it was seen.
    """

    frequency_hz: float
    amplitude_v: float
    tops: str


def tops_of(
    time_s: Floats, volts: Floats, *, frequency_hz: float, rising_s: float
) -> tuple[Floats, float]:
    """Cut the tops out of a record.

    Parameters
    ----------
    time_s : numpy.ndarray of float, shape (samples,)
        Times [s], ascending.
    volts : numpy.ndarray of float, shape (samples,)
        The record [V].
    frequency_hz : float
        Frequency of the square wave [Hz].
    rising_s : float
        Time of a rising edge [s].

    Returns
    -------
    tuple of numpy.ndarray and float
        Tops less a cubic [V], shape (tops, samples), upper and lower in turn with an upper one
        first, and the sampling rate [Hz]; no top where they are too short.
    """
    count = time_s.size
    rate = (count - 1) / float(time_s[-1] - time_s[0])
    even = np.abs(np.diff(time_s) * rate - 1.0).max() < 0.01
    if not even:
        volts = np.interp(np.linspace(time_s[0], time_s[-1], count), time_s, volts)
    half = 0.5 / frequency_hz
    size = int((_TOP_TO - _TOP_FROM) * half * rate)
    if size < _LEAST_SAMPLES:
        return np.zeros((0, 0)), rate
    first = math.ceil((time_s[0] - rising_s) / (2.0 * half) - 0.5 * _TOP_FROM)
    edges = rising_s + half * np.arange(2 * first, 2 * first + int(count / rate / half) + 2)
    start = np.ceil((edges + _TOP_FROM * half - time_s[0]) * rate).astype(int)
    start = start[: int(np.searchsorted(start, count - size + 1))]
    rows = volts[start[:, None] + np.arange(size)]
    trend = np.linalg.qr(np.polynomial.legendre.legvander(np.linspace(-1.0, 1.0, size), 3))[0]
    return rows - (rows @ trend) @ trend.T, rate


def line_on_tops(tops: Floats, rate_hz: float, *, step_v: float) -> TopLine | None:
    """Find the strongest line on the tops, if any stands out of noise.

    Parameters
    ----------
    tops : numpy.ndarray of float, shape (tops, samples)
        As of `tops_of`.
    rate_hz : float
        Sampling rate [Hz].
    step_v : float
        Step of the converter [V]; 0 for none.

    Returns
    -------
    TopLine or None
        ``None`` where noise, steps of the converter and ringing after edges explain the tops.
    """
    for which, chosen in (("both", tops), ("upper", tops[::2]), ("lower", tops[1::2])):
        line = _strongest(chosen, rate_hz, step_v) if len(chosen) else None
        if line is not None:
            return TopLine(*line, which)
    return None


def _strongest(tops: Floats, rate: float, step: float) -> tuple[float, float] | None:
    """Frequency [Hz] and amplitude [V] of the strongest line of these tops."""
    from scipy.special import gammaincinv

    count, size = tops.shape
    window = np.hanning(size)
    power = np.mean(np.abs(np.fft.rfft(tops * window, axis=1)) ** 2, axis=0)
    power = power[_LEAST_TURNS:-_NOT_NEAR_HALF]
    # The mean of n periodograms of noise is gamma distributed with shape n.
    median = float(gammaincinv(count, 0.5)) / count
    level = _running_median(power, min(_NEIGHBOURS, power.size)) / median
    most = _LEVEL_ERROR * float(gammaincinv(count, 1.0 - _CHANCE / power.size)) / count
    at = int(np.argmax(np.where(power > most * level, power, 0.0)))
    amplitude = 2.0 * math.sqrt(float(power[at])) / float(window.sum())
    if power[at] <= most * level[at] or amplitude < _STEPS * step:
        return None
    bins = float(at + _LEAST_TURNS)
    if 0 < at < power.size - 1:
        low, middle, high = np.log(np.maximum(power[at - 1 : at + 2], 1e-300))
        bins += 0.5 * float((low - high) / min(low - 2.0 * middle + high, -1e-12))
    turn = np.exp(-2j * np.pi * bins * np.arange(size) / size)
    early = np.abs(tops[:, : size // 2] @ turn[: size // 2])
    late = np.abs(tops[:, size - size // 2 :] @ turn[size - size // 2 :])
    if float(np.sqrt(np.mean(late**2))) < _STEADY * float(np.sqrt(np.mean(early**2))):
        return None
    return bins * rate / size, amplitude


def _running_median(values: Floats, count: int) -> Floats:
    """Medians of so many neighbours, the upper one of two; beyond the ends the last value holds.

    Importing scipy.ndimage for it takes longer than all there is to judge it for.
    """
    padded = np.pad(values, (count // 2, count - count // 2 - 1), mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, count)
    return np.asarray(np.partition(windows, count // 2, axis=1)[:, count // 2])
