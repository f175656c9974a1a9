"""Captures of a unit from files, one by one or a folder of them."""

from __future__ import annotations

from pathlib import Path

from antecurve.checked import checked
from antecurve.errors import FileFormatError
from antecurve.files.recordings import ReadingOptions, read_recording
from antecurve.files.sound import SOUND_SUFFIXES
from antecurve.judge.capture import Capture

__all__ = ["capture_units", "read_capture"]

_SUFFIXES = (".csv", *SOUND_SUFFIXES)
"""Files of a folder that are captures."""


@checked
def read_capture(path: Path | str, options: ReadingOptions | None = None) -> Capture:
    """Read a capture.

    Parameters
    ----------
    path : Path or str
        A file as an instrument or a sound interface writes it, or a CSV with the columns
        ``time_s, volts`` (square wave), ``frequency_hz, level_db`` or ``frequency_hz, ratio`` and
        optionally ``phase_deg`` (sweep), or ``time_s, stimulus, volts`` (two-channel record).
    options : ReadingOptions, optional
        What the file leaves open, such as the channel.

    Returns
    -------
    Capture
        Named after the file.

    Raises
    ------
    FileFormatError
        When the file can't be read, or reads in two ways; the message names the line or the
        option that decides.
    InputError
        When the numbers can't be a capture.
    """
    return read_recording(path, options).capture


def capture_units(folder: Path | str) -> dict[str, tuple[Path, ...]]:
    """Read the captures of a batch by unit.

    Parameters
    ----------
    folder : Path or str
        A folder: each capture in it is a unit, each folder in it a unit with several captures.

    Returns
    -------
    dict of str to tuple of Path
        Files by unit, both in the order of names.

    Raises
    ------
    FileFormatError
        When there is no capture in it.
    """
    units: dict[str, tuple[Path, ...]] = {}
    for entry in sorted(Path(folder).iterdir()):
        if entry.is_file() and entry.suffix.lower() in _SUFFIXES:
            units[entry.stem] = (entry,)
        elif entry.is_dir():
            files = tuple(sorted(p for p in entry.iterdir() if p.suffix.lower() in _SUFFIXES))
            if files:
                units[entry.name] = files
    if not units:
        raise FileFormatError(str(folder), "a folder without captures", "put captures into it")
    return units
