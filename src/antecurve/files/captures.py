"""Captures of a unit: CSV tables of a sweep or of a square wave, told apart by their columns."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np

from antecurve.checked import checked
from antecurve.errors import FileFormatError
from antecurve.files.reading import read_text
from antecurve.judge.capture import Capture
from antecurve.judge.square_wave import SquareWaveCapture
from antecurve.judge.sweep import SweepCapture
from antecurve.judge.two_channel import TwoChannelRecord

__all__ = ["capture_units", "read_capture"]

_KINDS: tuple[type[Capture], ...] = (SquareWaveCapture, SweepCapture, TwoChannelRecord)
"""The kinds of capture that files hold."""


def _rule() -> str:
    kinds = "; ".join(f"{kind.columns_rule} for a {kind.kind}" for kind in _KINDS)
    return f"the first line names the columns: {kinds}"


@checked
def read_capture(path: Path | str) -> Capture:
    """Read a capture.

    Parameters
    ----------
    path : Path or str
        CSV with the columns ``time_s, volts`` (square wave) or ``frequency_hz, level_db`` or
        ``frequency_hz, ratio`` and optionally ``phase_deg`` (sweep) or
        ``time_s, stimulus, volts`` (two-channel record); comma, semicolon or tab between cells,
        lines that begin with ``#`` skipped.

    Returns
    -------
    Capture
        Named after the file.

    Raises
    ------
    FileFormatError
        When the file can't be read, has other columns, or a cell is no number; the message
        names the line.
    InputError
        When the numbers can't be a capture.
    """
    columns = _columns(path)
    kind = next(kind for kind in _KINDS if kind.fits(columns))
    return kind.from_columns(columns, Path(path).name)


def _columns(path: Path | str) -> dict[str, np.ndarray]:
    import pandas as pd

    text = read_text(path)
    lines = text.splitlines()
    kept = [(n, t) for n, t in enumerate(lines, 1) if t.strip() and not t.startswith("#")]
    if len(kept) < 2:
        raise FileFormatError(str(path), "no row of numbers", _rule())
    delimiter = max(",;\t", key=kept[0][1].count)
    header = [name.strip().strip('"').lower() for name in kept[0][1].split(delimiter)]
    _check_header(header, f"{path}, line {kept[0][0]}")
    for number, row in kept[1:]:
        if row.count(delimiter) >= len(header):
            raise _too_many(f"{path}, line {number}", row, header)
    body = io.StringIO("\n".join(t for _, t in kept[1:]))
    try:
        table = pd.read_csv(body, sep=delimiter, names=header, dtype=str, skipinitialspace=True)
    except pd.errors.ParserError:
        raise _too_many(f"{path}, line {kept[1][0]}", kept[1][1], header) from None
    columns = {}
    for column in header:
        numbers = pd.to_numeric(table[column].str.strip(), errors="coerce").to_numpy(float)
        bad = np.flatnonzero(~np.isfinite(numbers))
        if bad.size:
            number, row = kept[1 + int(bad[0])]
            raise FileFormatError(
                f"{path}, line {number}, {column}",
                row,
                "every cell must hold a finite number with a decimal point",
            )
        columns[column] = numbers
    return columns


def _too_many(position: str, row: str, header: list[str]) -> FileFormatError:
    return FileFormatError(
        position, row, f"there are {len(header)} columns; write decimals with a point"
    )


def _check_header(header: list[str], position: str) -> None:
    known = {column for kind in _KINDS for column in kind.known_columns}
    names = set(header)
    if len(names) != len(header) or not (names <= known and any(k.fits(names) for k in _KINDS)):
        raise FileFormatError(position, ", ".join(header), _rule())


def capture_units(folder: Path | str) -> dict[str, tuple[Path, ...]]:
    """Return the captures of a batch by unit.

    Parameters
    ----------
    folder : Path or str
        A folder: each CSV file in it is a unit, each folder in it a unit with several captures.

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
        if entry.is_file() and entry.suffix.lower() == ".csv":
            units[entry.stem] = (entry,)
        elif entry.is_dir():
            files = tuple(sorted(p for p in entry.iterdir() if p.suffix.lower() == ".csv"))
            if files:
                units[entry.name] = files
    if not units:
        raise FileFormatError(str(folder), "a folder without captures", "put CSV files into it")
    return units
