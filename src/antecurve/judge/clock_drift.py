"""A difference between the clocks that played and recorded, by the delays of parts of a record.

A record is cut to stretches of time and half octaves.  Where the signal sounds in such a cell, the
slope of the cross spectrum's phase tells by how much the output is late there, whatever the unit's
phase itself is.  Clocks that differ make the delay grow with time: of a lasting signal from stretch
to stretch, of a sweep from half octave to half octave.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import InputError

__all__ = [
    "CellDelay",
    "cell_delays",
    "clock_difference",
    "coarse_difference",
    "drifting_clocks",
    "half_octaves",
    "refuse_wandering",
    "stretch_delays",
]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

_STRETCHES = 8  # over which the delay is followed
_LEAST_STRETCH = 2000  # samples: forty lines in the lowest half octave at 48 kHz
_LOWEST_HZ = 300.0  # below, low corners turn the phase more than a delay does
_HIGHEST_SHARE = 0.45  # of the sampling rate; converters' filters begin there
_HALF_OCTAVE = math.sqrt(2.0)
_LEAST_LINES = 12  # of a cell: a peak of noise reaches 0.7 once in a thousand
_SOUNDS = 1e-3  # of the power of the loudest stretch at these frequencies
_COHERENT = 0.7  # of the correlation's largest: two delays within a cell have less, noise far less
_AS_HIGH = 0.95  # of the highest peak: tones differ by their noise; of noise there is one peak
_TAPERED = 1.4  # times the deviation: neighbouring lines share noise through the window
_LEAST_DEVIATION = 1e-3  # samples: what tapering alone moves a delay by
_FINER = 8  # points of the correlation a line: its peak to an eighth of a period of the band
_TOLERANCE = 0.05  # of a time constant: changes a delay by a twentieth of a radian's time
_UNKNOWN_CORNER_HZ = 10.0  # a low corner not in the response turns by 10 Hz / f
_UNKNOWN_DELAY_S = 2e-7  # by which a high corner's delay changes up to 20 kHz
_OUTLIER = 4.0  # standard deviations
_ROUNDS = 4  # of the fit without what stands out
_PIECE = 8192  # samples, in which clocks 1,000 ppm apart drift by eight: a fifth of 2 kHz at 96 kHz
_COARSE_HZ = 5e3  # above, such a drift turns a phase within a piece
_COARSE_SAMPLES = 8.0  # by which delays of pieces scatter so
_LEAST_PIECES, _MOST_PIECES = 6, 24  # of which a median bears a third of wrong ones
_LEAST_CELLS = 4  # two parameters, and as many to tell what stands out
_LEAST_SPAN = 0.2  # of the record, between the first and the last cell
_CLOCKS_DIFFER = 4.0  # standard deviations of the slope; by chance once in 16,000 records
_NOTABLE_DRIFT = 0.01  # samples over the record: turns the top of the band by 0.03 rad
_FARTHEST = {True: 1e-3, False: 3e-3}  # of a sweep twice what crystals differ by: more is a gap
_WANDERS_S = 8e-7  # root mean square: lowers 20 kHz by 0.04 dB
_STOPS_S = 1e-3  # more is no clock: the output stops or jumps
_LEAST_STRETCHES = 5  # a line leaves three, of which one may be off by itself
_WANDERS = 10.0  # times the scatter of cells about a course: by chance once in 1e6 records
_SURE_DELAY = 0.2  # samples: far below a step of the delay that counts


@dataclass(frozen=True, slots=True)
class CellDelay:
    """By how much the output is late at some time and frequency.

    Attributes
    ----------
    stretch : int
        Number of the stretch of time.
    time : float
        When the signal sounds in it, on average [samples].
    frequency_hz : float
        Middle of the half octave [Hz].
    delay : float
        Delay [samples].
    deviation : float
        Its standard deviation by noise [samples].
    """

    stretch: int
    time: float
    frequency_hz: float
    delay: float
    deviation: float


def cell_delays(flat: Floats, output: Floats, rate_hz: float) -> list[CellDelay]:
    """Measure delays over stretches of time and half octaves.

    Parameters
    ----------
    flat, output : numpy.ndarray of float, shape (samples,)
        The stimulus behind a response that is nearly right, and the output.
    rate_hz : float
        Sampling rate [Hz].

    Returns
    -------
    list of CellDelay
        Where the signal sounds and the output follows it.
    """
    from scipy.fft import rfft

    length = flat.size // _STRETCHES
    if length < _LEAST_STRETCH:
        return []
    window = np.hanning(length)
    parts = (x[: _STRETCHES * length].reshape(_STRETCHES, length) for x in (flat, output))
    flat, output = ((x - x.mean(axis=1, keepdims=True)) * window for x in parts)
    one, other = rfft(flat, axis=1), rfft(output, axis=1)
    cross, power = other * one.conj(), np.abs(one) ** 2
    moment = (rfft(flat * np.arange(float(length)), axis=1) * one.conj()).real
    angle = 2.0 * math.pi * np.arange(power.shape[1]) / length
    told = []
    for lines, middle_hz in half_octaves(rate_hz, length=length):
        level = power[:, lines].sum(axis=1)
        for stretch in np.flatnonzero(level > _SOUNDS * level.max()):
            delay = _delay(cross[stretch, lines], angle[lines], length)
            if delay is not None:
                # A sweep passes through the half octaves of a stretch one after the other.
                middle = float(moment[stretch, lines].sum()) / float(level[stretch])
                time = int(stretch) * length + middle
                told.append(CellDelay(int(stretch), time, middle_hz, *delay))
    return told


def half_octaves(rate_hz: float, *, length: int) -> Iterator[tuple[slice, float]]:
    """Divide lines of a stretch into half octaves, from 300 Hz up.

    Parameters
    ----------
    rate_hz : float
        Sampling rate [Hz].
    length : int
        Samples of the stretch.

    Yields
    ------
    tuple of slice and float
        The lines, at least a dozen, and the middle of the half octave [Hz].
    """
    low_hz = _LOWEST_HZ
    while low_hz * _HALF_OCTAVE < _HIGHEST_SHARE * rate_hz:
        first, last = (math.ceil(f * length / rate_hz) for f in (low_hz, low_hz * _HALF_OCTAVE))
        if last - first >= _LEAST_LINES:
            yield slice(first, last), low_hz * math.sqrt(_HALF_OCTAVE)
        low_hz *= _HALF_OCTAVE


def _delay(cross: Complex, angle: Floats, length: int) -> tuple[float, float] | None:
    """Delay by the peak of the correlation and the slope of the phase, and its deviation."""
    from scipy.fft import ifft, next_fast_len

    weight = np.abs(cross)
    total = float(weight.sum())
    if total <= 0.0:
        return None
    size = next_fast_len(_FINER * cross.size)
    correlation = ifft(cross, size) * (size / total)
    peak = _least_late(np.abs(correlation))
    if abs(correlation[peak]) < _COHERENT:
        return None
    lag = (peak if peak < size / 2 else peak - size) * length / size
    turned = cross * np.exp(1j * angle * lag)
    phase = np.angle(turned * np.conj(turned.sum()))
    away = angle - float(weight @ angle) / total
    information = float(weight @ away**2)
    if information <= 0.0:
        return None
    late = -float((weight * away) @ phase) / information
    remains = weight * away * (phase + late * away)
    deviation = _TAPERED * float(np.sqrt(remains @ remains)) / information
    return lag + late, max(deviation, _LEAST_DEVIATION)


def _least_late(height: Floats) -> int:
    """Index of the highest peak; of several, as a few tones make them, that of the least delay."""
    beside = np.maximum(np.roll(height, 1), np.roll(height, -1))
    peaks = np.flatnonzero((height >= beside) & (height >= _AS_HIGH * height.max()))
    late = np.minimum(peaks, height.size - peaks)
    return int(peaks[np.argmin(late)])


def clock_difference(
    cells: list[CellDelay], samples: int, *, rate_hz: float, sweep: bool, known: bool = False
) -> float | None:
    """Estimate by how much two clocks differ, by delays that grow with time.

    Parameters
    ----------
    cells : list of CellDelay
        Delays, as from `cell_delays`.
    samples : int
        Length of the record.
    rate_hz : float
        Sampling rate [Hz].
    sweep : bool
        Whether each frequency sounds once.
    known : bool, optional
        Whether clocks are known to differ, so that the likeliest rest counts.

    Returns
    -------
    float or None
        Growth of the delay, in samples a sample; ``None`` where it does not stand out.
    """
    if len(cells) < _LEAST_CELLS:
        return None
    time, hertz, delay, noise = (
        np.array([getattr(c, name) for c in cells])
        for name in ("time", "frequency_hz", "delay", "deviation")
    )
    if np.ptp(time) < _LEAST_SPAN * samples:
        return None
    corners = (_TOLERANCE + _UNKNOWN_CORNER_HZ / hertz) / (2.0 * math.pi * hertz)
    deviation = np.hypot(noise, np.hypot(corners, _UNKNOWN_DELAY_S) * rate_hz)
    design = np.stack([np.ones(time.size), time - time.mean()], axis=1) / deviation[:, None]
    wanted, kept = delay / deviation, np.ones(time.size, dtype=bool)
    for _ in range(_ROUNDS):
        solution, *_ = np.linalg.lstsq(design[kept], wanted[kept], rcond=None)
        off = np.abs(wanted - design @ solution)
        typical = float(np.median(off))
        kept = off <= _OUTLIER * max(1.0, typical)
    scatter = max(1.0, float(np.mean(off[kept] ** 2)))
    inverse = np.linalg.pinv(design[kept].T @ design[kept])
    slope, error = float(solution[1]), math.sqrt(scatter * float(inverse[1, 1]))
    notable = abs(slope) < _FARTHEST[sweep] and abs(slope) * samples > _NOTABLE_DRIFT
    return slope if notable and (known or abs(slope) > _CLOCKS_DIFFER * error) else None


def coarse_difference(flat: Floats, output: Floats, rate_hz: float) -> float:
    """Estimate a large difference of clocks, by delays of short pieces of a record.

    Over a whole record, or a stretch of it, such a difference blurs every delay.

    Parameters
    ----------
    flat, output : numpy.ndarray of float, shape (samples,)
        The stimulus behind a response that is nearly right, and the output.
    rate_hz : float
        Sampling rate [Hz].

    Returns
    -------
    float
        Growth of the delay, in samples a sample; 0 where most pieces agree on none.
    """
    from scipy.fft import irfft, rfft

    count = flat.size // _PIECE
    if count < _LEAST_PIECES:
        return 0.0
    first = np.linspace(0, flat.size - _PIECE, min(count, _MOST_PIECES)).astype(int)
    hertz = np.arange(_PIECE // 2 + 1) * (rate_hz / _PIECE)
    heard = (hertz > _LOWEST_HZ) & (hertz < _COARSE_HZ)
    window, late = np.hanning(_PIECE), []
    for at in first:
        one, other = (rfft(x[at : at + _PIECE] * window) for x in (flat, output))
        cross = other * one.conj()
        white = np.where(heard, cross / np.maximum(np.abs(cross), 1e-300), 0.0)
        peak = int(np.argmax(np.abs(irfft(white, _PIECE))))
        late.append(peak if peak < _PIECE / 2 else peak - _PIECE)
    delay, (i, j) = np.array(late, dtype=np.float64), np.triu_indices(first.size, 1)
    slope = float(np.median((delay[j] - delay[i]) / (first[j] - first[i])))
    off = delay - slope * first
    agree = np.abs(off - np.median(off)) < _COARSE_SAMPLES
    return slope if np.mean(agree) > _COHERENT and abs(slope) < _FARTHEST[False] else 0.0


def stretch_delays(cells: list[CellDelay]) -> Floats:
    """Average the delays of each stretch that tells one surely.

    Parameters
    ----------
    cells : list of CellDelay
        Delays, as from `cell_delays`.

    Returns
    -------
    numpy.ndarray of float, shape (stretches,)
        Delays [samples], in the order of time.
    """
    delays = []
    for stretch in sorted({c.stretch for c in cells}):
        own = [c for c in cells if c.stretch == stretch]
        weight = np.array([c.deviation for c in own]) ** -2.0
        information = float(weight.sum())
        if information > _SURE_DELAY**-2.0:
            delays.append(float(weight @ [c.delay for c in own]) / information)
    return np.array(delays)


def refuse_wandering(cells: list[CellDelay], *, rate_hz: float, name: str) -> None:
    """Refuse a record whose delay goes to and fro.

    Each half octave has a delay of its own, as a unit makes it; what all share is a course of the
    stretches.  A sweep, which sounds in each half octave once, tells none.

    Parameters
    ----------
    cells : list of CellDelay
        Delays, as from `cell_delays`, a difference of clocks taken out.
    rate_hz : float
        Sampling rate [Hz].
    name : str
        How messages call the record.

    Raises
    ------
    InputError
        When two clocks drifted against each other.
    """
    bands, band = np.unique([c.frequency_hz for c in cells], return_inverse=True)
    places, stretch = np.unique([c.stretch for c in cells], return_inverse=True)
    free = len(cells) - bands.size - places.size
    if places.size < _LEAST_STRETCHES or free < places.size:
        return
    weight = 1.0 / np.array([c.deviation for c in cells])
    own, shared = np.eye(bands.size)[band], np.eye(places.size)[stretch]
    line = np.array([[c.stretch] for c in cells], dtype=np.float64)
    narrow, wide = (np.hstack(both) * weight[:, None] for both in ((own, line), (own, shared)))
    delay = np.array([c.delay for c in cells]) * weight
    kept = np.ones(delay.size, dtype=bool)
    for _ in range(_ROUNDS):
        wandering = np.linalg.lstsq(wide[kept], delay[kept], rcond=None)[0]
        off = np.abs(delay - wide @ wandering)
        kept = off <= _OUTLIER * max(1.0, float(np.median(off)))
    steady = np.linalg.lstsq(narrow[kept], delay[kept], rcond=None)[0]
    on_a_line = float(np.sum((delay - narrow @ steady)[kept] ** 2))
    least = float(np.sum(off[kept] ** 2))
    course = wandering[bands.size :]
    course = course - np.polyval(np.polyfit(places, course, 1), places)
    # One stretch may be off by itself, as with a click in it.
    wander_s = float(np.sqrt(np.mean(np.sort(course**2)[:-1]))) / rate_hz
    scatter = max(1.0, least / free)
    if _WANDERS_S < wander_s < _STOPS_S and on_a_line - least > _WANDERS * scatter * places.size:
        raise drifting_clocks(name, f"the delay goes to and fro by {1e6 * wander_s:.2g} µs")


def drifting_clocks(name: str, sign: str) -> InputError:
    """Make the error for a record by two clocks that drift against each other.

    Parameters
    ----------
    name : str
        How messages call the record.
    sign : str
        What shows it.

    Returns
    -------
    InputError
        To be raised.
    """
    advice = "play and record with one sound interface, and record again"
    return InputError(name, f"clocks that drift: {sign}", advice)
