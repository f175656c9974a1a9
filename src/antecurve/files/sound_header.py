"""How many samples a sound file states to hold, whatever it holds."""

from __future__ import annotations

import struct
from collections.abc import Iterator

__all__ = ["stated_frames"]

_PLAIN = (1, 3, 0xFFFE)  # integers, floats, either as extended: frames of equal bytes
_OPEN = 0x7FFFFF00  # bytes from which a size stands for one that was unknown at the start


def stated_frames(data: bytes) -> int:
    """Count the samples of each channel that the header of a file states.

    Parameters
    ----------
    data : bytes
        A WAV (RIFF, 1991) or an AIFF file (1989).

    Returns
    -------
    int
        0 for another file, or for one that leaves it open, as a recorder does that writes to a
        pipe.
    """
    if data[:4] == b"RIFF" and data[8:12] == b"WAVE":
        return _frames_of_wav(data)
    if data[:4] == b"FORM" and data[8:12] in (b"AIFF", b"AIFC"):
        for name, start, _ in _chunks(data, ">I"):
            if name == b"COMM" and len(data) >= start + 6:
                return int(struct.unpack_from(">I", data, start + 2)[0])
    return 0


def _frames_of_wav(data: bytes) -> int:
    """Bytes of the samples over those of a frame."""
    frame = 0
    for name, start, size in _chunks(data, "<I"):
        if name == b"fmt " and len(data) >= start + 14:
            kind, _, _, _, align = struct.unpack_from("<HHIIH", data, start)
            frame = align if kind in _PLAIN else 0
        if name == b"data":
            return size // frame if frame and size < _OPEN else 0
    return 0


def _chunks(data: bytes, size_format: str) -> Iterator[tuple[bytes, int, int]]:
    """Name, place and size of each chunk; sizes are stated, and may reach beyond the file."""
    at = 12
    while at + 8 <= len(data):
        size = int(struct.unpack_from(size_format, data, at + 4)[0])
        yield data[at : at + 4], at + 8, size
        at += 8 + size + size % 2
