"""Tones of a record that hum stands on: what is left there is no response of the unit.

Between tones hum is noise, and the variance of a band tells it.  A tone on the mains frequency or
a multiple has the hum in its own line, in step with it over a record.  Its ratio is then off by
itself, where a response moves its neighbours too.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.hum import MAINS_HZ
from antecurve.judge.response_estimate import ResponseEstimate

__all__ = ["without_hum_on_tones"]

Floats = NDArray[np.float64]

_MULTIPLES = 10  # of the mains frequency: beyond, hum is far below a tone
_MAINS_OFF = 0.005  # of it: interconnected grids stay within 0.4 %
_TONE = 0.025  # of a frequency: a tone of a second; lines of a whole semitone spread by 0.034
_STANDS_OUT = 6.0  # standard deviations, and times what the bands beside it miss
_BESIDE = 3  # bands to either side
_WIDER = 3.0  # times what is missed: hum may as well be that much more or less


def without_hum_on_tones(
    estimate: ResponseEstimate,
) -> tuple[ResponseEstimate, tuple[float, ...]]:
    """Take the weight off tones at mains frequencies that are off by themselves.

    Parameters
    ----------
    estimate : ResponseEstimate
        Ratios over a fitted response.

    Returns
    -------
    tuple of ResponseEstimate and tuple of float
        With a wide variance there, and the frequencies of these tones [Hz].
    """
    middle = (estimate.low_hz + estimate.high_hz) / 2.0
    missed = np.log(np.abs(estimate.ratio))
    missed = np.abs(missed - np.median(missed))
    at = [
        k
        for k in np.flatnonzero(_on_mains(estimate, middle))
        if missed[k] > _STANDS_OUT * max(np.sqrt(estimate.variance[k]), _beside(missed, int(k)))
    ]
    variance = estimate.variance.copy()
    variance[at] += (_WIDER * missed[at]) ** 2
    return replace(estimate, variance=variance), tuple(float(f) for f in middle[at])


def _on_mains(estimate: ResponseEstimate, middle: Floats) -> NDArray[np.bool_]:
    """Bands of one tone at the mains frequency or a multiple."""
    mains = np.outer(MAINS_HZ, np.arange(1, _MULTIPLES + 1)).ravel()
    off = np.abs(middle[:, None] / mains - 1.0).min(axis=1)
    tone = estimate.high_hz - estimate.low_hz < _TONE * middle
    return np.asarray(tone & (off < _MAINS_OFF))


def _beside(missed: Floats, at: int) -> float:
    """What the bands beside one miss, in the median."""
    near = np.r_[missed[max(0, at - _BESIDE) : at], missed[at + 1 : at + 1 + _BESIDE]]
    return float(np.median(near)) if near.size else float("inf")
