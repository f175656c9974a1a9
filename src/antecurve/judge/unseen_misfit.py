"""What a shape that the model lacks may be where captures show nothing.

Below the lowest and above the highest frequency seen the shape that the model lacks may go on.
A low end of three corners lacks (f_0/f)^4, a top of two poles (f/f_0)^6 of the squared magnitude:
so fast a misfit may grow at most beyond the octave next to it.  Between harmonics farther apart
than a third octave it may be a peak of which they show the skirts: of a peak a/(1 + jQx) remains
a/(Qx), x = f/f_0 - f_0/f.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.advice import LOW_SQUARE_HZ, clear_frequency
from antecurve.judge.observation import Observation, ResidualFinding, ResidualKind
from antecurve.quantities import format_quantity

__all__ = ["beyond_seen", "seen_range_hz", "wide_gaps"]

Floats = NDArray[np.float64]

_LOW_POWER, _HIGH_POWER = 4, 6  # first powers of frequency that a unit's shapes lack
_OCTAVE = 2.0  # twice the frequency
_THIRD = 1.0 / 3.0  # of an octave: means over so much are what a misfit is told by
_GAP_QUALITY = 20.0  # of a peak between harmonics: notch filters against hum are hardly narrower
_POINTS = 24  # of the band beyond what is seen: fewer than 0.6 octaves apart from 20 kHz to 20 Hz
_WORTH_A_CAPTURE_DB = 0.05  # by judgement: below what a usual bench resolves
_ANYTHING_DB = 30.0  # beyond, a number says nothing


def seen_range_hz(observations: Sequence[Observation]) -> tuple[float, float]:
    """Find the frequencies that captures show.

    Parameters
    ----------
    observations : sequence of Observation
        The captures.

    Returns
    -------
    tuple of float
        The lowest and the highest [Hz].
    """
    lowest = min(float(o.frequency_hz[0]) for o in observations)
    return lowest, max(float(o.frequency_hz[-1]) for o in observations)


def beyond_seen(
    findings: Sequence[ResidualFinding],
    seen_hz: Floats,
    band_hz: tuple[float, float],
    *,
    sizes: Callable[[], tuple[Floats, Floats]] | None,
    mains_hz: float | None = None,
) -> tuple[ResidualFinding, ...]:
    """Let misfits reach beyond the frequencies that the captures show, and between them.

    Parameters
    ----------
    findings : sequence of ResidualFinding
        What the fit does not describe.
    seen_hz : numpy.ndarray of float, shape (frequencies,)
        Frequencies that the captures show [Hz], in ascending order.
    band_hz : tuple of float
        The band judged [Hz].
    sizes : callable or None
        Computes frequencies [Hz] and how far the fit surely misses there, phase included [dB];
        ``None`` where harmonics are not the response of a unit.
    mains_hz : float, optional
        Mains frequency [Hz], of which advised square waves keep clear; by default of 50 and 60 Hz.

    Returns
    -------
    tuple of ResidualFinding
        The same, those of a misfit up to the ends of the band, and one more of what it may be
        between harmonics, each with the capture that would settle it.
    """
    if all(f.kind is not ResidualKind.MISFIT for f in findings):
        return tuple(findings)
    ends = (float(seen_hz[0]), float(seen_hz[-1]))
    reached = [
        _reaching_out(f, ends, band_hz, mains_hz) if f.kind is ResidualKind.MISFIT else f
        for f in findings
    ]
    gaps = wide_gaps(seen_hz, band_hz)
    if sizes is None or not gaps:
        return tuple(reached)
    return (*reached, *_between_seen(gaps, *sizes(), mains_hz=mains_hz))


def _between_seen(
    gaps: Sequence[tuple[float, float]], at_hz: Floats, size_db: Floats, *, mains_hz: float | None
) -> tuple[ResidualFinding, ...]:
    """What a misfit may be in the gaps between the frequencies seen."""
    within, reach = [], []
    for low, high in gaps:
        frequency = np.geomspace(low, high, _POINTS)
        apart = np.minimum(np.log2(frequency / low), np.log2(high / frequency))
        beside = 2.0 * np.sinh(math.log(2.0) * np.maximum(apart - _THIRD / 2.0, 0.0))
        within.append(frequency)
        reach.append(_GAP_QUALITY * beside * _size_about(at_hz, size_db, low, high))
    every, every_db = np.concatenate(within), np.concatenate(reach)
    worst = int(np.argmax(every_db))
    if every_db[worst] <= _WORTH_A_CAPTURE_DB:
        return ()
    low, high = gaps[worst // _POINTS]
    near_hz = math.sqrt(low * high)
    text = (
        f"No harmonic shows what the shape that the model lacks is between {_hertz(low)} and "
        f"{_hertz(high)}. There it may be {_decibels(every_db[worst])}: a square wave of "
        f"{clear_frequency(near_hz, mains_hz=mains_hz):.0f} Hz settles it"
    )
    kind, at = ResidualKind.BETWEEN_HARMONICS, float(every[worst])
    return (ResidualFinding(kind, "", text, at, every, 0.0 * every, every_db),)


def wide_gaps(seen_hz: Floats, band_hz: tuple[float, float]) -> list[tuple[float, float]]:
    """List neighbours among frequencies that are more than a third octave apart.

    Parameters
    ----------
    seen_hz : numpy.ndarray of float, shape (frequencies,)
        Frequencies [Hz], in ascending order.
    band_hz : tuple of float
        The band judged [Hz]; gaps outside it don't count.

    Returns
    -------
    list of tuple of float
        The lower and the higher frequency of each gap [Hz].
    """
    pairs = zip(seen_hz[:-1].tolist(), seen_hz[1:].tolist(), strict=True)
    return [
        (low, high)
        for low, high in pairs
        if high > low * _OCTAVE**_THIRD and low < band_hz[1] and high > band_hz[0]
    ]


def _size_about(frequency: Floats, size: Floats, low_hz: float, high_hz: float) -> float:
    """How large a misfit is within an octave of a span, or on the whole where that is more."""
    # A misfit anywhere bends the fit, and with it what it says elsewhere.
    mean = float(np.sqrt(np.mean(size**2))) if size.size else 0.0
    near = (frequency >= low_hz / _OCTAVE) & (frequency <= high_hz * _OCTAVE)
    return max(mean, float(size[near].max(initial=0.0)))


def _reaching_out(
    finding: ResidualFinding,
    seen_hz: tuple[float, float],
    band_hz: tuple[float, float],
    mains_hz: float | None,
) -> ResidualFinding:
    """A misfit extended to the ends of the band."""
    frequency, own, size = finding.misfit_hz, finding.misfit_db, finding.uncertainty_db
    texts = [finding.text]
    low = low_db = high = high_db = np.zeros(0)
    lowest, highest = seen_hz
    if band_hz[0] < lowest:
        low, low_db = _beyond(finding, band_hz[0], lowest, _LOW_POWER)
    if band_hz[1] > highest:
        high, high_db = _beyond(finding, band_hz[1], highest, _HIGH_POWER)
    if low_db.max(initial=0.0) > _WORTH_A_CAPTURE_DB:
        near_hz = LOW_SQUARE_HZ / (1.0 if lowest > _OCTAVE * LOW_SQUARE_HZ else _OCTAVE)
        texts.append(
            f"below {_hertz(lowest)} it may be {_decibels(low_db[0])}: a square wave of "
            f"{clear_frequency(near_hz, mains_hz=mains_hz):.0f} Hz settles it"
        )
    if high_db.max(initial=0.0) > _WORTH_A_CAPTURE_DB:
        texts.append(
            f"above {_hertz(highest)} it may be {_decibels(high_db[0])}: a capture that "
            f"reaches {_hertz(band_hz[1])} settles it"
        )
    return replace(
        finding,
        text="; ".join(texts),
        misfit_hz=np.concatenate([low, frequency, high[::-1]]),
        misfit_db=np.concatenate([0.0 * low + own[0], own, 0.0 * high + own[-1]]),
        uncertainty_db=np.concatenate([low_db, size, high_db[::-1]]),
    )


def _beyond(
    finding: ResidualFinding, end_hz: float, seen_hz: float, power: int
) -> tuple[Floats, Floats]:
    """Frequencies from an end of the band to what is seen, and what a misfit may be there [dB]."""
    frequency = finding.misfit_hz
    near = np.abs(np.log2(frequency / seen_hz)) <= 1.0
    if not near.any():
        return np.zeros(0), np.zeros(0)
    size = np.hypot(finding.misfit_db, finding.uncertainty_db)
    # A misfit anywhere bends the fit, and with it what it says of the ends.
    start = max(float(np.sqrt(np.mean(size**2))), float(size[near].max()))
    beyond = np.geomspace(end_hz, seen_hz, _POINTS, endpoint=False)
    return beyond, start * np.exp(power * np.abs(np.log(beyond / seen_hz)))


def _hertz(frequency: float) -> str:
    return format_quantity(frequency, "Hz", digits=3)


def _decibels(size: float) -> str:
    return f"{size:.2g} dB" if size < _ANYTHING_DB else "anything"
