"""The verdicts of a log as tables for other programs: CSV, and a workbook."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from antecurve.files.table import csv_bytes
from antecurve.files.workbook import Sheet, workbook_bytes
from antecurve.log.listing import LoggedVerdict
from antecurve.results import plain

__all__ = ["verdicts_csv", "verdicts_workbook"]

_COLUMNS = (
    "number", "serial", "channel", "date", "decision", "deviation_db",
    "expanded_uncertainty_db", "limit_db", "unit_curve", "title", "form", "digest",
    "position", "network_serial", "operator", "software", "recorded", "who",
)  # fmt: skip
_ENDS = ("value", "low", "high")
_WIDTH = 14.0  # characters: a number, a date or a serial number
_WIDE = 80.0  # characters: a finding


def verdicts_csv(verdicts: Sequence[LoggedVerdict]) -> bytes:
    """Write verdicts as CSV.

    Parameters
    ----------
    verdicts : sequence of LoggedVerdict
        The verdicts.

    Returns
    -------
    bytes
        UTF-8, one row a verdict: what the log has of it, each constant with its interval, the
        findings and the names of the captures, several of them separated by `` | ``.
    """
    return csv_bytes(_header(verdicts), _rows(verdicts))


def verdicts_workbook(verdicts: Sequence[LoggedVerdict]) -> bytes:
    """Write verdicts as a workbook.

    Parameters
    ----------
    verdicts : sequence of LoggedVerdict
        The verdicts.

    Returns
    -------
    bytes
        Sheets ``verdicts``, with the columns of the CSV, ``findings`` and ``captures``.

    Raises
    ------
    MissingExtraError
        When the package that writes workbooks is missing.
    """
    header = _header(verdicts)
    return workbook_bytes(
        Sheet("verdicts", header, _rows(verdicts), (_WIDTH,) * len(header)),
        Sheet(
            "findings",
            ("number", "serial", "finding"),
            ((v.number, v.serial, text) for v in verdicts for text in v.findings),
            (_WIDTH, _WIDTH, _WIDE),
        ),
        Sheet(
            "captures",
            ("number", "serial", "name", "sha256", "path"),
            ((v.number, v.serial, c.name, c.sha256, c.path) for v in verdicts for c in v.captures),
            (_WIDTH, _WIDTH, 2.0 * _WIDTH, _WIDE, 2.0 * _WIDTH),
        ),
    )


def _constants(verdicts: Sequence[LoggedVerdict]) -> tuple[str, ...]:
    """Names of the constants of any verdict."""
    return tuple(dict.fromkeys(c.name for v in verdicts for c in v.fitted))


def _header(verdicts: Sequence[LoggedVerdict]) -> tuple[str, ...]:
    constants = (f"{name}_{end}" for name in _constants(verdicts) for end in _ENDS)
    return (*_COLUMNS, *constants, "findings", "captures")


def _rows(verdicts: Sequence[LoggedVerdict]) -> Iterator[list[object]]:
    names = _constants(verdicts)
    for verdict in verdicts:
        fitted = {constant.name: constant for constant in verdict.fitted}
        yield [
            *(getattr(verdict, name) for name in _COLUMNS),
            *(plain(getattr(fitted.get(name), end, None)) for name in names for end in _ENDS),
            " | ".join(verdict.findings),
            " | ".join(capture.name for capture in verdict.captures),
        ]
