"""Where a played signal lies in a record."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import InputError
from antecurve.signals.cue import cue_position

__all__ = ["SideBySide", "laid_side_by_side"]

Floats = NDArray[np.float64]

_FLOOR = 1e-6  # of the strongest line: what is whitened, and not noise of the arithmetic
_CLOCKS_DIFFER = 5e-4  # between two sound interfaces at most; crystals keep to 1e-4
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
    """

    played: Floats
    inside: slice
    first: int
    start_s: float


def laid_side_by_side(
    played: Floats, record: Floats, *, played_hz: float, record_hz: float, name: str
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
    cues = [cue_position(resampled, record_hz, rising=r) for r in (True, False)]
    first, last = cues
    if first is None or last is None or not _stand_alike(first, last, resampled.size, record_hz):
        start = _whole_delay(resampled, record)
    else:
        start = _cue_delay(first, last, record, record_hz, name)
    begin, end = max(0, -start), min(resampled.size, record.size - start)
    if end <= begin:
        raise InputError(name, "no sample of what was played", "record the file from its start")
    inside = slice(start + begin, start + end)
    return SideBySide(resampled[begin:end], inside, begin, start / record_hz)


def _at_rate(played: Floats, played_hz: float, record_hz: float) -> Floats:
    from scipy.signal import resample_poly

    up, down = round(record_hz), round(played_hz)
    shared = math.gcd(up, down)
    if up == down:
        return played
    return np.asarray(resample_poly(played, up // shared, down // shared), dtype=np.float64)


def _stand_alike(first: int, last: int, size: int, rate_hz: float) -> bool:
    """Whether two cues stand as far from the start as from the end: else they are music."""
    from antecurve.signals.cue import CUE_S

    behind = size - last - round(CUE_S * rate_hz)
    return last > first and abs(first - behind) < _OWN_CUE_SURE * rate_hz


def _cue_delay(first: int, last: int, record: Floats, rate_hz: float, name: str) -> int:
    """Samples from the record's start to the file's, by the cue; both cues must be heard."""
    seen = cue_position(record, rate_hz, rising=True)
    if seen is None:
        raise InputError(
            name, "a record without the cue that was played",
            "start to record before the file is played, and check the leads and the levels",
        )  # fmt: skip
    behind = cue_position(record, rate_hz, rising=False)
    if behind is None or behind < seen:
        raise InputError(
            name, "a record that ends before the second cue",
            "record on until the played file has ended",
        )  # fmt: skip
    missing = (last - first) - (behind - seen)
    if abs(missing) > _CLOCKS_DIFFER * (last - first):
        ratio = missing / (last - first)
        raise InputError(
            name, f"an interrupted record: {missing / rate_hz:+.4f} s between the cues are missing",
            f"or the clocks of playing and recording differ by {100.0 * abs(ratio):.2g} %: use one "
            "interface for both, close other programs, and record again",
        )  # fmt: skip
    return seen - first


def _whole_delay(played: Floats, record: Floats) -> int:
    """Samples from the record's start to the file's: the peak of the whitened correlation."""
    from scipy.fft import irfft, next_fast_len, rfft

    size = next_fast_len(played.size + record.size, real=True)
    one, other = rfft(played, size), rfft(record, size)
    cross = other * one.conj()
    white = cross / (np.abs(cross) + _FLOOR * float(np.abs(cross).max(initial=1e-300)))
    peak = int(np.argmax(np.abs(irfft(white, size))))
    return peak if peak < record.size else peak - size
