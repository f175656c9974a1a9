"""Reading text files with one clear sentence for whatever is wrong with them."""

from __future__ import annotations

import sys
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, TypeVar

from antecurve.errors import FileFormatError

Content = TypeVar("Content")

__all__ = ["LARGEST_FILE", "STANDARD_INPUT", "read_bytes", "read_text", "read_toml"]

LARGEST_FILE = 64 * 2**20
"""Largest file read [bytes]; no job, drawer, design or capture comes near it."""


STANDARD_INPUT = "-"
"""The name that stands for standard input, as is usual on command lines."""


def read_text(path: Path | str, *, largest: int = LARGEST_FILE) -> str:
    """Read the text of a file, a pipe or standard input.

    Parameters
    ----------
    path : Path or str
        The file, or ``-`` for standard input; UTF-8, with or without a byte-order mark.
    largest : int, optional
        Largest size [bytes]; no more than one byte beyond it is read.

    Returns
    -------
    str
        Its text.

    Raises
    ------
    FileFormatError
        When there is no such file, it can't be read, is too large, or is not text.
    """
    data = read_bytes(path, largest=largest)
    if b"\0" in data:
        raise FileFormatError.unreadable(path, "binary data", "it must be a text file in UTF-8")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise FileFormatError.unreadable(
            path, f"a byte at {error.start} that is not UTF-8", "save the file as UTF-8 text"
        ) from None


def read_toml(
    path: Path | str,
    understand: Callable[[Mapping[str, Any]], Content],
    *,
    starter: str,
    largest: int = LARGEST_FILE,
) -> Content:
    """Read a TOML file.

    Parameters
    ----------
    path : Path or str
        The file.
    understand : callable
        Makes of the file's tables what they mean.
    starter : str
        The command that writes a commented one.
    largest : int, optional
        Largest size [bytes].

    Returns
    -------
    object
        What `understand` makes.

    Raises
    ------
    FileFormatError
        When the file can't be read, is no TOML or is nested too deeply.
    """
    content = read_text(path, largest=largest)
    rule = f"it must be TOML; see {starter}"
    try:
        try:
            tables = tomllib.loads(content)
        except (tomllib.TOMLDecodeError, ValueError) as error:
            raise FileFormatError.unreadable(path, str(error), rule) from None
        return understand(tables)
    except RecursionError:
        raise FileFormatError.unreadable(path, "nested too deeply", rule) from None


def read_bytes(path: Path | str, *, largest: int = LARGEST_FILE) -> bytes:
    """Read the content of a file, a pipe or standard input.

    Parameters
    ----------
    path : Path or str
        The file, or ``-`` for standard input.
    largest : int, optional
        Largest size [bytes]; no more than one byte beyond it is read, whatever the system says
        of the file's size.

    Returns
    -------
    bytes
        The content.

    Raises
    ------
    FileFormatError
        When there is no such file, it can't be read or is too large.
    """
    try:
        if str(path) == STANDARD_INPUT:
            if sys.stdin is None:
                raise FileFormatError.unreadable(path, "standard input is closed", "name a file")
            data = sys.stdin.buffer.read(largest + 1)
        elif Path(path).is_dir():
            raise FileFormatError.unreadable(path, "a folder", "name a file")
        else:
            with Path(path).open("rb") as file:
                data = file.read(largest + 1)
    except FileNotFoundError:
        raise FileFormatError.unreadable(path, "no such file", "name a file that exists") from None
    except FileFormatError:
        raise
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise FileFormatError.unreadable(path, reason, "name a file that can be read") from None
    if len(data) > largest:
        raise FileFormatError.unreadable(
            path,
            f"more than {largest:,} bytes",
            f"such files are read up to {largest // 1024:,} KiB",
        )
    return data
