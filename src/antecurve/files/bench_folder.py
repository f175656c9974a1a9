"""The folder of a bench: networks, units and their captures as plain files.

::

    FOLDER/
      networks/NAME/      job.toml, drawer.csv, what antecurve design writes, values.csv, build.json
      captures/           captures to choose from: files, or a folder for each unit
      circuits/           circuits of units to choose from
      recordings/NAME/    records through a sound interface, each reference with its date
      units/SERIAL/       unit.toml, and a folder a test: captures, verdict.json, test-report.html
      log.sqlite          the log of units
"""

from __future__ import annotations

import hashlib
import json
import re
import shutil
import tempfile
import time
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from antecurve.errors import FileFormatError, InputError
from antecurve.files.captures import capture_units
from antecurve.files.output_folder import write_file

__all__ = ["BenchFolder", "LastChange", "file_name", "folder_name"]

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9 ._-]*")
_LONGEST = 80  # characters: with a folder and an ending still below the 255 of file systems
_PLAIN = re.compile(r"[^A-Za-z0-9 _-]")
_UPLOADS = ".uploads"
_ABANDONED_S = 86400.0  # no test takes a day
_LAST_CHANGE = ".last-change.json"
_RESERVED = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\..*)?", re.IGNORECASE)  # devices of Windows


def file_name(text: str, *, field: str) -> str:
    """Check the name of a file or folder that a user gives.

    Parameters
    ----------
    text : str
        The name.
    field : str
        Where it stands, for the message.

    Returns
    -------
    str
        The name, without spaces around it.

    Raises
    ------
    InputError
        When it is empty, too long, or could name something outside its folder.
    """
    name = text.strip()
    if not _NAME.fullmatch(name) or len(name) > _LONGEST or name[-1] in ". ":
        raise InputError(
            field, text,
            f"use letters, digits, spaces, dots, hyphens and underscores, at most {_LONGEST}; "
            "begin with a letter or digit",
        )  # fmt: skip
    if _RESERVED.fullmatch(name):
        raise InputError(field, text, "it is the name of a device on some systems; choose another")
    return name


def folder_name(text: str) -> str:
    """Write any text as the name of a folder, unlike texts as unlike names.

    Parameters
    ----------
    text : str
        For example a serial number.

    Returns
    -------
    str
        The text where it can be a name; else with its other characters as ``%`` and their
        numbers in hexadecimal, and cut with a digest where it is long.
    """
    name = _PLAIN.sub(lambda match: f"%{ord(match[0]):X}.", text)
    if name != name.strip() or not name or _RESERVED.fullmatch(name):
        name = f"%{name}%"
    if len(name) <= _LONGEST:
        return name
    return f"{name[: _LONGEST - 17]}-{hashlib.sha256(text.encode()).hexdigest()[:16]}"


@dataclass(frozen=True, slots=True)
class LastChange:
    """The last change of a file, so that it can be undone.

    Attributes
    ----------
    what : str
        What was changed, in words.
    path : str
        The file, relative to the folder of the bench.
    before, after : str or None
        Its text; ``None`` where there was no file.
    """

    what: str
    path: str
    before: str | None
    after: str | None


@dataclass(frozen=True, slots=True)
class BenchFolder:
    """The folder of a bench.

    Attributes
    ----------
    path : Path
        The folder; it may not exist yet.
    """

    path: Path

    @property
    def log(self) -> Path:
        """The file of the log."""
        return self.path / "log.sqlite"

    @property
    def networks(self) -> tuple[str, ...]:
        """Names of the networks, in alphabetical order."""
        folder = self.path / "networks"
        if not folder.is_dir():
            return ()
        return tuple(sorted(p.name for p in folder.iterdir() if (p / "job.toml").is_file()))

    def network(self, name: str) -> Path:
        """Locate the folder of a network.

        Parameters
        ----------
        name : str
            Name of the network.

        Returns
        -------
        Path
            Its folder, which need not exist.

        Raises
        ------
        InputError
            When the name can't be one.
        """
        return self._inside(self.path / "networks" / file_name(name, field="network"))

    @property
    def captures(self) -> dict[str, tuple[Path, ...]]:
        """Captures that lie in the folder, by unit as in a batch."""
        folder = self.path / "captures"
        try:
            return capture_units(folder) if folder.is_dir() else {}
        except (FileFormatError, OSError):
            return {}

    @property
    def circuits(self) -> dict[str, Path]:
        """Circuits of units that lie in the folder, by name."""
        return {path.stem: path for path in sorted((self.path / "circuits").glob("*.toml"))}

    @property
    def recordings(self) -> Path:
        """The folder of records through a sound interface."""
        return self.path / "recordings"

    def recording(self, name: str) -> Path:
        """Locate the folder of a recording.

        Parameters
        ----------
        name : str
            Name of the recording.

        Returns
        -------
        Path
            Its folder, which need not exist.

        Raises
        ------
        InputError
            When the name can't be one.
        """
        return self._inside(self.recordings / file_name(name, field="recording"))

    def new_upload(self) -> Path:
        """Make an empty folder for what is taken in.

        Returns
        -------
        Path
            The folder.
        """
        uploads = self.path / _UPLOADS
        uploads.mkdir(parents=True, exist_ok=True)
        return Path(tempfile.mkdtemp(prefix="", dir=uploads))

    def remove_abandoned(self) -> None:
        """Remove what was taken in and never used: what a stopped server leaves behind."""
        uploads = self.path / _UPLOADS
        if uploads.is_dir():
            for folder in uploads.iterdir():
                if time.time() - folder.stat().st_mtime > _ABANDONED_S:
                    shutil.rmtree(folder, ignore_errors=True)

    def existing_network(self, name: str) -> Path:
        """Locate the folder of a network that exists.

        Parameters
        ----------
        name : str
            Name of the network.

        Returns
        -------
        Path
            Its folder.

        Raises
        ------
        InputError
            When there is none of that name.
        """
        folder = self.network(name)
        if not (folder / "job.toml").is_file():
            raise InputError("network", name, "there is no such network in this folder")
        return folder

    def unit(self, serial: str) -> Path:
        """Locate the folder of a unit.

        Parameters
        ----------
        serial : str
            Its serial number, any text.

        Returns
        -------
        Path
            Its folder, which need not exist.
        """
        return self._inside(self.path / "units" / folder_name(serial))

    def _inside(self, path: Path) -> Path:
        """The path, unless a link leads it out of the folder."""
        if not path.resolve().is_relative_to(self.path.resolve()):
            raise InputError("folder", path.name, "it leads out of the folder of the bench")
        return path

    def change(self, path: Path, text: str, *, what: str) -> None:
        """Write a file of text, and remember what it was.

        Parameters
        ----------
        path : Path
            The file.
        text : str
            Its new text.
        what : str
            What is changed, in words.
        """
        self.change_all({path: text}, what=what)

    def change_all(self, texts: Mapping[Path, str], *, what: str) -> None:
        """Write files of text, and remember what they were.

        Parameters
        ----------
        texts : mapping of Path to str
            New text by file.
        what : str
            What is changed, in words.
        """
        changes = [
            LastChange(what, self._relative(path), _text_of(path), text)
            for path, text in texts.items()
        ]
        for path, text in texts.items():
            write_file(path, text.encode(), force=True, more_follows=True)
        self._remember([c for c in changes if c.before != c.after])

    def last_changes(self) -> tuple[LastChange, ...]:
        """Read what was changed last.

        Returns
        -------
        tuple of LastChange
            A file each; empty when nothing was changed, or it changed again by other means.
        """
        text = _text_of(self.path / _LAST_CHANGE)
        try:
            changes = tuple(LastChange(**entry) for entry in json.loads(text or "[]"))
            same = all(_text_of(self._inside(self.path / c.path)) == c.after for c in changes)
        except (ValueError, TypeError, InputError):
            return ()
        return changes if same else ()

    def undo(self) -> str:
        """Undo the last change; done again it is made again.

        Returns
        -------
        str
            What was undone, in words.

        Raises
        ------
        InputError
            When there is nothing to undo.
        """
        changes = self.last_changes()
        if not changes:
            raise InputError("undo", "", "there is no last change to undo")
        for change in changes:
            path = self._inside(self.path / change.path)
            if change.before is None:
                path.unlink(missing_ok=True)
            else:
                write_file(path, change.before.encode(), force=True, more_follows=True)
        self._remember([LastChange(c.what, c.path, c.after, c.before) for c in changes])
        return changes[0].what

    def _relative(self, path: Path) -> str:
        return path.relative_to(self.path).as_posix()

    def _remember(self, changes: list[LastChange]) -> None:
        if not changes:
            return
        entries = [
            {"what": c.what, "path": c.path, "before": c.before, "after": c.after} for c in changes
        ]
        record = json.dumps(entries).encode()
        write_file(self.path / _LAST_CHANGE, record, force=True, more_follows=True)


def _text_of(path: Path) -> str | None:
    try:
        return path.read_bytes().decode("utf-8")
    except (OSError, UnicodeDecodeError):
        return None
