"""Copies of a log, made while it is in use."""

from __future__ import annotations

import os
import sqlite3
import tempfile
from contextlib import closing
from pathlib import Path

from antecurve.errors import InputError, OutputExistsError
from antecurve.log.bench_log import BenchLog, open_log

__all__ = ["back_up"]


def back_up(log: BenchLog, target: Path, *, force: bool = False) -> None:
    """Copy a log as it is at one moment, whatever is written meanwhile.

    The copy is made beside its place by SQLite's online backup, checked, and renamed.

    Parameters
    ----------
    log : BenchLog
        The log.
    target : Path
        File to make.
    force : bool, optional
        Whether an existing file may be replaced.

    Raises
    ------
    OutputExistsError
        When the file exists and `force` is not set.
    InputError
        When it is the log itself, or can't be written.
    """
    if target.exists() and not force:
        raise OutputExistsError(target)
    if target.is_dir() or (target.exists() and target.samefile(log.path)):
        raise InputError("backup", str(target), "name another file")
    try:
        handle, name = tempfile.mkstemp(
            prefix=".antecurve-", suffix=".sqlite", dir=target.absolute().parent
        )
        os.close(handle)
        staged = Path(name)
        try:
            with log.reading() as connection, closing(sqlite3.connect(staged)) as copy:
                connection.backup(copy)
            open_log(staged)
            staged.chmod(log.path.stat().st_mode)
            staged.replace(target)
        finally:
            staged.unlink(missing_ok=True)
    except OSError as error:
        reason = error.strerror or str(error)
        raise InputError("backup", str(target), f"it can't be written: {reason}") from None
