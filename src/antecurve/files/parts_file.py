"""The parts list as CSV and as a workbook."""

from __future__ import annotations

import io
from pathlib import Path

from antecurve.analysis.parts_list import PartsList
from antecurve.errors import InputError
from antecurve.extras import require_extra
from antecurve.files.table import csv_bytes, safe_cell

__all__ = ["parts_csv", "parts_workbook", "suffix_of"]

_HEADER = ("refs", "quantity", "kind", "value", "value_si", "tolerance", "rating", "description")
_WIDTHS = dict(zip("ABCDEFGHIJK", (16, 10, 11, 14, 14, 11, 16, 64, 14, 11, 11), strict=True))


def suffix_of(path: Path) -> str:
    """Choose ``.csv`` or ``.xlsx``, the ending that says how a parts list is written.

    Parameters
    ----------
    path : Path
        The file to be written.

    Returns
    -------
    str
        The ending.

    Raises
    ------
    InputError
        When it is another one.
    """
    suffix = path.suffix.lower()
    if suffix not in (".csv", ".xlsx"):
        raise InputError("output file", str(path), "its name must end in .csv or .xlsx")
    return suffix


def _header(parts: PartsList) -> tuple[str, ...]:
    ordered = ("order_quantity", "unit_price", "cost") if parts.priced else ()
    return (*_HEADER, *ordered)


def _rows(parts: PartsList) -> list[list[object]]:
    return [[row[name] for name in _header(parts)] for row in parts.rows()]


def parts_csv(parts: PartsList) -> bytes:
    """Write a parts list as CSV.

    Parameters
    ----------
    parts : PartsList
        The list.

    Returns
    -------
    bytes
        UTF-8, columns refs, quantity, kind, value, value_si, tolerance, rating, description;
        with prices also order_quantity, unit_price, cost.
    """
    return csv_bytes(_header(parts), _rows(parts))


def parts_workbook(parts: PartsList) -> bytes:
    """Write a parts list as a workbook of one sheet.

    Parameters
    ----------
    parts : PartsList
        The list.

    Returns
    -------
    bytes
        An Office Open XML workbook (ISO/IEC 29500).

    Raises
    ------
    MissingExtraError
        When the package that writes workbooks is missing.
    """
    require_extra("xlsx")
    from openpyxl import Workbook

    book = Workbook()
    sheet = book.active
    sheet.title = "parts"
    sheet.append(list(_header(parts)))
    for row in _rows(parts):
        sheet.append([safe_cell(c) if isinstance(c, str) else c for c in row])
    for column, width in _WIDTHS.items():
        sheet.column_dimensions[column].width = width
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()
