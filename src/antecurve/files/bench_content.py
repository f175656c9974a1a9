"""Traces and tables of the bench as CSV."""

from __future__ import annotations

from typing import TYPE_CHECKING

from antecurve.analysis.scope import ScopeTrace
from antecurve.files.table import csv_bytes
from antecurve.files.workbook import Sheet, workbook_bytes
from antecurve.results import frame_rows

if TYPE_CHECKING:
    import pandas

__all__ = [
    "frame_csv",
    "frame_workbook",
    "scope_csv",
]

_COLUMN_WIDTH = 16.0  # characters: a number, a date or a short text


def frame_csv(frame: pandas.DataFrame) -> bytes:
    """Write a data frame as CSV with full precision; what is not finite is an empty cell.

    Parameters
    ----------
    frame : pandas.DataFrame
        Any table.

    Returns
    -------
    bytes
        The file's content.
    """
    rows = frame_rows(frame)
    return csv_bytes([str(c) for c in frame.columns], (list(row.values()) for row in rows))


def frame_workbook(title: str, frame: pandas.DataFrame) -> bytes:
    """Write a data frame as a workbook of one sheet; what is not finite is an empty cell.

    Parameters
    ----------
    title : str
        Name of the sheet.
    frame : pandas.DataFrame
        Any table.

    Returns
    -------
    bytes
        The file's content.

    Raises
    ------
    MissingExtraError
        When the package that writes workbooks is missing.
    """
    header = tuple(str(c) for c in frame.columns)
    rows = (tuple(row.values()) for row in frame_rows(frame))
    return workbook_bytes(Sheet(title, header, rows, (_COLUMN_WIDTH,) * len(header)))


def scope_csv(trace: ScopeTrace) -> bytes:
    """Write a trace as ``scope.csv``.

    Parameters
    ----------
    trace : ScopeTrace
        One period in steady state.

    Returns
    -------
    bytes
        Columns ``time_s``, ``input_v``, ``network_v``, ``playback_v``.
    """
    names = ("time_s", "input_v", "network_v", "playback_v")
    columns = [getattr(trace, name).tolist() for name in names]
    return csv_bytes(names, zip(*columns, strict=True))
