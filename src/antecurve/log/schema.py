"""The tables of a log: numbered steps from an empty file to the version of today."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from importlib.resources import files

__all__ = ["APPLICATION", "VERSION", "migrate", "statements"]

APPLICATION = int.from_bytes(b"acvl")
"""The ``application_id`` in the header of the file, by which SQLite files are told apart."""
VERSION = 1
"""The version that this program reads and writes: the number of its last step."""


def statements(step: int) -> Iterator[str]:
    """Read the SQL of a migration.

    Parameters
    ----------
    step : int
        The version that it leads to, from 1.

    Yields
    ------
    str
        One statement each.
    """
    text = (files("antecurve.log") / "migrations" / f"{step}.sql").read_text("utf-8")
    statement = ""
    for line in text.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            yield statement
            statement = ""


def migrate(connection: sqlite3.Connection) -> None:
    """Bring a log to the version of today, in one transaction.

    Parameters
    ----------
    connection : sqlite3.Connection
        A connection without an open transaction, to an empty file or a log of any version up to
        today's.

    Raises
    ------
    sqlite3.Error
        When it can't be done; the file is then as it was.
    """
    connection.execute("BEGIN IMMEDIATE")
    try:
        # Another process may have done it while this one waited.
        (version,) = connection.execute("PRAGMA user_version").fetchone()
        for step in range(version + 1, VERSION + 1):
            for statement in statements(step):
                connection.execute(statement)
        if version < VERSION:
            connection.execute(f"PRAGMA application_id = {APPLICATION}")
            connection.execute(f"PRAGMA user_version = {VERSION}")
        connection.execute("COMMIT")
    except BaseException:
        connection.execute("ROLLBACK")
        raise
