"""Clicks: a few samples of a channel that nothing explains, and all about them is explained.

A switch thrown nearby or a bit that was lost puts a spike on one channel.  Where samples are
missing the waveforms jump instead: that is no spike, and is told elsewhere.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["both_jump", "click_window", "is_spike", "isolated_click", "starts_or_stops"]

Floats = NDArray[np.float64]

_NARROW = 8  # samples to either side: a spike behind the filters of a converter
_BLOCK_S = 0.005  # to either side, in which a spike stands alone
_BESIDE_S = 0.2  # to either side, in which noise, hum and what is distorted change little
_STANDS_OUT = 2.4  # times the largest beside it, as of a multitone that clips now and then 2.1
_CONCENTRATED = 0.8  # of the energy beyond noise: of a step a tenth
_JUMPS = 1.5  # times the sharpest beside: a sine that goes on is a hundredth of a jump
_SILENT = 0.1  # of the sharpness beside: where a signal stops; a loud chord begins by less
_MEDIAN_SQUARE = 0.455  # of a normal variable of variance 1
_REPLACED_S = 0.02  # to either side: six times the longest time constant of the disc curve


def isolated_click(missed: Floats, rate_hz: float) -> int | None:
    """Find the sharpest spike of what is not explained, if it stands alone.

    Parameters
    ----------
    missed : numpy.ndarray of float, shape (samples,)
        What the other channel does not explain.
    rate_hz : float
        Sampling rate [Hz].

    Returns
    -------
    int or None
        Its sample; ``None`` where none stands alone.
    """
    block, beside = (round(s * rate_hz) for s in (_BLOCK_S, _BESIDE_S))
    if missed.size < 2 * beside:
        return None
    sharp = np.abs(np.diff(missed, 2))
    at = block + int(np.argmax(sharp[block:-block]))
    if sharp[at] <= _STANDS_OUT * _largest_beside(sharp, at, rate_hz):
        return None
    at += 1  # the middle one of the three samples
    return at if is_spike(missed, at, rate_hz=rate_hz) else None


def is_spike(missed: Floats, at: int, *, rate_hz: float) -> bool:
    """Tell a spike from a step: a few samples hold all that is not explained about it.

    Parameters
    ----------
    missed : numpy.ndarray of float, shape (samples,)
        What the other channel does not explain.
    at : int
        Its sharpest sample.
    rate_hz : float
        Sampling rate [Hz].

    Returns
    -------
    bool
        Whether four fifths of the energy beyond noise lie within 8 samples to either side.
    """
    block = round(_BLOCK_S * rate_hz)
    window = missed[max(0, at - block) : at + block]
    near = np.concatenate(
        [missed[max(0, at - 3 * block) : max(0, at - block)], missed[at + block :][:block]]
    )
    middle = float(np.median(window))
    noise = float(np.median((near - np.median(near)) ** 2)) / _MEDIAN_SQUARE
    spike = missed[max(0, at - _NARROW) : at + _NARROW + 1]
    own = float(np.sum((spike - middle) ** 2)) - noise * spike.size
    whole = float(np.sum((window - middle) ** 2)) - noise * window.size
    return own > _CONCENTRATED * whole > 0.0


def both_jump(one: Floats, other: Floats, at: int, *, rate_hz: float) -> bool:
    """Tell whether two channels jump at once: samples are missing in both.

    Parameters
    ----------
    one, other : numpy.ndarray of float, shape (samples,)
        The channels, one over the other.
    at : int
        Sample.
    rate_hz : float
        Sampling rate [Hz].

    Returns
    -------
    bool
        Whether each is sharper there than beside it.
    """
    sharp = [np.abs(np.diff(x, 2)) for x in (one, other)]
    near = slice(max(0, at - _NARROW), at + _NARROW)
    return all(float(s[near].max()) > _JUMPS * _largest_beside(s, at, rate_hz) for s in sharp)


def starts_or_stops(signal: Floats, at: int, *, rate_hz: float) -> bool:
    """Tell whether a signal begins or ends: what an estimate leaves there is no click.

    Parameters
    ----------
    signal : numpy.ndarray of float, shape (samples,)
        The stimulus.
    at : int
        Sample.
    rate_hz : float
        Sampling rate [Hz].

    Returns
    -------
    bool
        Whether one side is ten times as sharp as the other.
    """
    block = round(_BLOCK_S * rate_hz)
    before = np.diff(signal[max(0, at - block) : max(0, at - _NARROW)], 2)
    after = np.diff(signal[at + _NARROW : at + block], 2)
    one, other = (float(np.abs(x).max(initial=0.0)) for x in (before, after))
    return min(one, other) < _SILENT * max(one, other)


def _largest_beside(sharp: Floats, at: int, rate_hz: float) -> float:
    """The largest on both sides, but for the nearest block; infinite at the ends."""
    block, beside = (round(s * rate_hz) for s in (_BLOCK_S, _BESIDE_S))
    before, after = sharp[max(0, at - beside) : at - block], sharp[at + block :][:beside]
    return float(max(before.max(), after.max())) if before.size and after.size else np.inf


def click_window(places: list[int], samples: int, *, rate_hz: float) -> Floats:
    """Make a window that is 1 about clicks and falls to 0 smoothly.

    Parameters
    ----------
    places : list of int
        Samples of the clicks.
    samples : int
        Length of the record.
    rate_hz : float
        Sampling rate [Hz].

    Returns
    -------
    numpy.ndarray of float, shape (samples,)
        From 0 to 1.
    """
    reach = round(_REPLACED_S * rate_hz)
    bump = np.minimum(1.0, 2.0 * np.hanning(2 * reach + 1))
    window = np.zeros(samples)
    for at in places:
        first, last = max(0, at - reach), min(samples, at + reach + 1)
        part = bump[first - at + reach : last - at + reach]
        window[first:last] = np.maximum(window[first:last], part)
    return window
