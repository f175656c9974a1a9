"""The tables of a log: numbered steps from an empty file to the version of today."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator
from importlib.resources import files

__all__ = ["APPLICATION", "VERSION", "finding_kind", "migrate", "statements"]

APPLICATION = int.from_bytes(b"acvl")
"""The ``application_id`` in the header of the file, by which SQLite files are told apart."""
VERSION = 3
"""The version that this program reads and writes: the number of its last step."""
_FILE = re.compile(r"^(?:\S+|[^:]+\.\w{2,5}):\s")
_ASIDE = re.compile(r"\([^)]*\)")
_NUMBER = re.compile(
    r"[±+\N{MINUS SIGN}-]?(?<![A-Za-z])\d[\d.,]*(?: ?(?:%|°C|(?:[kMGTmµnp]?(?:Hz|V|s|F|Ω)|dB)\b))?"
)


def finding_kind(text: str) -> str:
    """Reduce a finding to what it says of any unit, without the numbers of this one.

    Parameters
    ----------
    text : str
        A finding of a verdict.

    Returns
    -------
    str
        Its first clause, each quantity replaced by an ellipsis, without the name of a capture in
        front and what stands in brackets.

    Examples
    --------
    >>> finding_kind("Treble time constant 61.73 µs (61.32 to 62.09), 18 % low (nominal 75 µs): x")
    'Treble time constant …, … low'
    """
    said = _ASIDE.sub("", _FILE.sub("", text))
    clause = re.split(r"[:;.](?=\s|$)", said, maxsplit=1)[0]
    return " ".join(_NUMBER.sub("…", clause).replace(" ,", ",").split())


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
    connection.create_function("finding_kind", 1, finding_kind, deterministic=True)
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
