"""Captures from files as instruments and sound interfaces write them.

A file is read as a table of numbers or as sound, and one of a few recognisers makes a capture of
it and says what it understood.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

from antecurve.checked import checked
from antecurve.errors import FileFormatError, InputError
from antecurve.files.column_units import stated_unit
from antecurve.files.named_table import named_capture
from antecurve.files.number_table import NumberTable, number_table
from antecurve.files.reading import read_bytes
from antecurve.files.recorded_channels import (
    ReadingOptions,
    Recording,
    recorded,
    sound_channels,
)
from antecurve.files.sound import SOUND_SUFFIXES
from antecurve.files.sweep_table import sweep_recording, unnamed_sweep
from antecurve.files.timed_table import stepped_recording, timed_recording

__all__ = ["ReadingOptions", "Recording", "read_recording"]

_FEW = 16  # bytes that tell the coding of a text


@checked
def read_recording(path: Path | str, options: ReadingOptions | None = None) -> Recording:
    """Read a capture from a file of an instrument or a sound interface.

    Parameters
    ----------
    path : Path or str
        Text with a table of numbers, in UTF-8, UTF-16 or Latin-1, or a WAV, FLAC or AIFF file.
    options : ReadingOptions, optional
        What the file leaves open.

    Returns
    -------
    Recording
        A square wave, a sweep or a two-channel record, named after the file.

    Raises
    ------
    FileFormatError
        When the file can't be read, or reads in two ways; the message names the option that
        decides.
    InputError
        When the numbers can't be a capture.
    """
    asked = options or ReadingOptions()
    if Path(path).suffix.lower() in SOUND_SUFFIXES:
        channels = sound_channels(path)
        try:
            return recorded(channels, asked)
        except InputError as error:
            if channels.missing:
                error.args = (f"{error} ({channels.missing})",)
            raise
    text = _text(path)
    named = named_capture(text, path) if asked == ReadingOptions() else None
    if named is not None:
        return Recording(named, f"a {named.kind}, recognised by its column names")
    units = None if asked.units is None else asked.units.split(",")
    count = None if units is None else len(units)
    table = number_table(text, str(path), decimal=asked.decimal, count=count)
    if units is not None:
        table = _with_units(table, units)
    for recogniser in _RECOGNISERS:
        recording = recogniser(table, asked)
        if recording is not None:
            return recording
    count = table.columns.shape[1]
    names = ", ".join(name for name in table.names if name)
    if count == 1:
        raise FileFormatError(
            str(path), "one column without a sampling rate",
            "write a line such as Sampling rate: 250 kHz above the numbers",
        )  # fmt: skip
    raise FileFormatError(
        str(path),
        f"{count} columns without a meaning" + (f": {names}" if names else ""),
        "state their units, as in --units s,V or --units Hz,dB",
    )


_RECOGNISERS: tuple[Callable[[NumberTable, ReadingOptions], Recording | None], ...] = (
    sweep_recording, timed_recording, stepped_recording, unnamed_sweep,
)  # fmt: skip
"""Each makes a capture of a table that it knows, in this order."""


def _with_units(table: NumberTable, units: Sequence[str]) -> NumberTable:
    """The table with the units that the user states; a dash leaves a column out."""
    stated = [unit.strip() for unit in units]
    count = table.columns.shape[1]
    if len(stated) != count:
        raise FileFormatError(
            table.path, f"{count} {'column' if count == 1 else 'columns'}",
            f"state as many units in --units, not {len(stated)}; a dash leaves a column out",
        )  # fmt: skip
    kept = [k for k, unit in enumerate(stated) if unit != "-"]
    return replace(
        table,
        columns=table.columns[:, kept],
        names=tuple(table.names[k] for k in kept),
        units=tuple(stated_unit(stated[k]) for k in kept),
    )


def _text(path: Path | str) -> str:
    """The text of a file in UTF-8, UTF-16 or Latin-1."""
    data = read_bytes(path)
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return data.decode("utf-16", errors="replace")
    for parity, coding in ((1, "utf-16-le"), (0, "utf-16-be")):
        if len(data) >= _FEW and not any(data[parity:_FEW:2]):  # ASCII in two bytes each
            return data.decode(coding, errors="replace")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("latin-1")
    if "\0" in text:
        raise FileFormatError.unreadable(
            path, "binary data", "it must be a table, or a WAV, FLAC or AIFF file"
        )
    return text
