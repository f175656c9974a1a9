"""Hum in a square-wave record: lines at multiples of the mains frequency."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.observation import ResidualFinding, ResidualKind
from antecurve.judge.record import Record
from antecurve.judge.square_residuals import ResidualRecord, line_level

__all__ = ["hum_finding", "mains_lines"]

Floats = NDArray[np.float64]

_MAINS_HZ = (50.0, 60.0)
_MAINS_MULTIPLES = 6  # what rectifiers of supplies and magnetic fields bring in strength
_CLEAR_LINE = 30.0  # chi-square of two degrees of freedom: by chance once in three million
_TELLING_S = 0.08  # 50 and 60 Hz come 0.8 of a period apart
_SEPARATE = 0.75  # of the resolution of a record: nearer, line and harmonic share one peak


def mains_lines(record: Record, remainder: Floats) -> tuple[float, tuple[float, ...]]:
    """Find the mains frequency and its multiples that stand out of a record less its fit.

    Parameters
    ----------
    record : Record
        The record.
    remainder : numpy.ndarray of float, shape (samples,)
        Record less fitted waveform [V].

    Returns
    -------
    tuple of float and tuple of float
        Fall of chi-square, and the lines [Hz], empty for none: multiples of 50 Hz or of 60 Hz,
        whichever explain more.  Lines that can't be told from a harmonic are passed over.
    """
    return max((_lines_of(record, remainder, mains) for mains in _MAINS_HZ), key=lambda m: m[0])


def _lines_of(record: Record, remainder: Floats, mains: float) -> tuple[float, tuple[float, ...]]:
    length = float(np.ptp(record.time_s))
    lines = [
        mains * k
        for k in range(1, _MAINS_MULTIPLES + 1)
        if _separate(mains * k, record.frequency_hz, length) and mains * k < 0.4 * record.rate_hz
    ]
    if not lines:
        return 0.0, ()
    time = record.time_s
    plain = np.column_stack([np.ones_like(time), time / length])
    waves = [w(2.0 * math.pi * f * time) for f in lines for w in (np.cos, np.sin)]
    columns = np.column_stack([plain, *waves])
    centred = remainder - plain @ np.linalg.lstsq(plain, remainder, rcond=None)[0]
    amplitudes = np.linalg.lstsq(columns, remainder, rcond=1e-6)[0]
    after = remainder - columns @ amplitudes
    noise = float(after @ after) / max(1, time.size - columns.shape[1])
    gain = (float(centred @ centred) - float(after @ after)) / max(noise, 1e-300)
    if gain < _CLEAR_LINE + 2.0 * len(lines):
        return 0.0, ()
    power = amplitudes[2::2] ** 2 + amplitudes[3::2] ** 2
    clear = power * time.size / 2.0 / max(noise, 1e-300) > _CLEAR_LINE
    kept = tuple(f for f, c in zip(lines, clear, strict=True) if c)
    return gain, kept or (lines[int(np.argmax(power))],)


def _separate(line: float, fundamental: float, length: float) -> bool:
    """Whether a line can be told from every harmonic and from an offset."""
    apart = abs(line - round(line / fundamental) * fundamental)
    return apart > _SEPARATE / length


def hum_finding(record: ResidualRecord, hum_hz: tuple[float, ...]) -> ResidualFinding:
    """Describe the hum that was taken out of a record.

    Parameters
    ----------
    record : ResidualRecord
        The record less its fit.
    hum_hz : tuple of float
        Lines taken out [Hz], at least one.

    Returns
    -------
    ResidualFinding
        Mains frequency, lines and the strongest amplitude.
    """
    time = record.basis.record.time_s
    waves = [w(2.0 * math.pi * f * time) for f in hum_hz for w in (np.cos, np.sin)]
    columns = np.column_stack([np.ones_like(time), *waves])
    amplitudes = np.linalg.lstsq(columns, record.remainder, rcond=1e-6)[0]
    amplitude = np.hypot(amplitudes[1::2], amplitudes[2::2])
    strongest = hum_hz[int(np.argmax(amplitude))]
    mains = next(m for m in _MAINS_HZ if abs(hum_hz[0] / m - round(hum_hz[0] / m)) < 1e-9)
    sure = float(np.ptp(time)) > _TELLING_S
    which = f"{mains:.0f} Hz" if sure else "50 or 60 Hz (the record is too short to say which)"
    lines = ", ".join(f"{f:.0f}" for f in hum_hz)
    text = (
        f"{record.name}: hum of {which}, lines at {lines} Hz, strongest "
        f"{line_level(float(amplitude.max()), record.size_v)}; taken out before the fit"
    )
    return ResidualFinding(ResidualKind.HUM, record.name, text, strongest)
