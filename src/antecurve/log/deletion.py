"""Deleting verdicts; a tombstone says that there was one."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Sequence
from dataclasses import astuple, dataclass
from typing import ClassVar

from antecurve.log.bench_log import BenchLog, now_utc, user_name
from antecurve.log.listing import no_such_verdict
from antecurve.results import Result

__all__ = ["Tombstone", "Tombstones", "delete_verdicts", "list_tombstones"]

_DOOMED = """
SELECT verdicts.id, units.serial, verdicts.channel, verdicts.date, verdicts.decision, content
FROM verdicts JOIN units ON units.id = verdicts.unit
    JOIN verdict_files ON verdict_files.verdict = verdicts.id
WHERE verdicts.id = ?
"""


@dataclass(frozen=True, slots=True)
class Tombstone(Result):
    """What is known of a verdict that was deleted.

    Attributes
    ----------
    number : int
        Its number; no other verdict gets it.
    serial, channel, date, decision : str
        Of the verdict.
    digest : str
        SHA-256 of its ``verdict.json`` in hexadecimal.
    deleted, who : str
        When, UTC, and by whom.
    reason : str
        Why; empty where none is given.
    """

    _keys: ClassVar = (
        "number", "serial", "channel", "date", "verdict:decision", "digest", "deleted", "who",
        "reason",
    )  # fmt: skip

    number: int
    serial: str
    channel: str
    date: str
    decision: str
    digest: str
    deleted: str
    who: str
    reason: str


@dataclass(frozen=True, slots=True)
class Tombstones(Result):
    """The tombstones of a log.

    Attributes
    ----------
    deleted : tuple of Tombstone
        What was deleted last first.
    """

    _rows: ClassVar = "deleted"

    deleted: tuple[Tombstone, ...]


def delete_verdicts(
    log: BenchLog, numbers: Sequence[int], *, reason: str = "", who: str = ""
) -> Tombstones:
    """Delete verdicts with all that belongs to them, all or none; each leaves a tombstone.

    Files of captures and reports stay as they are.  Units without a verdict or repair go, too.

    Parameters
    ----------
    log : BenchLog
        The log.
    numbers : sequence of int
        Numbers of the verdicts.
    reason : str, optional
        Why they are deleted.
    who : str, optional
        By whom; by default the user as the system knows it.

    Returns
    -------
    Tombstones
        In the order of `numbers`.

    Raises
    ------
    InputError
        When there is no such verdict, or the log can't be written.
    """
    moment, deleter = now_utc(), who or user_name()
    stones = []
    with log.writing() as connection:
        for number in dict.fromkeys(numbers):
            stone = _tombstone(connection, number, moment, deleter, reason)
            connection.execute(
                "INSERT INTO tombstones VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
                astuple(stone),
            )
            connection.execute("DELETE FROM verdicts WHERE id = ?", (number,))
            stones.append(stone)
        connection.execute(
            "DELETE FROM units WHERE id NOT IN (SELECT unit FROM verdicts)"
            " AND id NOT IN (SELECT unit FROM repairs)"
        )
    return Tombstones(tuple(stones))


def list_tombstones(log: BenchLog) -> Tombstones:
    """List what was deleted, the last first.

    Parameters
    ----------
    log : BenchLog
        The log.

    Returns
    -------
    Tombstones
        All of them.

    Raises
    ------
    InputError
        When the log can't be read.
    """
    with log.reading() as connection:
        rows = connection.execute("SELECT * FROM tombstones ORDER BY deleted DESC, verdict DESC")
        return Tombstones(tuple(Tombstone(*row) for row in rows))


def _tombstone(
    connection: sqlite3.Connection, number: int, moment: str, who: str, reason: str
) -> Tombstone:
    row = connection.execute(_DOOMED, (number,)).fetchone()
    if row is None:
        raise no_such_verdict(connection, number)
    return Tombstone(
        number=row["id"],
        serial=row["serial"],
        channel=row["channel"],
        date=row["date"],
        decision=row["decision"],
        digest=hashlib.sha256(row["content"].encode()).hexdigest(),
        deleted=moment,
        who=who,
        reason=reason,
    )
