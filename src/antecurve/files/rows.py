"""Reading CSV tables by the names of their columns, with the row named in every message."""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from antecurve.errors import FileFormatError, InputError
from antecurve.files.reading import read_text
from antecurve.networks.topology import ElementKind
from antecurve.texts import check_text

__all__ = ["Row", "element_kind", "read_rows"]

_KINDS = {
    "resistor": ElementKind.RESISTOR,
    "r": ElementKind.RESISTOR,
    "capacitor": ElementKind.CAPACITOR,
    "c": ElementKind.CAPACITOR,
}


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a table.

    Attributes
    ----------
    location : str
        File and line, for messages.
    cells : dict of str to str
        Text by column, stripped; empty where there is none.
    """

    location: str
    cells: dict[str, str]


def read_rows(
    path: Path | str,
    *,
    required: Sequence[str],
    optional: Sequence[str] = (),
    others: bool = False,
) -> tuple[Row, ...]:
    """Read the rows of a CSV table.

    Parameters
    ----------
    path : Path or str
        The file; comma, semicolon or tab between cells, the first line names the columns.
        Empty lines and lines that begin with ``#`` are skipped.
    required : sequence of str
        Columns that must be there.
    optional : sequence of str, optional
        Columns that may be there.
    others : bool, optional
        Whether columns of other names may be there, too; they are left out of the rows.

    Returns
    -------
    tuple of Row
        In order; at least one.

    Raises
    ------
    FileFormatError
        When the file can't be read, lacks a column, has one that is not known or twice, a row
        has more cells than there are columns, or there is no row.
    """
    known = (*required, *optional)
    rule = f"the first line names the columns, each once: {', '.join(required)}"
    if optional:
        rule += f", and optionally {', '.join(optional)}"
    records = _records(path)
    location, first = next(records, ("", []))
    if not first:
        raise FileFormatError(str(path), "", f"it is an empty file; {rule}")
    header = [name.lower() for name in first]
    times = Counter(header)
    for name in header:
        if times[name] > 1 or not (others or name in known):
            raise FileFormatError(location, name, rule)
    for name in required:
        if name not in header:
            raise FileFormatError(location, ", ".join(header), f"it needs a column {name}; {rule}")
    rows = []
    for location, cells in records:
        if any(cells[len(header) :]):
            raise FileFormatError(
                location,
                ", ".join(cells),
                f"it has {len(cells)} cells, there are {len(header)} columns",
            )
        given = dict(zip(header, cells, strict=False))
        if not "".join(cells).isprintable():
            _check_cells(location, given)
        rows.append(Row(location, {name: given.get(name, "") for name in known}))
    if not rows:
        raise FileFormatError(
            str(path),
            ", ".join(first),
            "no row follows the names of the columns; give at least one",
        )
    return tuple(rows)


def element_kind(row: Row) -> ElementKind:
    """Read the kind of part from the column ``kind``.

    Parameters
    ----------
    row : Row
        A row with that column.

    Returns
    -------
    ElementKind
        Resistor or capacitor.

    Raises
    ------
    FileFormatError
        When the cell names neither.
    """
    cell = row.cells["kind"]
    if cell.lower() not in _KINDS:
        rule = "it must be resistor or capacitor"
        raise FileFormatError(f"{row.location}, column kind", cell, rule)
    return _KINDS[cell.lower()]


def _check_cells(location: str, cells: dict[str, str]) -> None:
    try:
        for name, cell in cells.items():
            check_text(cell, field=f"{location}, column {name}")
    except InputError as error:
        raise FileFormatError(error.field, error.value, error.rule) from None


def _records(path: Path | str) -> Iterator[tuple[str, list[str]]]:
    """Place and cells of each record that is neither empty nor a remark."""
    lines = [
        (number, line)
        for number, line in enumerate(read_text(path).splitlines(keepends=True), 1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if not lines:
        return
    delimiter = max(",;\t", key=lines[0][1].count)
    reader = csv.reader((line for _, line in lines), delimiter=delimiter, strict=True)
    while reader.line_num < len(lines):
        location = f"{path}, line {lines[reader.line_num][0]}"
        try:
            yield location, [cell.strip() for cell in next(reader)]
        except csv.Error as error:
            rule = "it must be CSV; put a cell that holds commas or quotes into quotes"
            raise FileFormatError(location, str(error), rule) from None
