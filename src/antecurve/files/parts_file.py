"""The parts list as CSV and as a workbook."""

from __future__ import annotations

from antecurve.analysis.parts_list import PartsList
from antecurve.files.table import csv_bytes
from antecurve.files.workbook import Sheet, workbook_bytes

__all__ = ["parts_csv", "parts_workbook"]

_HEADER = ("refs", "quantity", "kind", "value", "value_si", "tolerance", "rating", "description")
_WIDTHS = (16, 10, 11, 14, 14, 11, 16, 64, 14, 11, 11)  # characters: what a column usually holds


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
    return workbook_bytes(Sheet("parts", _header(parts), _rows(parts), _WIDTHS))
