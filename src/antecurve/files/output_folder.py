"""Writing files so that each is whole at any moment, and a set of them complete or undone.

A new folder is made beside its place and renamed.  In a folder that exists, the folder itself
stays: its identity, mode, owner and foreign files.  Its new files are staged in a hidden folder
inside it; a journal is written when all of them are whole; then one after the other takes its
name.  A run that is killed before the journal has changed nothing, and the next run removes what
it staged.  A run that is killed after it has left whole files, and the next run completes the
set from the journal.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import stat
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from pathlib import Path

from antecurve.errors import InputError, OutputExistsError
from antecurve.files.locking import sole_writer

__all__ = ["being_written", "has_begun_to_replace", "recover", "write_file", "write_folder"]

_JOURNAL = "journal.json"
_STAGED = ".antecurve-"
_NEW_FILE = 0o666  # less the umask, as any program makes files
_NEW_FOLDER = 0o777  # less the umask, as any program makes folders

_begun: list[Path] = []


def has_begun_to_replace() -> bool:
    """Tell whether this process has written output, or is writing it.

    From then on an interruption would come too late: everything is written within moments.

    Returns
    -------
    bool
        Whether output has been, or is being, written; not after a write that failed.
    """
    return bool(_begun)


def write_folder(folder: Path | str, files: Mapping[str, bytes], *, force: bool = False) -> None:
    """Write files into a folder, complete or not at all.

    Runs into one folder wait for each other.  Other files in an existing folder stay in it.

    Parameters
    ----------
    folder : Path or str
        The folder to be made.
    files : mapping of str to bytes
        File names and contents.
    force : bool, optional
        Whether an existing folder may be written into.

    Raises
    ------
    OutputExistsError
        When the folder exists and `force` is not set.
    InputError
        When it can't be written.
    """
    target = _resolved(folder)
    with _refusing("output folder", folder):
        if os.path.lexists(target):
            _refuse_file_for_folder(target, folder)
            _write_inside(target, folder, files, force=force)
            return
        with _parents(target), sole_writer(target.parent):
            _remove_staged(target.parent, _beside(target))
            # Another run may have made it while this one waited.
            if not os.path.lexists(target):
                with being_written(target):
                    _make_folder(target, files)
                return
        _refuse_file_for_folder(target, folder)
        _write_inside(target, folder, files, force=force)


def write_file(
    path: Path | str, content: bytes, *, force: bool = False, more_follows: bool = False
) -> None:
    """Write one file, complete or not at all.

    Parameters
    ----------
    path : Path or str
        The file.
    content : bytes
        Its content.
    force : bool, optional
        Whether an existing file may be replaced.
    more_follows : bool, optional
        Whether the run goes on for long afterwards: it may be interrupted then.

    Raises
    ------
    OutputExistsError
        When the file exists and `force` is not set.
    InputError
        When it can't be written.
    """
    target = _resolved(path)
    if target.is_dir():
        raise InputError("output file", str(path), "it is a folder; name a file")
    with _refusing("output file", path):
        if os.path.lexists(target) and not force:
            raise OutputExistsError(path)
        if os.path.lexists(target) and not stat.S_ISREG(target.stat().st_mode):
            target.write_bytes(content)  # a device or a pipe: nothing to replace
            return
        with _parents(target), sole_writer(target.parent):
            _remove_staged(target.parent, _beside(target))
            if os.path.lexists(target) and not force:
                raise OutputExistsError(path)
            with being_written(target, ends=more_follows):
                _make_file(target, content)


def recover(folder: Path) -> None:
    """Complete or undo what a killed run left in a folder; to be called with its lock held.

    Parameters
    ----------
    folder : Path
        The folder.

    Raises
    ------
    OSError
        When it can't be done.
    """
    for staged in folder.glob(f"{_STAGED}*"):
        if not staged.is_dir() or staged.is_symlink():
            continue
        journal = staged / _JOURNAL
        if journal.is_file():
            _replace(staged, folder, json.loads(journal.read_bytes()))
        shutil.rmtree(staged, ignore_errors=True)


@contextmanager
def _refusing(field: str, given: Path | str) -> Iterator[None]:
    """Turn what the operating system refuses into one sentence."""
    try:
        yield
    except OutputExistsError:
        raise
    except OSError as error:
        reason = error.strerror or str(error)
        raise InputError(field, str(given), f"it can't be written: {reason}") from None


def _resolved(given: Path | str) -> Path:
    """Where to write: what a link points to, so that the link stays."""
    return Path(os.path.realpath(given) if os.path.islink(given) else os.path.abspath(given))


def _refuse_file_for_folder(target: Path, folder: Path | str) -> None:
    if target.exists() and not target.is_dir():
        raise InputError("output folder", str(folder), "it is a file; name a folder")


def _beside(target: Path) -> str:
    """How a hidden name beside a target begins: short, and its own for each target."""
    return f"{_STAGED}{hashlib.sha256(os.fsencode(target.name)).hexdigest()[:12]}-"


def _remove_staged(folder: Path, prefix: str) -> None:
    """Remove what killed runs staged beside a target; to be called with the lock held."""
    for staged in folder.glob(f"{prefix}*"):
        if staged.is_dir() and not staged.is_symlink():
            shutil.rmtree(staged, ignore_errors=True)
        else:
            staged.unlink(missing_ok=True)


@contextmanager
def being_written(target: Path, *, ends: bool = False) -> Iterator[None]:
    """Say that output is being written, and take it back if that fails, or ends there.

    Parameters
    ----------
    target : Path
        What is written.
    ends : bool, optional
        Whether the run may be interrupted afterwards.

    Yields
    ------
    None
        While it is written.
    """
    _begun.append(target)
    try:
        yield
    except BaseException:
        _begun.remove(target)
        raise
    if ends:
        _begun.remove(target)


@contextmanager
def _parents(target: Path) -> Iterator[None]:
    """Make the folders above a target, and remove them again if nothing comes into them."""
    missing = [folder for folder in target.parents if not folder.exists()]
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        yield
    except BaseException:
        with suppress(OSError):
            for folder in missing:
                folder.rmdir()
        raise


def _make_file(target: Path, content: bytes) -> None:
    handle, name = tempfile.mkstemp(prefix=_beside(target), dir=target.parent)
    staged = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
        _take_mode(staged, target)
        staged.replace(target)
    finally:
        staged.unlink(missing_ok=True)


def _make_folder(target: Path, files: Mapping[str, bytes]) -> None:
    staged = Path(tempfile.mkdtemp(prefix=_beside(target), dir=target.parent))
    try:
        for name, content in files.items():
            (staged / name).write_bytes(content)
        staged.chmod(_NEW_FOLDER & ~_umask())
        staged.rename(target)
    finally:
        shutil.rmtree(staged, ignore_errors=True)


def _write_inside(
    target: Path, folder: Path | str, files: Mapping[str, bytes], *, force: bool
) -> None:
    with sole_writer(target) as alone:
        if alone:
            recover(target)
        if not force:
            raise OutputExistsError(folder)
        for name in files:
            if (target / name).is_dir():
                raise InputError(
                    "output folder", str(folder), f"a folder is in the place of the file {name}"
                )
        with being_written(target):
            _replace_inside(target, files)


def _replace_inside(target: Path, files: Mapping[str, bytes]) -> None:
    staged = Path(tempfile.mkdtemp(prefix=_STAGED, dir=target))
    try:
        for name, content in files.items():
            (staged / name).write_bytes(content)
            _take_mode(staged / name, target / name)
        journal = staged / f"{_JOURNAL}.part"
        journal.write_text(json.dumps(sorted(files)), encoding="utf-8")
        journal.rename(staged / _JOURNAL)
        _replace(staged, target, sorted(files))
    finally:
        # With a journal in it the staged files belong to the next run, should this one stop.
        if not (staged / _JOURNAL).is_file() or not any((staged / name).exists() for name in files):
            shutil.rmtree(staged, ignore_errors=True)


def _replace(staged: Path, target: Path, names: list[str]) -> None:
    for name in names:
        new = staged / Path(name).name
        if new.is_file():
            new.replace(target / new.name)


def _take_mode(staged: Path, target: Path) -> None:
    """Give a staged file the mode of the file it replaces, and its owner where that is allowed."""
    try:
        old = target.stat()
    except OSError:
        staged.chmod(_NEW_FILE & ~_umask())
        return
    staged.chmod(stat.S_IMODE(old.st_mode))
    if hasattr(os, "chown") and (old.st_uid, old.st_gid) != (os.geteuid(), os.getegid()):
        try:
            os.chown(staged, old.st_uid, old.st_gid)
        except PermissionError:
            return  # only a privileged user gives files away


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
