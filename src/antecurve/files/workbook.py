"""Tables as workbooks."""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from antecurve.errors import InputError
from antecurve.extras import require_extra
from antecurve.files.table import safe_cell

__all__ = ["Sheet", "suffix_of", "workbook_bytes"]


@dataclass(frozen=True, slots=True)
class Sheet:
    """A sheet of a workbook.

    Attributes
    ----------
    title : str
        Its name.
    header : tuple of str
        Names of the columns.
    rows : iterable of sequence of object
        Cells: numbers, texts and ``None``.
    widths : tuple of float
        Widths of the columns [characters].
    """

    title: str
    header: tuple[str, ...]
    rows: Iterable[Sequence[object]]
    widths: tuple[float, ...]


def workbook_bytes(*sheets: Sheet) -> bytes:
    """Write tables as a workbook.

    Parameters
    ----------
    *sheets : Sheet
        The tables.

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
    from openpyxl.utils import get_column_letter

    book = Workbook()
    book.remove(book.active)
    for content in sheets:
        sheet = book.create_sheet(content.title)
        sheet.append(list(content.header))
        for row in content.rows:
            sheet.append([safe_cell(c) if isinstance(c, str) else c for c in row])
        for number, width in enumerate(content.widths, start=1):
            sheet.column_dimensions[get_column_letter(number)].width = width
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()


def suffix_of(path: Path, *, allowed: Sequence[str] = (".csv", ".xlsx")) -> str:
    """Read the ending that says how a table is written.

    Parameters
    ----------
    path : Path
        The file to be written.
    allowed : sequence of str, optional
        The endings.

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
    if suffix not in allowed:
        raise InputError("output file", str(path), f"its name must end in {' or '.join(allowed)}")
    return suffix
