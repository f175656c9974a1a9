"""Frequencies of square waves whose harmonics keep clear of hum."""

from __future__ import annotations

import numpy as np

from antecurve.judge.hum import MAINS_HZ

__all__ = ["LOW_SQUARE_HZ", "clear_frequency"]

LOW_SQUARE_HZ = 20.0
"""The frequency wished for where a capture is to show the low end [Hz]."""
_LINES = 3  # of the mains; higher ones are weaker
_OFF = 0.25  # of the frequency wished for: far enough to choose, near enough to serve as well
_EVEN = 2.0  # a square wave has next to no even harmonics


def clear_frequency(near_hz: float, *, mains_hz: float | None = None) -> float:
    """Find a frequency whose harmonics keep clear of the lines of hum.

    Parameters
    ----------
    near_hz : float
        The frequency wished for [Hz], 10 or greater.
    mains_hz : float, optional
        Mains frequency [Hz]; by default the frequency keeps clear of both 50 and 60 Hz.

    Returns
    -------
    float
        Of the whole frequencies [Hz] within a quarter of the one wished for, that whose
        harmonics are farthest from the first three lines in terms of the frequency itself; even
        harmonics may come half as near as odd ones.

    Examples
    --------
    >>> clear_frequency(20.0)  # 50 Hz lies between 46 and 69, 60 Hz below 69, 120 Hz above 115 Hz
    23.0
    """
    mains = MAINS_HZ if mains_hz is None else (mains_hz,)
    lines = np.outer(mains, np.arange(1.0, _LINES + 1.0)).ravel()
    tries = np.arange(np.ceil((1.0 - _OFF) * near_hz), (1.0 + _OFF) * near_hz + 0.5)
    position = lines / tries[:, None]
    odd = np.abs(position - 2.0 * np.round((position - 1.0) / 2.0) - 1.0)
    even = _EVEN * np.abs(position - 2.0 * np.round(position / 2.0))
    clearance = np.minimum(odd, even).min(axis=1)
    return float(tries[int(np.argmax(clearance))])
