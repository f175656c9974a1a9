"""Tables of numbers as instruments write them: lines of description, a header, numbers.

The separator, the decimal mark, the header and the units are found out, not prescribed.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import FileFormatError

__all__ = ["DECIMALS", "NumberTable", "number_table"]

Floats = NDArray[np.float64]

DECIMALS = {"point": ".", "comma": ","}
"""Decimal marks by name."""

_SEPARATORS = {"tab": "\t", "semicolon": ";", "comma": ",", "blank": " "}
_MOST_DESCRIPTION = 300  # lines before the numbers; instruments write a few dozen
_RUN = 8  # rows of numbers, one after another, that are surely the table
_NUMBER = {
    ".": re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$"),
    ",": re.compile(r"[+-]?(\d+,?\d*|,\d+)([eE][+-]?\d+)?$"),
}
_MARKS = {"inf", "+inf", "-inf", "infinity", "-infinity", "∞", "-∞", "ol", "over", "nan", "****"}
"""What stands for a sample out of range."""
_UNIT_IN_NAME = re.compile(
    r"^(.*?)[\s_]*[(\[/]\s*([^()\[\]/]+?)\s*[)\]]?$|^(.+)[_ ](s|ms|us|ns|v|mv|hz|khz|db|deg|rad)$"
)
_COMMENT = "#%!"


@dataclass(frozen=True, slots=True)
class _Layout:
    """How the rows of numbers are written."""

    separator: str
    decimal: str
    first: int
    columns: int


@dataclass(frozen=True, slots=True, eq=False)
class NumberTable:
    """A table of numbers with its header.

    Attributes
    ----------
    path : str
        The file, for messages.
    columns : numpy.ndarray of float, shape (rows, columns)
        The numbers; NaN where a cell marks a sample out of range.
    names, units : tuple of str
        Names and units of the columns, lower case, empty where the file has none.
    description : dict of str to str
        What stands before the table, by lower-case keys.
    first_line : int
        Line of the file with the first row, from 1.
    """

    path: str
    columns: Floats
    names: tuple[str, ...]
    units: tuple[str, ...]
    description: dict[str, str]
    first_line: int


def number_table(text: str, path: str, *, decimal: str | None = None) -> NumberTable:
    """Find the table of numbers in a text.

    Parameters
    ----------
    text : str
        The file's text.
    path : str
        The file, for messages.
    decimal : str, optional
        ``point`` or ``comma``, where the file leaves it open.

    Returns
    -------
    NumberTable
        Rows of an incomplete end left out.

    Raises
    ------
    FileFormatError
        When there are no two rows of numbers alike, the file reads in two ways, or a cell within
        the table is no number.
    """
    lines = text.splitlines()
    layout = _layout(lines, path, None if decimal is None else DECIMALS[decimal])
    above = [line.strip().lstrip(_COMMENT).strip() for line in lines[: layout.first]]
    names, units, used = _header([line for line in above if line], layout)
    kept = [line for line in above if line]
    description = _description(kept[: len(kept) - used])
    columns = _numbers(lines, layout, path)
    return NumberTable(path, columns, names, units, description, layout.first + 1)


def _cells(line: str, separator: str) -> list[str]:
    if separator == " ":
        return line.split()
    row = next(csv.reader([line], delimiter=separator, skipinitialspace=True), [])
    cells = [cell.strip() for cell in row]
    return cells[:-1] if len(cells) > 1 and not cells[-1] else cells


def _is_number(cell: str, decimal: str) -> bool:
    return bool(_NUMBER[decimal].match(cell)) or cell.lower() in _MARKS


def _layout(lines: Sequence[str], path: str, decimal: str | None) -> _Layout:
    """The way of reading with the most columns; two of them that differ are refused."""
    ways = []
    for separator in _SEPARATORS.values():
        for mark in DECIMALS.values() if decimal is None else (decimal,):
            way = _run_of_numbers(lines, separator, mark)
            if way is not None:
                ways.append(way)
    if not ways:
        raise FileFormatError(
            path,
            "no table of numbers",
            "it must hold rows of numbers, such as time and volts or frequency and level",
        )
    best = max(ways, key=lambda w: (w.columns, w.decimal == "."))
    if decimal is None and best.separator == "," and best.decimal == ".":
        _check_commas(lines, best, path)
    return best


def _run_of_numbers(lines: Sequence[str], separator: str, decimal: str) -> _Layout | None:
    """The first rows that are numbers and have as many cells as each other."""
    run, columns, first = 0, 0, 0
    last = min(len(lines), _MOST_DESCRIPTION + _RUN)
    for index, line in enumerate(lines[:last]):
        if not line.strip():
            continue
        cells = _cells(line, separator)
        if not cells or not all(_is_number(cell, decimal) for cell in cells):
            run = 0
            continue
        if run == 0 or len(cells) != columns:
            run, columns, first = 0, len(cells), index
        run += 1
        if run == _RUN:
            break
    return _Layout(separator, decimal, first, columns) if run >= 2 else None


def _check_commas(lines: Sequence[str], layout: _Layout, path: str) -> None:
    """Refuse rows whose commas may separate cells or mark decimals."""
    rows = [line for line in lines[layout.first : layout.first + _RUN] if line.strip()]
    cells = [cell for line in rows for cell in _cells(line, ",")]
    whole = all(cell.lstrip("+-").isdigit() for cell in cells)
    if not whole or layout.columns % 2 or any('"' in line for line in rows):
        return
    above = [line for line in lines[: layout.first] if line.strip()]
    if above and len(_cells(above[-1], ",")) == layout.columns:
        return
    half = layout.columns // 2
    raise FileFormatError(
        f"{path}, line {layout.first + 1}",
        rows[0],
        f"it reads as {layout.columns} columns of whole numbers or {half} with a decimal comma; "
        "state --decimal",
    )


def _header(above: Sequence[str], layout: _Layout) -> tuple[tuple[str, ...], tuple[str, ...], int]:
    """Names and units of the columns, and how many lines they took."""
    rows: list[list[str]] = []
    for line in reversed(above[-2:]):
        cells = _cells(line, layout.separator)
        if len(cells) != layout.columns or ":" in line or "=" in line:
            break
        rows.insert(0, [cell.strip('"').lower() for cell in cells])
    empty = ("",) * layout.columns
    if not rows:
        return empty, empty, 0
    if len(rows) == 2 and all(len(cell) <= 8 and not _names_too(cell) for cell in rows[1]):
        return tuple(rows[0]), tuple(cell.strip("()[] ") for cell in rows[1]), 2
    if len(rows) == 1 and all(cell.strip("()[] ") in _BARE_UNITS for cell in rows[0]):
        return empty, tuple(cell.strip("()[] ") for cell in rows[0]), 1
    split = [_UNIT_IN_NAME.match(cell) for cell in rows[-1]]
    names = tuple(m[1] or m[3] if m else cell for m, cell in zip(split, rows[-1], strict=True))
    return names, tuple(m[2] or m[4] if m else "" for m in split), 1


def _names_too(cell: str) -> bool:
    """Whether a cell holds a column's name before the unit."""
    match = _UNIT_IN_NAME.match(cell)
    return match is not None and bool(match[1] or match[3])


_BARE_UNITS = {
    "s", "ms", "us", "µs", "μs", "ns", "v", "mv", "uv", "µv", "μv", "volt", "volts", "hz", "khz",
    "db", "dbv", "dbu", "dbfs", "deg", "°", "degrees", "rad", "second", "seconds",
}  # fmt: skip


def _description(lines: Sequence[str]) -> dict[str, str]:
    """Keys and values of the lines before the table."""
    pairs = {}
    for line in lines:
        cells = [c.strip().strip('"') for c in re.split(r"[:=;,\t]", line) if c.strip()]
        if len(cells) >= 2:
            pairs[cells[0].lower()] = " ".join(cells[1:])
    return pairs


def _numbers(lines: Sequence[str], layout: _Layout, path: str) -> Floats:
    """The numbers of the table, the last row left out where it is incomplete."""
    import pandas as pd

    kept = [(n, t) for n, t in enumerate(lines, 1) if n > layout.first and t.strip()]
    body = "\n".join(text for _, text in kept)
    separator = r"\s+" if layout.separator == " " else layout.separator
    try:
        table = pd.read_csv(
            io.StringIO(body),
            sep=separator,
            header=None,
            names=list(range(layout.columns)),
            usecols=range(layout.columns),
            dtype=str,
            skipinitialspace=True,
            keep_default_na=False,
            index_col=False,
        )
    except (pd.errors.ParserError, ValueError):
        raise FileFormatError(path, "rows of different length", "write one table only") from None
    columns = np.empty(table.shape)
    for index in table:
        cells = table[index].fillna("").str.strip()
        plain = cells.str.replace(",", ".", regex=False) if layout.decimal == "," else cells
        numbers = pd.to_numeric(plain, errors="coerce").to_numpy(float)
        odd = np.flatnonzero(~np.isfinite(numbers))
        bad = [k for k in odd if cells.iloc[k].lower() not in _MARKS]
        if bad and bad[0] < len(kept) - 1:
            number, row = kept[bad[0]]
            raise FileFormatError(
                f"{path}, line {number}, column {int(index) + 1}",
                row,
                "every cell of the table must hold a number",
            )
        columns[:, int(index)] = np.where(np.isfinite(numbers), numbers, np.nan)
        if bad:
            table, columns, kept = table.iloc[:-1], columns[:-1], kept[:-1]
    return columns
