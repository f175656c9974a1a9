"""Reading text files with one clear sentence for whatever is wrong with them."""

from __future__ import annotations

from pathlib import Path

from antecurve.errors import FileFormatError

__all__ = ["LARGEST_FILE", "read_text"]

LARGEST_FILE = 64 * 2**20
"""Largest file read [bytes]; no job, drawer, design or capture comes near it."""


def read_text(path: Path | str, *, largest: int = LARGEST_FILE) -> str:
    """Return the text of a file.

    Parameters
    ----------
    path : Path or str
        The file; UTF-8, with or without a byte-order mark.
    largest : int, optional
        Largest size [bytes].

    Returns
    -------
    str
        Its text.

    Raises
    ------
    FileFormatError
        When there is no such file, it can't be read, is too large, or is not text.
    """
    file = Path(path)
    try:
        if file.is_dir():
            raise FileFormatError.unreadable(file, "a folder", "name a file")
        size = file.stat().st_size
        if size > largest:
            raise FileFormatError.unreadable(
                file, f"{size:,} bytes", f"such files are read up to {largest // 1024:,} KiB"
            )
        data = file.read_bytes()
    except FileNotFoundError:
        raise FileFormatError.unreadable(file, "no such file", "name a file that exists") from None
    except FileFormatError:
        raise
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise FileFormatError.unreadable(file, reason, "name a file that can be read") from None
    if b"\0" in data:
        raise FileFormatError.unreadable(file, "binary data", "it must be a text file in UTF-8")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise FileFormatError.unreadable(
            file, f"a byte at {error.start} that is not UTF-8", "save the file as UTF-8 text"
        ) from None
