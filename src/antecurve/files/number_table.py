"""Tables of numbers as instruments write them: lines of description, a header, numbers.

The separator, the decimal mark, the header and the units are found out, not prescribed.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import FileFormatError
from antecurve.files.column_units import ColumnUnit
from antecurve.files.table_header import TableHeader, table_header

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["DECIMALS", "NumberTable", "number_table"]

Floats = NDArray[np.float64]

DECIMALS = {"point": ".", "comma": ","}
"""Decimal marks by name."""

_SEPARATORS = ("\t", ";", "|", ",", " ")
"""The first that makes columns: what stands before it in the list is no part of a number."""
_MOST_DESCRIPTION = 300  # lines before the numbers; instruments write a few dozen
_RUN = 8  # rows of numbers, one after another, that are surely the table
_COMMENT = "#%!"
_EXPONENT = r"([eE][+-]?\d+)?$"
_PLAIN = {mark: re.compile(rf"[+-]?(\d+[{mark}]?\d*|[{mark}]\d+){_EXPONENT}") for mark in ".,"}
_GROUPED = {
    mark: re.compile(rf"[+-]?[1-9]\d{{0,2}}([{group}' ]\d{{3}})+([{mark}]\d*)?{_EXPONENT}")
    for mark, group in (".,", ",.")
}
_MARKS = {
    "inf", "+inf", "-inf", "infinity", "-infinity", "∞", "-∞", "nan", "ol", "+ol", "-ol", "over",
    "+over", "-over", "overflow", "ovl", "clip", "clipped", "---", "----", "-----", "****",
    "#####", "1.#inf", "-1.#inf", "+1.#inf", "1.#qnan", "-1.#ind", "ofl", "+ofl", "-ofl", "ovf",
    "+ovf", "-ovf", "ovr", "overload", "overrange", "over range",
}  # fmt: skip
"""What stands for a sample out of range."""
_OUT_OF_RANGE = 9e36
"""SCPI-1999, volume 1, 7.2.1: 9.9E37 is infinity, 9.91E37 is not a number (from memory)."""
_DIGITS = re.compile(r"[+-]?[.,]?\d")
_DATE = re.compile(r"\d{1,4}[-/.]\d{1,2}[-/.]\d{2,4}\b|\d{1,2}:\d{2}")


@dataclass(frozen=True, slots=True)
class _Layout:
    """How the rows of numbers are written: places of cells that hold numbers, from line first."""

    separator: str
    first: int
    places: tuple[int, ...]
    width: int
    pairs: bool = False  # whether two cells are a number with a decimal comma


@dataclass(frozen=True, slots=True, eq=False)
class NumberTable:
    """A table of numbers with its header.

    Attributes
    ----------
    path : str
        The file, for messages.
    columns : numpy.ndarray of float, shape (rows, columns)
        The numbers; NaN where a cell marks a sample out of range.
    names : tuple of str
        Names of the columns, lower case, empty where the file has none.
    units : tuple of ColumnUnit
        Units of the columns.
    description : dict of str to str
        What stands before the table, by lower-case keys.
    decimal : str
        The decimal mark.
    """

    path: str
    columns: Floats
    names: tuple[str, ...]
    units: tuple[ColumnUnit, ...]
    description: dict[str, str]
    decimal: str = "."


def number_table(
    text: str, path: str, *, decimal: str | None = None, count: int | None = None
) -> NumberTable:
    """Find the table of numbers in a text.

    Parameters
    ----------
    text : str
        The file's text.
    path : str
        The file, for messages.
    decimal : str, optional
        ``point`` or ``comma``; it counts where the file leaves it open, and only there.
    count : int, optional
        Number of columns, where it is known.

    Returns
    -------
    NumberTable
        Without columns that are blank throughout, comments, repeated headers, the lines behind
        the table and an incomplete last row.

    Raises
    ------
    FileFormatError
        When there are no two rows of numbers alike, the file reads in two ways, or a cell within
        the table is no number.
    """
    lines = text.replace("\u2212", "-").replace("\u00a0", " ").replace("\u202f", " ").splitlines()
    layout = _layout(lines, path)
    _check_first(lines, layout, path)
    stated = None if decimal is None else DECIMALS[decimal]
    above = [line.strip(" ").lstrip(_COMMENT).strip(" ") for line in lines[: layout.first]]
    above = [line for line in above if line.strip()]
    header = _header(lines, above, layout)
    last = split_cells(above[-1] if above else "", layout.separator)
    named = (header.named and len(last) >= len(layout.places)) or count == len(layout.places)
    if not named and _pairs_of_commas(lines, layout, path, stated):
        half = tuple(range(len(layout.places) // 2))
        layout = replace(layout, pairs=True, places=half, width=len(half))
        header = _header(lines, above, layout)
    repeated = {
        line.strip() for line in lines[: layout.first]
        if not all(_is_number(cell, layout.separator) for cell in split_cells(line, ","))
    }  # fmt: skip
    kept = [
        (number, line)
        for number, line in enumerate(lines[layout.first :], layout.first + 1)
        if line.strip() and line.lstrip()[0] not in _COMMENT and line.strip() not in repeated
    ]
    cells, kept = _cell_table(kept, layout, path)
    mark = "," if layout.pairs else _decimal_mark(cells, layout, path, stated)
    columns = _numbers(cells, kept, mark, path)
    if len(columns) < 2:
        raise _no_table(path)
    return NumberTable(path, columns, header.names, header.units, header.description, mark)


def _header(lines: Sequence[str], above: Sequence[str], layout: _Layout) -> TableHeader:
    """What stands above the columns of numbers, and before them."""
    return table_header(
        [(line, split_cells(line, layout.separator)) for line in above],
        places=layout.places, width=layout.width, beside=_beside(lines, layout),
    )  # fmt: skip


def split_cells(line: str, separator: str) -> list[str]:
    """Split a line into its cells.

    Parameters
    ----------
    line : str
        The line.
    separator : str
        What stands between cells; a blank stands for any number of them.

    Returns
    -------
    list of str
        Without blanks and quotes around.
    """
    if separator == " ":
        return line.split()
    row = next(csv.reader([line], delimiter=separator, skipinitialspace=True), [])
    return [cell.strip() for cell in row]


def _is_number(cell: str, separator: str) -> bool:
    if " " in cell and separator == ",":
        return False
    return cell.lower() in _MARKS or any(
        pattern.match(cell) for kind in (_PLAIN, _GROUPED) for pattern in kind.values()
    )


def _layout(lines: Sequence[str], path: str) -> _Layout:
    """The first way of separating cells that makes columns, or a single one."""
    ways = [
        way for sep in _SEPARATORS if (way := _run_of_numbers(lines, sep)) is not None
    ]  # fmt: skip
    if ways:
        return next((way for way in ways if way.width > 1), ways[0])
    dated = next((n for n, line in enumerate(lines, 1) if _DATE.match(line.strip(' "'))), None)
    if dated is not None:
        raise FileFormatError(
            f"{path}, line {dated}", lines[dated - 1],
            "dates or clock times are too coarse; export times in seconds, ms or µs",
        )  # fmt: skip
    raise _no_table(path)


def _no_table(path: str) -> FileFormatError:
    return FileFormatError(
        path,
        "no table of numbers",
        "it must hold rows of numbers, such as time and volts or frequency and level",
    )


def _run_of_numbers(lines: Sequence[str], separator: str) -> _Layout | None:
    """The first rows that are numbers and have them at the same places."""
    run, places, first, width = 0, (), 0, 0  # type: tuple[int, tuple[int, ...], int, int]
    for index, line in enumerate(lines[: _MOST_DESCRIPTION + _RUN]):
        if not line.strip():
            continue
        cells = split_cells(line, separator)
        filled = tuple(k for k, cell in enumerate(cells) if cell)
        if not filled or not all(_is_number(cells[k], separator) for k in filled):
            run = 0
            continue
        if run == 0 or filled != places:
            run, places, first, width = 0, filled, index, len(cells)
        run += 1
        if run == _RUN:
            break
    if run < 2:
        return None
    above = first
    while places[0] > 0 and above > 0:  # a description in the columns before the numbers
        cells = split_cells(lines[above - 1], separator)
        if len(cells) != width or not all(_is_number(cells[k], separator) for k in places):
            break
        above -= 1
    return _Layout(separator, above, places, width)


def _beside(lines: Sequence[str], layout: _Layout) -> list[list[str]]:
    """What stands in the first rows before the columns of numbers."""
    if not layout.places[0]:
        return []
    rows = lines[layout.first : layout.first + _MOST_DESCRIPTION]
    return [split_cells(line, layout.separator)[: layout.places[0]] for line in rows]


def _cell_table(
    kept: list[tuple[int, str]], layout: _Layout, path: str
) -> tuple[pd.DataFrame, list[tuple[int, str]]]:
    """The cells of the table, and the lines they are from: up to the last row of numbers."""
    import pandas as pd

    while len(kept) > 2 and not _holds_number(kept[-1][1], layout):
        kept = kept[:-1]
    try:
        table = pd.read_csv(
            io.StringIO("\n".join(text for _, text in kept)),
            sep=r"\s+" if layout.separator == " " else layout.separator,
            header=None,
            names=list(range(layout.width * (1 + layout.pairs) + 1)),
            dtype=str,
            skipinitialspace=True,
            keep_default_na=False,
            index_col=False,
            quoting=csv.QUOTE_NONE if '"' not in "".join(t for _, t in kept[:_RUN]) else 0,
        )
    except (pd.errors.ParserError, ValueError):
        raise FileFormatError(path, "rows of different length", "write one table only") from None
    table = table.fillna("")
    return _filled_columns(table, kept, layout, path), kept


def _filled_columns(
    table: pd.DataFrame, kept: list[tuple[int, str]], layout: _Layout, path: str
) -> pd.DataFrame:
    """The columns of numbers; a cell beside them is refused."""
    if layout.pairs:
        return table[[]].assign(
            **{
                str(k): (table[2 * k] + "," + table[2 * k + 1]).where(table[2 * k + 1] != "", "")
                for k in layout.places
            }
        )
    for column in table:
        filled = np.flatnonzero(table[column].str.strip() != "")
        if column not in layout.places and column > layout.places[0] and filled.size:
            number, row = kept[int(filled[0])]
            raise FileFormatError(
                f"{path}, line {number}", row,
                f"the table has {len(layout.places)} columns of numbers; this row has more",
            )  # fmt: skip
    return table[list(layout.places)]


def _holds_number(line: str, layout: _Layout) -> bool:
    """Whether a line belongs to the table: its first cell is a number, or a damaged one."""
    first, *others = [*split_cells(line, layout.separator)[layout.places[0] :], ""]
    damaged = bool(_DIGITS.match(first)) and any(_is_number(c, layout.separator) for c in others)
    return _is_number(first, layout.separator) or damaged


def _check_first(lines: Sequence[str], layout: _Layout, path: str) -> None:
    """Refuse a first row that a cell which is no number hides among the headings."""
    above = lines[layout.first - 1] if layout.first else ""
    cells = split_cells(above, layout.separator)
    filled = len(cells) == layout.width > 1 and all(cells[k] for k in layout.places)
    if filled and _is_number(cells[layout.places[0]], layout.separator):
        raise FileFormatError(
            f"{path}, line {layout.first}", above, "every cell of the table must hold a number"
        )


def _decimal_mark(cells: pd.DataFrame, layout: _Layout, path: str, stated: str | None) -> str:
    """The decimal mark; cells that read with either are refused where none is stated."""
    telling = ",." if layout.separator == ";" else ","
    marked = [
        text for column in cells for text in cells[column] if any(mark in text for mark in telling)
    ]
    commas = any("," in text for text in marked)
    if not commas and not (marked and all(_GROUPED[","].match(text) for text in marked)):
        return "."
    possible = [mark for mark in ".," if all(_reads_with(text, mark) for text in marked)]
    if len(possible) == 2 and stated is not None:
        return stated
    if len(possible) == 2:
        raise FileFormatError(
            path, marked[0],
            "its mark may separate decimals or thousands; state --decimal point or comma",
        )  # fmt: skip
    return max(".,", key=lambda mark: sum(_reads_with(text, mark) for text in marked))


def _reads_with(cell: str, mark: str) -> bool:
    return bool(_PLAIN[mark].match(cell) or _GROUPED[mark].match(cell)) or cell.lower() in _MARKS


def _pairs_of_commas(lines: Sequence[str], layout: _Layout, path: str, stated: str | None) -> bool:
    """Whether two cells are a number; commas that may do either are refused if none is stated."""
    count = len(layout.places)
    if layout.separator != "," or count % 2 or '"' in lines[layout.first]:
        return False
    rows = [split_cells(line, ",") for line in lines[layout.first :][: 2 * _RUN] if line.strip()]
    rows = [[row[k] for k in layout.places] for row in rows[:_RUN] if len(row) == layout.width]
    if not all(re.match(rf"[+-]?\d+{_EXPONENT}", cell) for row in rows for cell in row):
        return False
    if stated is None:
        raise FileFormatError(
            f"{path}, line {layout.first + 1}", ",".join(rows[0]),
            f"it reads as {count} columns of whole numbers or {count // 2} with a decimal comma; "
            "state --decimal",
        )  # fmt: skip
    return stated == ","


def _numbers(cells: pd.DataFrame, kept: list[tuple[int, str]], mark: str, path: str) -> Floats:
    """The numbers of the table, the last row left out where it is incomplete."""
    import pandas as pd

    columns = np.empty(cells.shape)
    complete = len(cells)
    for index, column in enumerate(cells):
        texts = cells[column].str.strip(' "')
        plain = texts if mark == "." else _with_points(texts, mark)
        numbers = pd.to_numeric(plain, errors="coerce").to_numpy(float).copy()
        if mark == "." and not np.all(np.isfinite(numbers)):
            plain = _with_points(texts, mark)
            numbers = pd.to_numeric(plain, errors="coerce").to_numpy(float).copy()
        numbers[np.abs(numbers) > _OUT_OF_RANGE] = np.nan
        odd_rows = np.flatnonzero(~np.isfinite(numbers))
        read = pd.to_numeric(plain, errors="coerce").notna()
        bad = [k for k in odd_rows if not (read[k] or _out_of_range(str(texts.iloc[k])))]
        if bad and bad[0] < len(kept) - 1:
            number, row = kept[bad[0]]
            raise FileFormatError(
                f"{path}, line {number}, column {int(column) + 1}",
                row,
                "every cell of the table must hold a number",
            )
        columns[:, index] = np.where(np.isfinite(numbers), numbers, np.nan)
        complete -= bool(bad) and complete == len(cells)
    return columns[:complete]


def _with_points(texts: pd.Series[str], mark: str) -> pd.Series[str]:
    """Cells with decimal points and no marks of thousands."""
    grouped = texts.str.match(_GROUPED[mark])
    if grouped.any():
        texts = texts.where(~grouped, texts.str.replace(f"[{'.' if mark == ',' else ','}' ]", "",
                                                        regex=True))  # fmt: skip
    if mark == ".":
        return texts
    return texts.where(~texts.str.contains(".", regex=False), "").str.replace(",", ".", regex=False)


def _out_of_range(cell: str) -> bool:
    return cell.lower() in _MARKS or bool(re.match(r"[+-]?9\.9\d*[eE]\+?37$", cell))
