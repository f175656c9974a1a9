"""What commands that judge write into a log."""

from __future__ import annotations

import sys
from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from antecurve.log.recording import NewVerdict

__all__ = ["check_log", "log_verdicts"]


def check_log(given: Path | None, serial: str | None) -> None:
    """Refuse a log that can't be written to, before anything is worked out.

    Parameters
    ----------
    given : Path or None
        Folder of the bench, or its log; ``None`` where nothing is to be logged.
    serial : str or None
        Serial number of the unit; ``None`` for a batch, whose units are named by their files.

    Raises
    ------
    InputError
        When the log is damaged or another program's, or the unit has no serial number.
    """
    if given is None:
        return
    from antecurve.errors import InputError
    from antecurve.log.bench_log import log_path, open_log

    if serial is not None and not serial.strip():
        raise InputError("--serial", serial, "name the unit; the log is kept by serial number")
    if log_path(given).exists():
        open_log(given)


def log_verdicts(given: Path | None, entries: Iterable[NewVerdict]) -> None:
    """Write verdicts into a log, made where there is none, and say so.

    Parameters
    ----------
    given : Path or None
        Folder of the bench, or its log; ``None`` where nothing is to be logged.
    entries : iterable of NewVerdict
        The verdicts.

    Raises
    ------
    InputError
        When the log can't be written.
    """
    if given is None:
        return
    from antecurve.files.output_folder import being_written
    from antecurve.log.bench_log import log_path, open_log
    from antecurve.log.recording import record_verdicts

    verdicts = tuple(entries)
    with being_written(log_path(given)):
        log = open_log(given, make=True)
        numbers = record_verdicts(log, verdicts)
    for number, verdict in zip(numbers, verdicts, strict=True):
        print(f"Logged as verdict {number} on unit {verdict.serial}.", file=sys.stderr)
