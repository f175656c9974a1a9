"""Verdicts and units of a log: searched, listed, looked up."""

from __future__ import annotations

import math
import sqlite3
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

from antecurve.errors import InputError
from antecurve.judge.verdict import FittedValue
from antecurve.log.bench_log import BenchLog
from antecurve.log.log_filter import EVERY_VERDICT, LogFilter
from antecurve.results import Result

__all__ = [
    "LoggedFile",
    "LoggedVerdict",
    "UnitList",
    "UnitSummary",
    "VerdictList",
    "count_verdicts",
    "list_units",
    "list_verdicts",
    "logged_verdict",
    "no_such_verdict",
    "verdict_text",
]

_VERDICTS = """
SELECT verdicts.id, units.serial, verdicts.channel, verdicts.date, verdicts.taken,
    verdicts.operator, verdicts.decision, verdicts.deviation_db,
    verdicts.expanded_uncertainty_db, verdicts.limit_db, verdicts.unit_curve,
    verdicts.software, verdicts.recorded, verdicts.who, builds.serial AS network_serial,
    networks.title, networks.form, networks.digest, networks.position, networks.path
FROM verdicts JOIN units ON units.id = verdicts.unit
    JOIN builds ON builds.id = verdicts.build JOIN networks ON networks.id = builds.network
"""
_UNITS = """
WITH ranked AS (
    SELECT unit, id, date, taken, decision, deviation_db, expanded_uncertainty_db,
        row_number() OVER (PARTITION BY unit ORDER BY taken DESC, id DESC) AS behind,
        count(*) OVER (PARTITION BY unit) AS verdicts
    FROM verdicts
)
SELECT units.serial, ranked.*, count(*) OVER () AS total
FROM ranked JOIN units ON units.id = ranked.unit
WHERE behind = 1 AND ranked.unit IN
    (SELECT verdicts.unit FROM verdicts JOIN units ON units.id = verdicts.unit WHERE {})
ORDER BY taken DESC, id DESC LIMIT ? OFFSET ?
"""
_AT_ONCE = 500  # numbers in one statement: SQLite allows 999 and more


@dataclass(frozen=True, slots=True)
class LoggedFile(Result):
    """A capture or a test report in the log.

    Attributes
    ----------
    name : str
        Name of the file.
    sha256 : str or None
        SHA-256 of its bytes in hexadecimal (FIPS 180-4); ``None`` for a stream.
    path : str or None
        Where it is, relative to the folder of the bench; ``None`` for a file outside it.
    """

    name: str
    sha256: str | None
    path: str | None


@dataclass(frozen=True, slots=True)
class LoggedVerdict(Result):
    """A verdict as the log holds it.

    Attributes
    ----------
    number : int
        Its number in the log, from 1.
    serial, channel : str
        The unit, and the channel of it; empty where none is named.
    date : str
        As stated; otherwise the day it was recorded.
    taken : str
        The same to sort by, ISO 8601 without zone.
    decision : str
        ``pass``, ``fail`` or ``undecided``.
    deviation_db, expanded_uncertainty_db : float or None
        The deviation that decided, signed, and its expanded uncertainty, 95 % [dB]; ``None``
        where it is infinite.
    limit_db : float
        The limit there [dB].
    unit_curve : str
        Name of the curve that the unit was judged by.
    fitted : tuple of FittedValue
        Its constants; infinite where a corner is not seen.
    findings : tuple of str
        What was found, the gravest first.
    captures, reports : tuple of LoggedFile
        Its files.
    title, form, digest, position : str
        Title, network form and SHA-256 of the design, and the position of its switch; the digest
        is empty for one from a stream, the position for a network of one curve.
    design_path : str or None
        The design's file, relative to the folder of the bench; ``None`` for one outside it.
    network_serial, operator, software : str
        As stated with the verdict.
    recorded, who : str
        When it was written into the log, UTC, and by whom.
    """

    _keys: ClassVar = (
        "number",
        "serial",
        "channel",
        "date",
        "verdict:decision",
        "deviation_db",
        "expanded_uncertainty_db",
        "limit_db",
        "unit_curve",
        "fitted",
        "findings",
        "captures",
        "reports",
        "design.title:title",
        "design.form:form",
        "design.digest:digest",
        "design.position:position",
        "design.path:design_path",
        "network_serial",
        "operator",
        "software",
        "recorded",
        "who",
    )

    number: int
    serial: str
    channel: str
    date: str
    taken: str
    decision: str
    deviation_db: float | None
    expanded_uncertainty_db: float | None
    limit_db: float
    unit_curve: str
    fitted: tuple[FittedValue, ...]
    findings: tuple[str, ...]
    captures: tuple[LoggedFile, ...]
    reports: tuple[LoggedFile, ...]
    title: str
    form: str
    digest: str
    position: str
    design_path: str | None
    network_serial: str
    operator: str
    software: str
    recorded: str
    who: str


@dataclass(frozen=True, slots=True)
class VerdictList(Result):
    """Verdicts that meet a filter, the latest first.

    Attributes
    ----------
    verdicts : tuple of LoggedVerdict
        Those asked for.
    total : int
        How many meet the filter.
    """

    _rows: ClassVar = "verdicts"

    verdicts: tuple[LoggedVerdict, ...]
    total: int


@dataclass(frozen=True, slots=True)
class UnitSummary(Result):
    """A unit in a list: its last verdict.

    Attributes
    ----------
    serial : str
        Its serial number.
    verdicts : int
        How many verdicts the log has on it.
    number : int
        Number of the last one.
    date, decision : str
        Date and decision of the last one.
    deviation_db, expanded_uncertainty_db : float or None
        Its deviation and expanded uncertainty [dB]; ``None`` where infinite.
    """

    serial: str
    verdicts: int
    number: int
    date: str
    decision: str
    deviation_db: float | None
    expanded_uncertainty_db: float | None


@dataclass(frozen=True, slots=True)
class UnitList(Result):
    """Units with a verdict that meets a filter, the one judged last first.

    Attributes
    ----------
    units : tuple of UnitSummary
        Those asked for.
    total : int
        How many there are.
    """

    _rows: ClassVar = "units"

    units: tuple[UnitSummary, ...]
    total: int


def list_verdicts(
    log: BenchLog,
    wanted: LogFilter = EVERY_VERDICT,
    *,
    limit: int | None = None,
    offset: int = 0,
) -> VerdictList:
    """List verdicts, the latest first.

    Parameters
    ----------
    log : BenchLog
        The log.
    wanted : LogFilter, optional
        Which ones.
    limit : int, optional
        The most to list.
    offset : int, optional
        How many to pass over.

    Returns
    -------
    VerdictList
        The verdicts.

    Raises
    ------
    InputError
        When the log can't be read.
    """
    condition, values = wanted.condition()
    with log.reading() as connection:
        rows = connection.execute(
            f"{_VERDICTS} WHERE {condition}"
            " ORDER BY verdicts.taken DESC, verdicts.id DESC LIMIT ? OFFSET ?",
            (*values, -1 if limit is None else limit, offset),
        ).fetchall()
        return VerdictList(_verdicts(connection, rows), count_verdicts(connection, wanted))


def list_units(
    log: BenchLog,
    wanted: LogFilter = EVERY_VERDICT,
    *,
    limit: int | None = None,
    offset: int = 0,
) -> UnitList:
    """List units by their last verdict, the one judged last first.

    Parameters
    ----------
    log : BenchLog
        The log.
    wanted : LogFilter, optional
        What one of a unit's verdicts meets.
    limit : int, optional
        The most to list.
    offset : int, optional
        How many to pass over.

    Returns
    -------
    UnitList
        The units.

    Raises
    ------
    InputError
        When the log can't be read.
    """
    condition, values = wanted.condition()
    with log.reading() as connection:
        rows = connection.execute(
            _UNITS.format(condition), (*values, -1 if limit is None else limit, offset)
        ).fetchall()
    units = tuple(
        UnitSummary(
            row["serial"], row["verdicts"], row["id"], row["date"], row["decision"],
            row["deviation_db"], row["expanded_uncertainty_db"],
        )
        for row in rows
    )  # fmt: skip
    return UnitList(units, rows[0]["total"] if rows else 0)


def count_verdicts(connection: sqlite3.Connection, wanted: LogFilter) -> int:
    """Count the verdicts that meet a filter.

    Parameters
    ----------
    connection : sqlite3.Connection
        A connection to the log.
    wanted : LogFilter
        Which ones.

    Returns
    -------
    int
        How many.
    """
    condition, values = wanted.condition()
    counted = connection.execute(
        f"SELECT count(*) FROM verdicts JOIN units ON units.id = verdicts.unit WHERE {condition}",
        values,
    )
    return int(counted.fetchone()[0])


def logged_verdict(log: BenchLog, number: int) -> LoggedVerdict:
    """Look up one verdict.

    Parameters
    ----------
    log : BenchLog
        The log.
    number : int
        Its number.

    Returns
    -------
    LoggedVerdict
        The verdict.

    Raises
    ------
    InputError
        When the log has no such verdict, or can't be read.
    """
    with log.reading() as connection:
        rows = connection.execute(f"{_VERDICTS} WHERE verdicts.id = ?", (number,)).fetchall()
        if not rows:
            raise no_such_verdict(connection, number)
        return _verdicts(connection, rows)[0]


def verdict_text(log: BenchLog, number: int) -> bytes:
    """Read the whole ``verdict.json`` of a verdict, byte for byte as it was logged.

    Parameters
    ----------
    log : BenchLog
        The log.
    number : int
        Number of the verdict.

    Returns
    -------
    bytes
        JSON in UTF-8.

    Raises
    ------
    InputError
        When the log has no such verdict, or can't be read.
    """
    with log.reading() as connection:
        row = connection.execute(
            "SELECT content FROM verdict_files WHERE verdict = ?", (number,)
        ).fetchone()
        if row is None:
            raise no_such_verdict(connection, number)
        return str(row["content"]).encode()


def no_such_verdict(connection: sqlite3.Connection, number: int) -> InputError:
    """Say why there is no such verdict.

    Parameters
    ----------
    connection : sqlite3.Connection
        A connection to the log.
    number : int
        The number asked for.

    Returns
    -------
    InputError
        To be raised.
    """
    stone = connection.execute(
        "SELECT deleted FROM tombstones WHERE verdict = ?", (number,)
    ).fetchone()
    if stone is not None:
        return InputError("verdict", number, f"it was deleted on {stone['deleted'][:10]}")
    return InputError("verdict", number, "name one that the log has; a list shows their numbers")


def _verdicts(connection: sqlite3.Connection, rows: list[sqlite3.Row]) -> tuple[LoggedVerdict, ...]:
    """The verdicts of rows, with what each has several of."""
    numbers = [row["id"] for row in rows]
    fitted, findings, captures, reports = (
        _grouped(connection, table, numbers)
        for table in ("constants", "findings", "captures", "reports")
    )
    return tuple(
        LoggedVerdict(
            row["id"], row["serial"], row["channel"], row["date"], row["taken"],
            row["decision"], row["deviation_db"], row["expanded_uncertainty_db"],
            row["limit_db"], row["unit_curve"],
            tuple(map(_constant, fitted[row["id"]])),
            tuple(finding["text"] for finding in findings[row["id"]]),
            tuple(map(_file, captures[row["id"]])),
            tuple(map(_file, reports[row["id"]])),
            row["title"], row["form"], row["digest"], row["position"], row["path"],
            row["network_serial"], row["operator"], row["software"], row["recorded"], row["who"],
        )
        for row in rows
    )  # fmt: skip


def _grouped(
    connection: sqlite3.Connection, table: str, numbers: Sequence[int]
) -> defaultdict[int, list[sqlite3.Row]]:
    """Rows of a table by the number of their verdict, in their order."""
    rows: defaultdict[int, list[sqlite3.Row]] = defaultdict(list)
    for start in range(0, len(numbers), _AT_ONCE):
        asked = numbers[start : start + _AT_ONCE]
        marks = ", ".join("?" * len(asked))
        for row in connection.execute(
            f"SELECT * FROM {table} WHERE verdict IN ({marks}) ORDER BY verdict, position", asked
        ):
            rows[row["verdict"]].append(row)
    return rows


def _constant(row: sqlite3.Row) -> FittedValue:
    """A constant; JSON and the log hold no number for what is infinite."""
    value, low, high = (math.inf if row[k] is None else row[k] for k in ("value", "low", "high"))
    return FittedValue(row["name"], row["nominal"], value, low, high, row["unit"])


def _file(row: sqlite3.Row) -> LoggedFile:
    return LoggedFile(row["name"], row["sha256"], row["path"])
