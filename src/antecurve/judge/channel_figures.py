"""Figures of two channels: crosstalk into one that idles, and how alike they are."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.match import channel_match
from antecurve.judge.unit_figure import UnitFigure
from antecurve.judge.verdict import Verdict

__all__ = ["crosstalk_figures", "match_figures"]

Floats = NDArray[np.float64]

_POINTS_HZ = {"crosstalk_1khz": 1e3, "crosstalk_10khz": 10e3}
_HALF_BAND = 2.0 ** (1.0 / 6.0)  # a third of an octave about each
_DB_PER_NEPER = 20.0 / math.log(10.0)
_SEEN = 2.0  # standard deviations: below, crosstalk is a bound
_QUIET_END = 1e-9  # of the power: a band without signal


def crosstalk_figures(driven: Floats, idle: Floats, rate_hz: float) -> list[UnitFigure]:
    """Measure what of one channel's output stands in another's.

    The least-squares ratio over the lines of a third of an octave, with the variance that what
    it leaves has (Bendat and Piersol, Random Data, chapter 9).

    Parameters
    ----------
    driven, idle : numpy.ndarray of float, shape (samples,)
        Outputs of the channel with the signal and of the one whose input idles.
    rate_hz : float
        Sampling rate [Hz].

    Returns
    -------
    list of UnitFigure
        At 1 kHz and 10 kHz, where the signal reaches.
    """
    window = np.hanning(driven.size)
    one, other = (np.fft.rfft((x - x.mean()) * window) for x in (driven, idle))
    hz = np.fft.rfftfreq(driven.size, 1.0 / rate_hz)
    whole = float(np.sum(np.abs(one) ** 2))
    figures = []
    for name, centre in _POINTS_HZ.items():
        inside = (hz >= centre / _HALF_BAND) & (hz <= centre * _HALF_BAND)
        power = float(np.sum(np.abs(one[inside]) ** 2))
        if power <= _QUIET_END * whole:
            continue
        ratio = complex(np.vdot(one[inside], other[inside])) / power
        noise = float(np.sum(np.abs(other[inside] - ratio * one[inside]) ** 2))
        weight = np.abs(one[inside]) ** 2
        # Noise is equally strong in all lines; a Hann window halves those that are independent.
        deviation = math.sqrt(2.0 * noise / max(1, int(inside.sum()) - 2) / float(weight.sum()))
        level = abs(ratio)
        condition = "re the output of the driven channel"
        if level > _SEEN * deviation:
            reach = _DB_PER_NEPER * math.log1p(_SEEN * deviation / level)
            figures.append(UnitFigure(name, _decibels(level), reach, "", condition))
        else:
            most = _decibels(level + _SEEN * deviation)
            figures.append(UnitFigure(name, most, 0.0, "at most", condition))
    return figures


def match_figures(first: Verdict, second: Verdict) -> list[UnitFigure]:
    """Measure how alike two channels are.

    Parameters
    ----------
    first, second : Verdict
        Verdicts on both channels, judged through the same network, with their figures.

    Returns
    -------
    list of UnitFigure
        Match, and balance where both were captured alike.

    Raises
    ------
    InputError
        When the bands differ.
    """
    match = channel_match(first, second)
    at = match.largest
    difference = float(match.difference_db[at])
    reach = float(match.expanded_uncertainty_db[at])
    words = f"at {match.frequency_hz[at]:.0f} Hz, second channel less first"
    figures = [UnitFigure("match", difference, reach, "", words)]
    if match.gain_difference_db is not None:
        words = "second channel less first, if captured at the same settings"
        reach = _balance_uncertainty(first, second)
        figures.append(UnitFigure("balance", match.gain_difference_db, reach, "", words))
    return figures


def _balance_uncertainty(first: Verdict, second: Verdict) -> float:
    """Expanded uncertainty of the difference of gains [dB].

    Of waveforms the gain is known as well as the response is, on average over the band.
    """
    parts = []
    for verdict in (first, second):
        gains = [f.own_uncertainty for f in verdict.figures if f.name == "gain"]
        parts.append(gains[0] if gains else float(np.mean(verdict.deviation.capture_part_db)))
    return math.hypot(*parts)


def _decibels(ratio: float) -> float:
    return 20.0 * math.log10(max(ratio, 1e-15))
