"""Writing a folder of files all at once: complete, or not at all."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path

from antecurve.errors import InputError, OutputExistsError
from antecurve.files.swapping import aside_name, exchange, keep, remove_remains, sole_writer

__all__ = ["write_file", "write_folder"]


def write_folder(folder: Path | str, files: Mapping[str, bytes], *, force: bool = False) -> None:
    """Write files into a folder, complete or not at all.

    The files are written beside the target first, then the folder is exchanged for the old one,
    so that a run that is killed leaves the old files whole; what it leaves beside them the next
    run removes.  Runs into one folder wait for each other.  Other files in an existing folder
    stay in it.

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
    target = _place(folder)
    _refuse_folder(target, folder, force=force)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with sole_writer(target.parent) as alone:
            if alone:
                remove_remains(target)
            # Another run may have been the first while this one waited.
            _refuse_folder(target, folder, force=force)
            staged = Path(tempfile.mkdtemp(prefix=aside_name(target), dir=target.parent))
            try:
                for name, content in files.items():
                    (staged / name).write_bytes(content)
                staged.chmod(0o777 & ~_umask())
                _swap(staged, target)
            finally:
                shutil.rmtree(staged, ignore_errors=True)
    except OutputExistsError:
        raise
    except OSError as error:
        reason = error.strerror or str(error)
        raise InputError("output folder", str(folder), f"it can't be written: {reason}") from None


def _place(given: Path | str) -> Path:
    """Where to write: what a link points to, so that the link stays."""
    return Path(os.path.realpath(given) if os.path.islink(given) else os.path.abspath(given))


def _refuse_folder(target: Path, folder: Path | str, *, force: bool) -> None:
    if os.path.lexists(target) and not force:
        raise OutputExistsError(folder)
    if target.exists() and not target.is_dir():
        raise InputError("output folder", str(folder), "it is a file; name a folder")


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _swap(staged: Path, target: Path) -> None:
    if not target.exists():
        try:
            staged.rename(target)  # onto nothing or an empty folder only
        except OSError:
            if not target.exists():
                raise
            raise OutputExistsError(target) from None
        return
    for old in target.iterdir():
        if not os.path.lexists(staged / old.name):
            keep(old, staged / old.name)
    exchange(staged, target)


def write_file(path: Path | str, content: bytes, *, force: bool = False) -> None:
    """Write one file, complete or not at all.

    Parameters
    ----------
    path : Path or str
        The file.
    content : bytes
        Its content.
    force : bool, optional
        Whether an existing file may be replaced.

    Raises
    ------
    OutputExistsError
        When the file exists and `force` is not set.
    InputError
        When it can't be written.
    """
    target = _place(path)
    _refuse_file(target, path, force=force)
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with sole_writer(target.parent) as alone:
            if alone:
                remove_remains(target)
            _refuse_file(target, path, force=force)
            handle, staged = tempfile.mkstemp(prefix=aside_name(target), dir=target.parent)
            try:
                with os.fdopen(handle, "wb") as file:
                    file.write(content)
                os.chmod(staged, 0o666 & ~_umask())
                os.replace(staged, target)
            finally:
                Path(staged).unlink(missing_ok=True)
    except OutputExistsError:
        raise
    except OSError as error:
        reason = error.strerror or str(error)
        raise InputError("output file", str(path), f"it can't be written: {reason}") from None


def _refuse_file(target: Path, path: Path | str, *, force: bool) -> None:
    if target.is_dir():
        raise InputError("output file", str(path), "it is a folder; name a file")
    if os.path.lexists(target) and not force:
        raise OutputExistsError(path)
