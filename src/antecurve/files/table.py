"""Writing tables as CSV whose cells no spreadsheet takes for a formula."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence

__all__ = ["csv_bytes", "safe_cell"]


def safe_cell(value: object) -> str:
    """Write a cell's text; a text that a spreadsheet would run gets an apostrophe in front.

    Parameters
    ----------
    value : object
        A number, a text or ``None``.

    Returns
    -------
    str
        Numbers with full precision; texts that begin with ``= + - @``, a tab or a carriage
        return escaped.

    Examples
    --------
    >>> safe_cell("=SUM(A1)"), safe_cell(-1.5)
    ("'=SUM(A1)", '-1.5')
    """
    if value is None:
        return ""
    if isinstance(value, float):
        return repr(float(value))
    text = str(value)
    if not isinstance(value, int) and text.lstrip(" ")[:1] in ("=", "+", "-", "@", "\t", "\r"):
        return "'" + text
    return text


def csv_bytes(header: Sequence[str], rows: Iterable[Sequence[object]]) -> bytes:
    """Write a table as CSV in UTF-8.

    Parameters
    ----------
    header : sequence of str
        Names of the columns.
    rows : iterable of sequence of object
        Cells.

    Returns
    -------
    bytes
        The file's content.
    """
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow(header)
    writer.writerows([safe_cell(cell) for cell in row] for row in rows)
    return buffer.getvalue().encode()
