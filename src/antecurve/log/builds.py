"""Networks and their builds in the log: written when built or judged through, and listed."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import ClassVar

from antecurve.files.verdict_record import file_digest
from antecurve.log.bench_log import BenchLog, now_utc, user_name
from antecurve.pipeline import Design
from antecurve.results import Result

__all__ = [
    "BuildList",
    "LoggedBuild",
    "Stamp",
    "list_builds",
    "list_positions",
    "record_build",
    "written_build",
]

_BUILDS = """
SELECT builds.serial, builds.measured, builds.recorded, builds.who, networks.title, networks.form,
    networks.digest, networks.position, networks.path,
    (SELECT count(*) FROM verdicts WHERE verdicts.build = builds.id) AS verdicts
FROM builds JOIN networks ON networks.id = builds.network
ORDER BY builds.recorded DESC, builds.id DESC
"""


@dataclass(frozen=True, slots=True)
class Stamp:
    """When and by whom a row is written: UTC, and as the clock on the wall reads.

    Attributes
    ----------
    who : str
        The writer.
    recorded : str
        The moment, UTC, ISO 8601.
    moment : str
        The same by the clock on the wall, without zone.
    """

    who: str
    recorded: str = field(default_factory=now_utc)
    moment: str = field(default_factory=lambda: datetime.now().isoformat(timespec="seconds"))

    @property
    def day(self) -> str:
        """The day at the bench."""
        return self.moment[:10]


@dataclass(frozen=True, slots=True)
class LoggedBuild(Result):
    """A build of a network.

    Attributes
    ----------
    serial : str
        Serial number of the network; empty where none is stated.
    title, form, digest, position : str
        Title, network form and SHA-256 of the design, and the position of its switch; the last
        is empty for a network of one curve.
    design_path : str or None
        The design's file, relative to the folder of the bench; ``None`` for one outside it.
    measured : dict of str to float
        Measured values of its parts [ohm or F]; empty where none are known.
    verdicts : int
        How many verdicts were made through it.
    recorded, who : str
        When it was written into the log, UTC, and by whom.
    """

    _keys: ClassVar = (
        "serial", "design.title:title", "design.form:form", "design.digest:digest",
        "design.position:position", "design.path:design_path", "measured", "verdicts",
        "recorded", "who",
    )  # fmt: skip

    serial: str
    title: str
    form: str
    digest: str
    position: str
    design_path: str | None
    measured: dict[str, float]
    verdicts: int
    recorded: str
    who: str


@dataclass(frozen=True, slots=True)
class BuildList(Result):
    """Builds of networks, the latest first.

    Attributes
    ----------
    builds : tuple of LoggedBuild
        The builds.
    """

    _rows: ClassVar = "builds"

    builds: tuple[LoggedBuild, ...]


def list_builds(log: BenchLog) -> BuildList:
    """List the builds of networks, the latest first.

    Parameters
    ----------
    log : BenchLog
        The log.

    Returns
    -------
    BuildList
        Each with how many verdicts were made through it.

    Raises
    ------
    InputError
        When the log can't be read.
    """
    with log.reading() as connection:
        rows = connection.execute(_BUILDS).fetchall()
    return BuildList(
        tuple(
            LoggedBuild(
                row["serial"], row["title"], row["form"], row["digest"],
                row["position"], row["path"],
                json.loads(row["measured"]), row["verdicts"], row["recorded"], row["who"],
            )
            for row in rows
        )
    )  # fmt: skip


def list_positions(log: BenchLog) -> tuple[str, ...]:
    """List the positions of switches that the log knows.

    Parameters
    ----------
    log : BenchLog
        The log.

    Returns
    -------
    tuple of str
        Their names, those of all boxes together, in the order of the alphabet.

    Raises
    ------
    InputError
        When the log can't be read.
    """
    with log.reading() as connection:
        rows = connection.execute(
            "SELECT DISTINCT position FROM networks WHERE position <> '' ORDER BY position"
        ).fetchall()
    return tuple(row["position"] for row in rows)


def record_build(
    log: BenchLog, design: Design, path: Path, *, serial: str, measured: Mapping[str, float]
) -> None:
    """Write a build into the log, once; it is on the disk when this returns.

    Parameters
    ----------
    log : BenchLog
        The log.
    design : Design
        What was built.
    path : Path
        Its file.
    serial : str
        Serial number of the network; may be empty.
    measured : mapping of str to float
        Measured values of its parts [ohm or F]; may be empty.

    Raises
    ------
    InputError
        When the log can't be written.
    """
    facts = {
        "digest": file_digest(path).sha256,
        "title": design.job.title,
        "form": design.picked.topology.form,
        "position": design.position,
    }
    with log.writing() as connection:
        written_build(
            connection, log, facts, path, serial=serial, measured=measured, stamp=Stamp(user_name())
        )


def written_build(
    connection: sqlite3.Connection,
    log: BenchLog,
    design: Mapping[str, str | None],
    path: Path | None,
    *,
    serial: str,
    measured: Mapping[str, float],
    stamp: Stamp,
) -> int:
    """Write the network and a build of it, where the log has not got them.

    Parameters
    ----------
    connection : sqlite3.Connection
        A connection that writes.
    log : BenchLog
        The log.
    design : mapping of str to str or None
        ``digest``, ``title`` and ``form`` of the design, and the ``position`` of its switch; the
        last may be missing.
    path : Path or None
        Its file, where it is at hand.
    serial : str
        Serial number of the network; may be empty.
    measured : mapping of str to float
        Measured values of its parts [ohm or F].
    stamp : Stamp
        When and by whom.

    Returns
    -------
    int
        Number of the build.
    """
    key = (design["digest"] or "", design["title"], design["form"])
    relative = None if path is None else log.relative(path)
    connection.execute(
        "INSERT INTO networks (digest, title, form, position, path, recorded, who)"
        " VALUES (?, ?, ?, ?, ?, ?, ?)"
        " ON CONFLICT DO UPDATE SET path = coalesce(excluded.path, path),"
        " position = coalesce(nullif(excluded.position, ''), position)",
        (*key, design.get("position") or "", relative, stamp.recorded, stamp.who),
    )
    network = _number(
        connection.execute(
            "SELECT id FROM networks WHERE (digest, title, form) = (?, ?, ?)", key
        )
    )  # fmt: skip
    build = (network, serial, json.dumps(dict(sorted(measured.items()))))
    connection.execute(
        "INSERT INTO builds (network, serial, measured, recorded, who)"
        " VALUES (?, ?, ?, ?, ?) ON CONFLICT DO NOTHING",
        (*build, stamp.recorded, stamp.who),
    )
    return _number(
        connection.execute(
            "SELECT id FROM builds WHERE (network, serial, measured) = (?, ?, ?)", build
        )
    )


def _number(cursor: sqlite3.Cursor) -> int:
    return int(cursor.fetchone()[0])
