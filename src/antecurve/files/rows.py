"""Reading CSV tables by the names of their columns, with the row named in every message."""

from __future__ import annotations

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from antecurve.errors import FileFormatError
from antecurve.files.reading import read_text

__all__ = ["Row", "read_rows"]


@dataclass(frozen=True, slots=True)
class Row:
    """One row of a table.

    Attributes
    ----------
    place : str
        File and line, for messages.
    cells : dict of str to str
        Text by column, stripped; empty where there is none.
    """

    place: str
    cells: dict[str, str]


def read_rows(
    path: Path | str, *, required: Sequence[str], optional: Sequence[str] = ()
) -> tuple[Row, ...]:
    """Return the rows of a CSV table.

    Parameters
    ----------
    path : Path or str
        The file; comma, semicolon or tab between cells, the first line names the columns.
        Empty lines and lines that begin with ``#`` are skipped.
    required : sequence of str
        Columns that must be there.
    optional : sequence of str, optional
        Columns that may be there.

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
    lines = read_text(path).splitlines()
    kept = [(n, t) for n, t in enumerate(lines, 1) if t.strip() and not t.startswith("#")]
    rule = f"the first line names the columns: {', '.join([*required, *optional])}"
    if not kept:
        raise FileFormatError(str(path), "", f"it is an empty file; {rule}")
    first = kept[0][1]
    delimiter = max(",;\t", key=first.count)
    header = [name.strip().lower() for name in first.split(delimiter)]
    for name in header:
        if name not in (*required, *optional) or header.count(name) > 1:
            raise FileFormatError(f"{path}, line {kept[0][0]}", name, rule)
    missing = [name for name in required if name not in header]
    if missing:
        raise FileFormatError(f"{path}, line {kept[0][0]}", ", ".join(header), rule)
    rows = []
    for number, text in kept[1:]:
        cells = [c.strip() for c in next(csv.reader([text], delimiter=delimiter))]
        if len(cells) > len(header) and any(cells[len(header) :]):
            raise FileFormatError(
                f"{path}, line {number}", text, f"there are {len(header)} columns"
            )
        padded = cells + [""] * (len(header) - len(cells))
        found = dict.fromkeys((*required, *optional), "") | dict(zip(header, padded, strict=False))
        rows.append(Row(f"{path}, line {number}", found))
    if not rows:
        raise FileFormatError(
            str(path), first, "no row follows the names of the columns; give at least one"
        )
    return tuple(rows)
