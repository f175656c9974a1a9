"""Sound files: channels read, waveforms written."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import FileFormatError
from antecurve.files.reading import read_bytes

__all__ = ["SOUND_SUFFIXES", "read_sound", "sound_bytes"]

Floats = NDArray[np.float64]

SOUND_SUFFIXES = (".wav", ".flac", ".aiff", ".aif", ".aifc")
"""Names of sound files end so."""

_FULL_SCALE = 2**31 - 1  # of 32 bits
_LARGEST = 2**30  # bytes: two channels of 24 bits at 192 kHz for a quarter of an hour


def read_sound(path: Path | str) -> tuple[Floats, int]:
    """Read the channels of a sound file.

    Parameters
    ----------
    path : Path or str
        WAV, FLAC or AIFF.

    Returns
    -------
    tuple of numpy.ndarray of float, shape (samples, channels), and int
        Samples re full scale, and the sampling rate [Hz].

    Raises
    ------
    FileFormatError
        When the file can't be read.
    """
    try:
        import soundfile
    except (ImportError, OSError):
        raise FileFormatError.unreadable(
            path, "sound files need another package", "install it: pip install 'antecurve[sound]'"
        ) from None
    data = read_bytes(path, largest=_LARGEST)
    try:
        samples, rate = soundfile.read(io.BytesIO(data), dtype="float64", always_2d=True)
    except (RuntimeError, TypeError):
        raise FileFormatError.unreadable(
            path, "no sound that can be read", "write it as WAV, FLAC or AIFF"
        ) from None
    return samples, int(rate)


def sound_bytes(waveform: Floats, *, rate_hz: float) -> bytes:
    """Write a waveform as WAV of 32 bits.

    Parameters
    ----------
    waveform : numpy.ndarray of float, shape (samples,) or (samples, channels)
        Samples re full scale, from -1 to 1; beyond, they are cut off.
    rate_hz : float
        Sampling rate [Hz], rounded to whole hertz.

    Returns
    -------
    bytes
        The file.
    """
    from scipy.io import wavfile

    file = io.BytesIO()
    samples = np.rint(np.clip(waveform, -1.0, 1.0) * _FULL_SCALE).astype(np.int32)
    wavfile.write(file, round(rate_hz), samples)
    return file.getvalue()
