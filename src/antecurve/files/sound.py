"""Sound files: channels read, waveforms written."""

from __future__ import annotations

import io
import struct
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import FileFormatError
from antecurve.extras import require_extra
from antecurve.files.reading import read_bytes
from antecurve.files.sound_header import stated_frames
from antecurve.quantities import format_quantity

__all__ = ["SOUND_SUFFIXES", "Sound", "read_commented_sound", "read_sound", "sound_bytes"]

Floats = NDArray[np.float64]

SOUND_SUFFIXES = (".wav", ".flac", ".aiff", ".aif", ".aifc")
"""Names of sound files end so."""

_FULL_SCALE = 2**31 - 1  # of 32 bits
_LARGEST = 2**30  # bytes: two channels of 24 bits at 192 kHz for a quarter of an hour
_MOST_NUMBERS = _LARGEST // 2  # samples of all channels: that file in 16 bits
_LOUDEST = 1e6  # times full scale: a float file may hold volts, not more


class _Bytes(io.BytesIO):
    """Bytes in which a damaged header may ask for a place before the first one."""

    def seek(self, offset: int, whence: int = io.SEEK_SET, /) -> int:
        """Go to a place, or stay where that place does not exist."""
        try:
            return super().seek(offset, whence)
        except ValueError:
            return self.tell()


@dataclass(frozen=True, slots=True, eq=False)
class Sound:
    """What a sound file holds.

    Attributes
    ----------
    samples : numpy.ndarray of float, shape (samples, channels)
        Samples re full scale.
    rate_hz : int
        Sampling rate [Hz].
    comment : str
        The comment of whoever wrote it, or empty.
    missing_s : float
        What its header states and the file lacks, as where a recorder was stopped [s].
    """

    samples: Floats
    rate_hz: int
    comment: str
    missing_s: float = 0.0

    @property
    def missing_text(self) -> str:
        """Say how much of what the header states the file lacks; empty where it is whole."""
        if not self.missing_s:
            return ""
        whole = format_quantity(self.missing_s + len(self.samples) / self.rate_hz, "s")
        return (
            f"the last {format_quantity(self.missing_s, 's')} of the {whole} "
            "that its header states are missing"
        )


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
    MissingExtraError
        When the package that reads sound files is missing.
    """
    sound = read_commented_sound(path)
    return sound.samples, sound.rate_hz


def read_commented_sound(path: Path | str) -> Sound:
    """Read a sound file with its comment.

    Parameters
    ----------
    path : Path or str
        WAV, FLAC or AIFF.

    Returns
    -------
    Sound
        Samples, sampling rate and comment.

    Raises
    ------
    FileFormatError
        When the file can't be read.
    MissingExtraError
        When the package that reads sound files is missing.
    """
    require_extra("sound")
    import soundfile

    data = read_bytes(path, largest=_LARGEST)
    try:
        with soundfile.SoundFile(_Bytes(data)) as file:
            if file.frames * file.channels > _MOST_NUMBERS:
                raise FileFormatError(
                    str(path), f"{file.frames:,} samples by its header",
                    "the file is damaged or too long; record ten seconds",
                )  # fmt: skip
            samples = file.read(dtype="float64", always_2d=True)
            stated = max(file.frames, stated_frames(data))
            missing_s = max(0, stated - len(samples)) / file.samplerate
            sound = Sound(samples, int(file.samplerate), file.comment or "", missing_s)
    except (RuntimeError, TypeError):
        raise FileFormatError.unreadable(
            path, "no sound that can be read", "write it as WAV, FLAC or AIFF"
        ) from None
    if not samples.size:
        raise FileFormatError(str(path), "a sound without samples", "record it again")
    finite = samples[np.isfinite(samples)]
    if finite.size and max(-finite.min(), finite.max()) > _LOUDEST:
        raise FileFormatError(
            str(path), f"samples above {_LOUDEST:g} times full scale",
            "the file is damaged; write it again",
        )  # fmt: skip
    return sound


def sound_bytes(
    waveform: Floats, *, rate_hz: float, comment: str = "", as_float: bool = False
) -> bytes:
    """Write a waveform as WAV of 32 bits.

    Parameters
    ----------
    waveform : numpy.ndarray of float, shape (samples,) or (samples, channels)
        Samples re full scale; beyond -1 to 1, integers are cut off.
    rate_hz : float
        Sampling rate [Hz], rounded to whole hertz.
    comment : str, optional
        What is said of it in the file, in ASCII.
    as_float : bool, optional
        Whether to write floating-point numbers, not integers.

    Returns
    -------
    bytes
        The file.
    """
    from scipy.io import wavfile

    file = io.BytesIO()
    whole = np.rint(np.clip(waveform, -1.0, 1.0) * _FULL_SCALE).astype(np.int32)
    wavfile.write(file, round(rate_hz), waveform.astype(np.float32) if as_float else whole)
    return _with_comment(file.getvalue(), comment) if comment else file.getvalue()


def _with_comment(wav: bytes, comment: str) -> bytes:
    """A WAV file with a LIST INFO chunk that holds a comment (RIFF, 1991)."""
    text = comment.encode("ascii") + b"\0"
    text += b"\0" * (len(text) % 2)
    body = b"INFOICMT" + struct.pack("<I", len(text)) + text
    chunks = wav[8:] + b"LIST" + struct.pack("<I", len(body)) + body
    return wav[:4] + struct.pack("<I", len(chunks)) + chunks
