"""Where a played signal lies in a record."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import InputError
from antecurve.signals.cue import CUE_ENDS_HZ, CUE_S, cue_position
from antecurve.signals.resampling import resampled as resampled_at

__all__ = ["SideBySide", "laid_side_by_side"]

Floats = NDArray[np.float64]

_FLOOR = 1e-6  # of the strongest line: what is whitened, and not noise of the arithmetic
_CLOCKS_DIFFER = 5e-4  # between two sound interfaces at most; crystals keep to 1e-4
_SURE = 4.0  # standard deviations; by chance once in 16,000 records
_NOTABLE_SHIFT = 0.02  # samples over the record: turns the top of the band by 0.06 rad at most
_CLOCK_ROUNDS = 3  # each leaves a hundredth of the error of the one before
_BESIDE_S = 0.05  # of a cue: by so much the unit rings on
_OWN_CUE_SURE = 0.01  # s: a file that holds a cue holds both, at the same distance from its ends


@dataclass(frozen=True, slots=True, eq=False)
class SideBySide:
    """A played signal beside a record of it.

    Attributes
    ----------
    played : numpy.ndarray of float, shape (samples,)
        What was played, at the record's rate.
    inside : slice
        The samples of the record beside it.
    first : int
        First sample of the file, at the record's rate, that is in the record.
    start_s : float
        Time in the record at which the file begins [s].
    clock_ratio : float
        Sampling clock of recording over that of playing, less 1, where it was taken out.
    clock_told : bool
        Whether cues told it.
    """

    played: Floats
    inside: slice
    first: int
    start_s: float
    clock_ratio: float = 0.0
    clock_told: bool = False


def laid_side_by_side(
    played: Floats,
    record: Floats,
    *,
    played_hz: float,
    record_hz: float,
    name: str,
    clock_by_cues: bool = False,
) -> SideBySide:
    """Cut a played signal and a record of it to what they share.

    Parameters
    ----------
    played : numpy.ndarray of float, shape (samples,)
        The file that was played.
    record : numpy.ndarray of float, shape (samples,)
        The record, longer or shorter, begun before or after.
    played_hz, record_hz : float
        Their sampling rates [Hz]; that of the file is whole.
    name : str
        How messages call the record.
    clock_by_cues : bool, optional
        Whether a difference of clocks is taken out by the cues.

    Returns
    -------
    SideBySide
        The played signal at the record's rate, and where it lies in the record.

    Raises
    ------
    InputError
        When a cue that was played is not in the record, or the record was interrupted.
    """
    if not np.ptp(record) > 0.0:
        raise InputError(name, "silence", "check the leads, the levels and the supply")
    resampled = _at_rate(played, played_hz, record_hz)
    ratio, told = 0.0, False
    cues = [cue_position(resampled, record_hz, rising=r) for r in (True, False)]
    first, last = cues
    if first is None or last is None or not _stand_alike(first, last, resampled.size, record_hz):
        start = _whole_delay(resampled, record)
    else:
        seen, behind = _cues_in(first, last, record, record_hz, name)
        start = seen - first
        if clock_by_cues:
            both = ((first, seen), (last, behind))
            ratio, told = _clock_ratio(resampled, record, both, record_hz), True
            stretched = (np.arange(resampled.size) - first) / (1.0 + ratio) + first
            resampled = resampled_at(resampled, stretched) if ratio else resampled
    begin, end = max(0, -start), min(resampled.size, record.size - start)
    if end <= begin:
        raise InputError(name, "no sample of what was played", "record the file from its start")
    inside = slice(start + begin, start + end)
    return SideBySide(resampled[begin:end], inside, begin, start / record_hz, ratio, told)


def _at_rate(played: Floats, played_hz: float, record_hz: float) -> Floats:
    from scipy.signal import resample_poly

    up, down = round(record_hz), round(played_hz)
    shared = math.gcd(up, down)
    if up == down:
        return played
    return np.asarray(resample_poly(played, up // shared, down // shared), dtype=np.float64)


def _stand_alike(first: int, last: int, size: int, rate_hz: float) -> bool:
    """Whether two cues stand as far from the start as from the end: else they are music."""
    behind = size - last - round(CUE_S * rate_hz)
    return last > first and abs(first - behind) < _OWN_CUE_SURE * rate_hz


def _cues_in(first: int, last: int, record: Floats, rate_hz: float, name: str) -> tuple[int, int]:
    """First samples of both cues in a record, as far apart as in the file."""
    seen = cue_position(record, rate_hz, rising=True)
    if seen is None:
        raise InputError.without_value(
            name, "it does not hold the cue of the played file",
            "name the file that was played, or record from before its start and check the leads",
        )  # fmt: skip
    behind = cue_position(record, rate_hz, rising=False)
    if behind is None or behind < seen:
        raise InputError(
            name, "a record that ends before the second cue",
            "keep recording until the played file has ended",
        )  # fmt: skip
    missing = (last - first) - (behind - seen)
    if abs(missing) > _CLOCKS_DIFFER * (last - first):
        ratio = missing / (last - first)
        raise InputError(
            name, f"an interrupted record: {missing / rate_hz:+.4f} s between the cues are missing",
            f"or the two clocks differ by {100.0 * abs(ratio):.2g} %; use one "
            "interface for both, close other programs, and record again",
        )  # fmt: skip
    return seen, behind


def _clock_ratio(
    played: Floats, record: Floats, cues: Sequence[tuple[int, int]], rate_hz: float
) -> float:
    """Clock of the record over that of the file, less 1, where the cues tell it; otherwise 0."""
    (first, seen), (last, behind) = cues
    apart, ratio = last - first, 0.0
    for _ in range(_CLOCK_ROUNDS):
        told = [_cue_shift(played, record, *cue, rate_hz, ratio=ratio) for cue in cues]
        difference = behind - seen - apart + told[1][0] - told[0][0]
        sure = abs(difference) > max(_SURE * math.hypot(told[0][1], told[1][1]), _NOTABLE_SHIFT)
        ratio = difference / apart if sure else 0.0
    return ratio


def _cue_shift(
    played: Floats, record: Floats, here: int, there: int, rate_hz: float, *, ratio: float
) -> tuple[float, float]:
    """Samples by which a cue begins later than a whole number, and their standard deviation.

    By the slope of the phase of the cross spectrum.  What the unit does to the phase is the same
    for both cues: they hold the same frequencies at the same levels.  The cue that was played is
    stretched by the difference of clocks known so far: the tones that tell most stand at the end
    of the first and at the beginning of the second, nearer to each other than the cues.
    """
    beside, count = round(_BESIDE_S * rate_hz), round(CUE_S * rate_hz)
    parts = []
    for samples, first in ((played, here), (record, there)):
        part = samples[max(0, first - beside) : first + count + beside]
        parts.append(np.pad(part, (max(0, beside - first), 0)))
    if ratio:
        stretched = (np.arange(parts[0].size) - beside) / (1.0 + ratio) + beside
        parts[0] = resampled_at(parts[0], stretched)
    size = min(p.size for p in parts)
    one, other = (np.fft.rfft(p[:size] - p[:size].mean()) for p in parts)
    omega = 2.0 * math.pi * np.arange(one.size) / size
    low, high = np.searchsorted(omega, 2.0 * math.pi * np.array(CUE_ENDS_HZ) / rate_hz)
    cross, omega = (other * one.conj())[low:high], omega[low:high]
    phase = np.angle(cross * np.sign(cross.sum().real))
    weight = np.abs(cross) * omega
    information = float(weight @ omega)
    late = -float(weight @ phase) / information
    own = float(np.sum((weight * (phase + omega * late)) ** 2)) ** 0.5 / information
    return late, own


def _whole_delay(played: Floats, record: Floats) -> int:
    """Samples from the record's start to the file's: the peak of the whitened correlation."""
    from scipy.fft import irfft, next_fast_len, rfft

    size = next_fast_len(played.size + record.size, real=True)
    one, other = rfft(played, size), rfft(record, size)
    cross = other * one.conj()
    white = cross / (np.abs(cross) + _FLOOR * float(np.abs(cross).max(initial=1e-300)))
    peak = int(np.argmax(np.abs(irfft(white, size))))
    return peak if peak < record.size else peak - size
