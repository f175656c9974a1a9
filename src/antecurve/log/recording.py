"""Writing verdicts into the log."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from antecurve.errors import InputError
from antecurve.files.verdict_record import file_digest
from antecurve.log.bench_log import BenchLog, unit_number, user_name
from antecurve.log.builds import Stamp, written_build
from antecurve.log.log_texts import searched_text, sortable_date
from antecurve.log.schema import finding_kind

__all__ = ["NewVerdict", "record_repair", "record_verdicts"]

_FORMAT = "antecurve-verdict-1"
_LONGEST_SERIAL = 200  # characters: a line of a label or a test report


@dataclass(frozen=True, slots=True)
class NewVerdict:
    """A verdict to be logged.

    Attributes
    ----------
    content : bytes
        ``verdict.json``, as `antecurve.files.verdict_file.verdict_json` writes it with its record.
    serial : str
        Serial number of the unit; the log keeps verdicts by it.
    channel : str
        Channel of the unit; empty where it has one, or none is named.
    measured : mapping of str to float
        Measured values of the network's parts [ohm or F]; empty for one judged by tolerance.
    design : Path or None
        File of the network's design.
    captures : tuple of Path
        Files of the captures, in the order of the verdict; none where they are not at hand.
    reports : tuple of Path
        Test reports, as they are on the disk.
    """

    content: bytes
    serial: str
    channel: str = ""
    measured: Mapping[str, float] | None = None
    design: Path | None = None
    captures: tuple[Path, ...] = ()
    reports: tuple[Path, ...] = ()


def record_verdicts(log: BenchLog, entries: Sequence[NewVerdict]) -> tuple[int, ...]:
    """Write verdicts into the log, all or none; they are on the disk when this returns.

    Parameters
    ----------
    log : BenchLog
        The log.
    entries : sequence of NewVerdict
        The verdicts.

    Returns
    -------
    tuple of int
        The number of each in the log.

    Raises
    ------
    InputError
        When a unit has no serial number, a text is no verdict, or the log can't be written.
    """
    read = [(entry, _serial(entry.serial), _verdict_of(entry.content)) for entry in entries]
    digests = [[(path, file_digest(path).sha256) for path in e.reports] for e in entries]
    stamp = Stamp(user_name())
    numbers = []
    with log.writing() as connection:
        for (entry, serial, verdict), reports in zip(read, digests, strict=True):
            try:
                numbers.append(_written(connection, log, entry, serial, verdict, stamp))
            except (KeyError, TypeError, sqlite3.IntegrityError):
                raise _no_verdict(entry.content) from None
            connection.executemany(
                "INSERT INTO reports VALUES (?, ?, ?, ?, ?)",
                [
                    (numbers[-1], position, path.name, digest, log.relative(path))
                    for position, (path, digest) in enumerate(reports)
                ],
            )
    return tuple(numbers)


def record_repair(
    log: BenchLog, serial: str, text: str, *, date: str = "", operator: str = ""
) -> None:
    """Write a repair into the log: verdicts logged later are on the unit as repaired.

    Parameters
    ----------
    log : BenchLog
        The log.
    serial : str
        Serial number of the unit.
    text : str
        What was done.
    date : str, optional
        When, as it is to read; by default today.
    operator : str, optional
        By whom.

    Raises
    ------
    InputError
        When the log has no such unit, nothing was done, or the log can't be written.
    """
    if not text.strip():
        raise InputError("repair", text, "say what was done")
    stamp = Stamp(operator or user_name())
    stated = date.strip()
    with log.writing() as connection:
        connection.execute(
            "INSERT INTO repairs"
            " (unit, date, taken, behind, text, operator, recorded, who)"
            " VALUES (?, ?, ?, (SELECT coalesce(max(id), 0) FROM verdicts), ?, ?, ?, ?)",
            (
                unit_number(connection, serial), stated or stamp.day,
                sortable_date(stated) or stamp.moment, text.strip(), operator,
                stamp.recorded, stamp.who,
            ),
        )  # fmt: skip


def _serial(text: str) -> str:
    serial = " ".join(text.split())
    if not serial or len(serial) > _LONGEST_SERIAL:
        rule = f"name the unit, in up to {_LONGEST_SERIAL} characters; the log is kept by it"
        raise InputError("serial number", text, rule)
    return serial


def _verdict_of(content: bytes) -> dict[str, Any]:
    """The verdict in a JSON text, with all that the log reads of it."""
    try:
        verdict = json.loads(content)
        if verdict["format"] != _FORMAT or not {"design", "captures"} <= verdict.keys():
            raise KeyError("format")
    except (ValueError, KeyError, TypeError):
        raise _no_verdict(content) from None
    return dict(verdict)


def _no_verdict(content: bytes) -> InputError:
    rule = "it must be a verdict with its design and captures, as judge writes it"
    return InputError("verdict", content[:40].decode("utf-8", "replace"), rule)


def _written(
    connection: sqlite3.Connection,
    log: BenchLog,
    entry: NewVerdict,
    serial: str,
    verdict: Mapping[str, Any],
    stamp: Stamp,
) -> int:
    """Write a verdict with the unit and the build it is about; its number."""
    by = replace(stamp, who=verdict.get("operator") or stamp.who)
    unit = _unit(connection, serial, by)
    build = written_build(
        connection, log, verdict["design"], entry.design,
        serial=verdict.get("network_serial") or "", measured=entry.measured or {}, stamp=by,
    )  # fmt: skip
    number = _verdict(connection, entry, verdict, (unit, build), serial, by)
    _details(connection, log, number, entry, verdict)
    return number


def _unit(connection: sqlite3.Connection, serial: str, stamp: Stamp) -> int:
    connection.execute(
        "INSERT INTO units (serial, recorded, who) VALUES (?, ?, ?) ON CONFLICT DO NOTHING",
        (serial, stamp.recorded, stamp.who),
    )
    return _number(connection.execute("SELECT id FROM units WHERE serial = ?", (serial,)))


def _verdict(
    connection: sqlite3.Connection,
    entry: NewVerdict,
    verdict: Mapping[str, Any],
    owners: tuple[int, int],
    serial: str,
    stamp: Stamp,
) -> int:
    stated = (verdict.get("date") or "").strip()
    operator = verdict.get("operator") or ""
    words = (
        serial, entry.channel, stated, operator, verdict.get("network_serial") or "",
        verdict["verdict"], verdict["unit_curve"], verdict["design"]["title"],
        *verdict["findings"], *(capture["name"] for capture in verdict["captures"]),
    )  # fmt: skip
    row = {
        "unit": owners[0],
        "build": owners[1],
        "channel": entry.channel,
        "date": stated or stamp.day,
        "taken": stamp.moment if stated == stamp.day else sortable_date(stated) or stamp.moment,
        "operator": operator,
        "decision": verdict["verdict"],
        "deviation_db": verdict["deviation_db"],
        "expanded_uncertainty_db": verdict["expanded_uncertainty_db"],
        "limit_db": verdict["limit_db"],
        "unit_curve": verdict["unit_curve"],
        "software": verdict.get("software") or "",
        "words": searched_text("\n".join(words)),
        "recorded": stamp.recorded,
        "who": stamp.who,
    }
    cursor = connection.execute(
        f"INSERT INTO verdicts ({', '.join(row)}) VALUES ({', '.join('?' * len(row))})",
        tuple(row.values()),
    )
    return int(cursor.lastrowid or 0)


def _details(
    connection: sqlite3.Connection,
    log: BenchLog,
    number: int,
    entry: NewVerdict,
    verdict: Mapping[str, Any],
) -> None:
    """What a verdict has several of, and its whole text."""
    connection.execute(
        "INSERT INTO verdict_files VALUES (?, ?)", (number, entry.content.decode("utf-8"))
    )
    names = ("name", "nominal", "value", "low", "high", "unit")
    connection.executemany(
        "INSERT INTO constants VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        [
            (number, position, *(constant[name] for name in names))
            for position, constant in enumerate(verdict["fitted"])
        ],
    )
    connection.executemany(
        "INSERT INTO findings VALUES (?, ?, ?, ?)",
        [
            (number, position, text, finding_kind(text))
            for position, text in enumerate(verdict["findings"])
        ],
    )
    captures = verdict["captures"]
    paths = entry.captures if len(entry.captures) == len(captures) else (None,) * len(captures)
    connection.executemany(
        "INSERT INTO captures VALUES (?, ?, ?, ?, ?, ?, ?)",
        [
            (
                number, position, capture["name"], capture["kind"], capture["signal"],
                capture["sha256"], None if path is None else log.relative(path),
            )
            for position, (capture, path) in enumerate(zip(captures, paths, strict=True))
        ],
    )  # fmt: skip


def _number(cursor: sqlite3.Cursor) -> int:
    return int(cursor.fetchone()[0])
