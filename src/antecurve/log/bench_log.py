"""The file of a log: opened, checked, migrated, read and written."""

from __future__ import annotations

import getpass
import os
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import quote

from antecurve.errors import AntecurveError, FileFormatError, InputError
from antecurve.log.schema import APPLICATION, VERSION, migrate

__all__ = ["LOG_NAME", "BenchLog", "log_path", "now_utc", "open_log", "unit_number", "user_name"]

LOG_NAME = "log.sqlite"
"""Name of the file in the folder of a bench."""
_LONGEST_WAIT_S = 30.0  # a write takes well below a second; longer means that a program hangs
_BETWEEN_TRIES_S = 0.02  # too short to be noticed, long enough to leave the processor idle
_DAMAGED = ("it is damaged", "restore a backup of it")
_BUSY = ("another program is writing to it", "wait until it ends")
_CLOSED = ("it can't be opened", "allow reading and writing in its folder")
_REASONS = {
    "SQLITE_CORRUPT": _DAMAGED,
    "SQLITE_NOTADB": ("no log, or a damaged one", "name a log, or restore a backup of it"),
    "SQLITE_BUSY": _BUSY,
    "SQLITE_LOCKED": _BUSY,
    "SQLITE_READONLY": ("it can't be written", "allow writing to the file and its folder"),
    "SQLITE_CANTOPEN": _CLOSED,
    "SQLITE_PERM": _CLOSED,
    "SQLITE_FULL": ("the disk is full", "make space"),
    "SQLITE_IOERR": ("the disk can't be read or written", "try another one"),
    "SQLITE_TOOBIG": ("a text is too large for it", "log a smaller one"),
}
"""What SQLite's primary result codes mean to a user: what is wrong, and what to do."""


@dataclass(frozen=True, slots=True)
class BenchLog:
    """A log that has been checked; nothing is open between calls.

    Attributes
    ----------
    path : Path
        The file, absolute.
    """

    path: Path

    @property
    def folder(self) -> Path:
        """The folder of the bench, which paths in the log are relative to."""
        return self.path.parent

    @contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """Open the log to read: one state of it, whatever is written meanwhile.

        Yields
        ------
        sqlite3.Connection
            Its rows are read by name.

        Raises
        ------
        InputError
            When it can't be read.
        """
        with _refusing(self.path), _connected(self.path, write=False) as connection:
            connection.execute("BEGIN")
            yield connection

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """Open the log to write: on the disk at the end, or nothing of it after an error.

        Yields
        ------
        sqlite3.Connection
            Its rows are read by name.

        Raises
        ------
        InputError
            When it can't be written.
        """
        with _refusing(self.path), _connected(self.path, write=True) as connection:
            connection.execute("BEGIN IMMEDIATE")
            try:
                yield connection
            except BaseException:
                connection.execute("ROLLBACK")
                raise
            connection.execute("COMMIT")

    def relative(self, path: Path) -> str | None:
        """Write a path as the log holds it.

        Parameters
        ----------
        path : Path
            A file.

        Returns
        -------
        str or None
            Relative to the folder of the bench, with forward slashes; ``None`` for a file
            outside it, which a copy of the folder would not have, and for none at all.
        """
        if not path.is_file():
            return None
        try:
            return Path(os.path.realpath(path)).relative_to(self.folder.resolve()).as_posix()
        except ValueError:
            return None


def log_path(given: Path | str) -> Path:
    """Find the file of a log by what the user names.

    Parameters
    ----------
    given : Path or str
        The folder of a bench, or the file itself: what exists as a file or ends in ``.sqlite``.

    Returns
    -------
    Path
        The file, absolute; it need not exist.
    """
    path = Path(os.path.abspath(given))
    is_file = path.is_file() or (path.suffix == ".sqlite" and not path.is_dir())
    return path if is_file else path / LOG_NAME


def open_log(given: Path | str, *, make: bool = False) -> BenchLog:
    """Open a log: check that it is whole, and migrate it if it is of an earlier version.

    Parameters
    ----------
    given : Path or str
        The folder of a bench, or the log itself.
    make : bool, optional
        Whether to make a log, and its folder, where there is none.

    Returns
    -------
    BenchLog
        The log.

    Raises
    ------
    InputError
        When there is none, it is damaged, of a later version or of another program, or can't be
        read; with `make` also when it can't be written.
    """
    path = log_path(given)
    if make:
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            reason = error.strerror or str(error)
            raise InputError("log", str(given), f"its folder can't be made: {reason}") from None
    elif not path.is_file():
        rule = "judge a unit with --log to begin one"
        raise FileFormatError.unreadable(path, "there is no log", rule)
    log = BenchLog(path)
    with _refusing(path):
        if make or _version(path) < VERSION:
            with _connected(path, write=True) as connection:
                _refuse_foreign(connection, path)
                _use_write_ahead_log(connection)
                migrate(connection)
        with _connected(path, write=False) as connection:
            _refuse_foreign(connection, path)
            _refuse_damaged(connection, path)
    return log


def now_utc() -> str:
    """Tell the time as the log writes it.

    Returns
    -------
    str
        UTC to the second, ISO 8601, such as ``2026-05-04T10:11:12Z``.
    """
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def unit_number(connection: sqlite3.Connection, serial: str) -> int:
    """Look up a unit.

    Parameters
    ----------
    connection : sqlite3.Connection
        A connection to the log.
    serial : str
        Serial number of the unit.

    Returns
    -------
    int
        Its number in the table of units.

    Raises
    ------
    InputError
        When the log has no such unit.
    """
    row = connection.execute("SELECT id FROM units WHERE serial = ?", (serial,)).fetchone()
    if row is None:
        raise InputError("serial number", serial, "the log has no such unit; search for it")
    return int(row["id"])


def user_name() -> str:
    """Tell who is at work, as the system knows it.

    Returns
    -------
    str
        The login name; empty where there is none.
    """
    try:
        return getpass.getuser()
    except (ImportError, KeyError, OSError):  # no such user in the system's list
        return ""


@contextmanager
def _connected(path: Path, *, write: bool) -> Iterator[sqlite3.Connection]:
    """A connection that is closed at the end."""
    with closing(_connect(path, write=write)) as connection:
        connection.row_factory = sqlite3.Row
        connection.execute("PRAGMA foreign_keys = ON")
        # A commit is on the disk before it returns, not only with the operating system.
        connection.execute("PRAGMA synchronous = FULL")
        # What is deleted is gone from the file, too.
        connection.execute("PRAGMA secure_delete = ON")
        yield connection


def _connect(path: Path, *, write: bool) -> sqlite3.Connection:
    """A connection; to read, also in a folder that can't be written."""
    modes = ["mode=rwc"] if write else ["mode=rw", "mode=ro"]
    ahead = path.with_name(f"{path.name}-wal")
    if not write and not (ahead.exists() and ahead.stat().st_size):
        # Nothing is written ahead of the file, which is all there is to read then.
        modes.append("mode=ro&immutable=1")
    for mode in modes:
        connection = sqlite3.connect(
            f"file:{quote(path.as_posix())}?{mode}", uri=True, timeout=_LONGEST_WAIT_S,
            isolation_level=None,
        )  # fmt: skip
        try:
            connection.execute("PRAGMA schema_version").fetchone()
        except sqlite3.OperationalError as error:
            connection.close()
            refused = _primary(error) in ("SQLITE_CANTOPEN", "SQLITE_READONLY", "SQLITE_PERM")
            if mode == modes[-1] or not refused:
                raise
        except BaseException:
            connection.close()
            raise
        else:
            return connection
    raise AssertionError(modes)


def _version(path: Path) -> int:
    with _connected(path, write=False) as connection:
        return int(connection.execute("PRAGMA user_version").fetchone()[0])


def _use_write_ahead_log(connection: sqlite3.Connection) -> None:
    """Let readers and a writer not wait for each other; the file remembers it."""
    end = time.monotonic() + _LONGEST_WAIT_S
    while connection.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
        try:
            connection.execute("PRAGMA journal_mode = WAL").fetchone()
        except sqlite3.OperationalError as error:
            # Of two that change it at once one is told so without any waiting.
            if _primary(error) != "SQLITE_BUSY" or time.monotonic() > end:
                raise
            time.sleep(_BETWEEN_TRIES_S)


def _refuse_foreign(connection: sqlite3.Connection, path: Path) -> None:
    """Refuse what is another program's, or of a later version of this one."""
    (version,) = connection.execute("PRAGMA user_version").fetchone()
    (application,) = connection.execute("PRAGMA application_id").fetchone()
    (tables,) = connection.execute("SELECT count(*) FROM sqlite_schema").fetchone()
    if application != APPLICATION and (tables or version or application):
        raise FileFormatError.unreadable(path, "a database of another program", "name a log")
    if version > VERSION:
        raise FileFormatError.unreadable(
            path,
            f"a log of version {version}, while this program knows versions up to {VERSION}",
            "install a newer antecurve",
        )


def _refuse_damaged(connection: sqlite3.Connection, path: Path) -> None:
    (state,) = connection.execute("PRAGMA integrity_check(1)").fetchone()
    if state != "ok" or connection.execute("PRAGMA foreign_key_check").fetchone():
        raise FileFormatError.unreadable(path, *_DAMAGED)


def _primary(error: sqlite3.Error) -> str:
    """The primary one of SQLite's result codes, such as ``SQLITE_IOERR`` of its many kinds."""
    name = getattr(error, "sqlite_errorname", "") or ""
    return next((code for code in _REASONS if name == code or name.startswith(f"{code}_")), name)


@contextmanager
def _refusing(path: Path) -> Iterator[None]:
    """Turn what SQLite refuses into one sentence."""
    try:
        yield
    except AntecurveError:
        raise
    except sqlite3.Error as error:
        reason = _REASONS.get(_primary(error))
        if reason is None:
            raise
        raise FileFormatError.unreadable(path, *reason) from None
