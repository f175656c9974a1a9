"""Tables whose first line names their columns as the package does."""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np

from antecurve.errors import FileFormatError
from antecurve.judge.capture import Capture
from antecurve.judge.square_wave import SquareWaveCapture
from antecurve.judge.sweep import SweepCapture
from antecurve.judge.two_channel import TwoChannelRecord

__all__ = ["named_capture"]

_KINDS: tuple[type[Capture], ...] = (SquareWaveCapture, SweepCapture, TwoChannelRecord)
"""The kinds of capture that files hold."""


def _rule() -> str:
    kinds = "; ".join(f"{kind.columns_rule} for a {kind.kind}" for kind in _KINDS)
    return f"the first line names the columns: {kinds}"


def named_capture(text: str, path: Path | str) -> Capture | None:
    """Read a table whose first line holds nothing but known names of columns.

    Parameters
    ----------
    text : str
        The file's text: comma, semicolon or tab between cells, lines that begin with ``#``
        skipped.
    path : Path or str
        The file, for messages.

    Returns
    -------
    Capture or None
        Named after the file; ``None`` for a table with another header, or decimal commas.

    Raises
    ------
    FileFormatError
        When the columns do not belong together or a cell is no number; the message names the
        line.
    InputError
        When the numbers can't be a capture.
    """
    known = {column for kind in _KINDS for column in kind.known_columns}
    lines = [(n, t) for n, t in enumerate(text.splitlines(), 1) if t.strip() and t[0] != "#"]
    if not lines or not set(_header(lines[0][1])) <= known:
        return None
    if _delimiter(lines[0][1]) != "," and any("," in row for _, row in lines):
        return None
    columns = _columns(lines, path)
    kind = next(kind for kind in _KINDS if kind.fits(columns))
    return kind.from_columns(columns, Path(path).name)


def _header(line: str) -> list[str]:
    return [name.strip().strip('"').lower() for name in line.split(_delimiter(line))]


def _delimiter(line: str) -> str:
    return max(",;\t", key=line.count)


def _columns(kept: list[tuple[int, str]], path: Path | str) -> dict[str, np.ndarray]:
    if len(kept) < 2:
        raise FileFormatError(str(path), "no row of numbers", _rule())
    header, delimiter = _header(kept[0][1]), _delimiter(kept[0][1])
    _check_header(header, f"{path}, line {kept[0][0]}")
    for number, row in kept[1:]:
        if row.count(delimiter) >= len(header):
            raise _too_many(f"{path}, line {number}", row, header)
    plain = _plain_numbers([row for _, row in kept[1:]], delimiter, len(header))
    if plain is not None:
        return dict(zip(header, plain, strict=True))
    import pandas as pd

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


def _plain_numbers(rows: list[str], delimiter: str, width: int) -> np.ndarray | None:
    """Columns of finite numbers; none where a row has anything else, which pandas then reads."""
    cells = [row.split(delimiter) for row in rows]
    if any(len(row) != width for row in cells):
        return None
    text = "".join(rows)
    if not text.isascii() or "_" in text:  # which Python takes for a part of a number
        return None
    try:
        columns = np.array([[float(cell) for cell in row] for row in cells]).T.copy()
    except ValueError:
        return None
    return columns if np.all(np.isfinite(columns)) else None


def _too_many(position: str, row: str, header: list[str]) -> FileFormatError:
    return FileFormatError(
        position, row, f"there are {len(header)} columns; write decimals with a point"
    )


def _check_header(header: list[str], position: str) -> None:
    known = {column for kind in _KINDS for column in kind.known_columns}
    names = set(header)
    if len(names) != len(header) or not (names <= known and any(k.fits(names) for k in _KINDS)):
        raise FileFormatError(position, ", ".join(header), _rule())
