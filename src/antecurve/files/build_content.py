"""Results about builds as plain data for JSON, and as CSV tables."""

from __future__ import annotations

from antecurve.analysis.correction import Correction
from antecurve.analysis.spread import SpreadResult
from antecurve.files.table import csv_bytes
from antecurve.results import json_text

__all__ = [
    "correction_csv",
    "spread_files",
]


def correction_csv(table: Correction) -> bytes:
    """Write a correction table as CSV.

    Parameters
    ----------
    table : Correction
        What to subtract from measured levels.

    Returns
    -------
    bytes
        Columns ``frequency_hz``, ``correction_db``, ``expanded_uncertainty_db``,
        ``sweep_uncertainty_db``.
    """
    header = ("frequency_hz", "correction_db", "expanded_uncertainty_db", "sweep_uncertainty_db")
    columns = (getattr(table, name).tolist() for name in header)
    return csv_bytes(header, list(zip(*columns, strict=True)))


def spread_files(result: SpreadResult) -> dict[str, bytes]:
    """Write the spread as files.

    Parameters
    ----------
    result : SpreadResult
        What builds will do.

    Returns
    -------
    dict of str to bytes
        ``spread.json``; ``spread.csv`` with percentiles of the error over frequency.
    """
    curves = result.curves
    header = ("frequency_hz", *(f"error_db_p{p:g}".replace(".", "_") for p in curves.percent))
    rows = zip(curves.frequency_hz.tolist(), *curves.error_db.tolist(), strict=True)
    return {"spread.json": json_text(result).encode(), "spread.csv": csv_bytes(header, rows)}
