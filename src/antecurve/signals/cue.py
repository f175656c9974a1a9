"""A cue before and behind a signal, by which a record is aligned.

A rising tone before it and a falling one behind, each a tenth of a second: they tell where the
played file begins in a record, and whether the record is whole.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["CUE_ENDS_HZ", "CUE_S", "cue_position", "cue_waveform"]

Floats = NDArray[np.float64]

CUE_S = 0.1
"""Length of a cue [s]."""

CUE_ENDS_HZ = (500.0, 8000.0)
"""Ends of a cue: clear of hum, within every sound interface's reach."""
_ROUNDED = 0.2  # of its length, so that it does not click
_SURE = 0.4  # of full likeness; noise alone reaches 0.15, a cue in noise as loud as it 0.7
_SILENCE = 1e-6  # of the largest energy: below, there is nothing to compare


def cue_waveform(rate_hz: float, *, rising: bool) -> Floats:
    """Compute a cue.

    Parameters
    ----------
    rate_hz : float
        Sampling rate [Hz], 20 kHz or more.
    rising : bool
        Whether the tone rises: the cue before a signal.

    Returns
    -------
    numpy.ndarray of float, shape (samples,)
        With a peak of 1.
    """
    from scipy.signal import chirp
    from scipy.signal.windows import tukey

    count = round(CUE_S * rate_hz)
    tone = chirp(np.arange(count) / rate_hz, CUE_ENDS_HZ[0], CUE_S, CUE_ENDS_HZ[1]) * tukey(
        count, _ROUNDED
    )
    return np.asarray(tone if rising else tone[::-1], dtype=np.float64)


def cue_position(samples: Floats, rate_hz: float, *, rising: bool) -> int | None:
    """Find the cue in a record.

    Parameters
    ----------
    samples : numpy.ndarray of float, shape (samples,)
        The record, either way up.
    rate_hz : float
        Sampling rate [Hz].
    rising : bool
        Which cue.

    Returns
    -------
    int or None
        Its first sample; ``None`` where nothing is like it.
    """
    from scipy.signal import correlate

    cue = cue_waveform(rate_hz, rising=rising)
    if samples.size <= cue.size or not np.ptp(samples) > 0.0:
        return None
    heard = _heard(samples, rate_hz)
    likeness = np.abs(correlate(heard, cue, mode="valid", method="fft"))
    energy = np.concatenate([[0.0], np.cumsum(heard**2)])
    inside = energy[cue.size :] - energy[: -cue.size]
    likeness /= np.sqrt(np.maximum(inside, _SILENCE * inside.max()) * float(cue @ cue))
    position = int(np.argmax(likeness))
    return position if likeness[position] >= _SURE else None


def _heard(samples: Floats, rate_hz: float) -> Floats:
    """The part of a record at the cue's frequencies: hum and offset taken off."""
    from scipy.fft import irfft, next_fast_len, rfft

    size = next_fast_len(samples.size, real=True)
    spectrum = rfft(samples, size)
    frequency = np.arange(spectrum.size) * (rate_hz / size)
    spectrum[(frequency < CUE_ENDS_HZ[0]) | (frequency > CUE_ENDS_HZ[1])] = 0.0
    return np.asarray(irfft(spectrum, size)[: samples.size])
