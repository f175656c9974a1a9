"""Writing a folder of files all at once: complete, or not at all."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Mapping
from pathlib import Path

from antecurve.errors import InputError, OutputExistsError

__all__ = ["write_file", "write_folder"]


def write_folder(folder: Path | str, files: Mapping[str, bytes], *, force: bool = False) -> None:
    """Write files into a folder, complete or not at all.

    The files are written beside the target first, then the folder is swapped in by renaming, so
    a run that is killed leaves the old files whole and two runs don't mix.  Other files in an
    existing folder stay in it.

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
    target = Path(os.path.abspath(folder))
    if (target.exists() or target.is_symlink()) and not force:
        raise OutputExistsError(folder)
    if target.exists() and not target.is_dir():
        raise InputError("output folder", str(folder), "it is a file; name a folder")
    staged: Path | None = None
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        staged = Path(tempfile.mkdtemp(prefix=f".{target.name}.", dir=target.parent))
        for name, content in files.items():
            (staged / name).write_bytes(content)
        staged.chmod(0o777 & ~_umask())
        _swap(staged, target, force=force)
    except OSError as error:
        reason = error.strerror or str(error)
        raise InputError("output folder", str(folder), f"it can't be written: {reason}") from None
    finally:
        if staged is not None:
            shutil.rmtree(staged, ignore_errors=True)


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


def _swap(staged: Path, target: Path, *, force: bool) -> None:
    if not target.exists():
        try:
            staged.rename(target)  # onto nothing or an empty folder only
        except OSError:
            if not target.exists():
                raise
            raise OutputExistsError(target) from None
        return
    for old in target.iterdir():
        new = staged / old.name
        if not new.exists():
            if old.is_dir() and not old.is_symlink():
                shutil.copytree(old, new, symlinks=True)
            else:
                shutil.copy2(old, new, follow_symlinks=False)
    aside = Path(tempfile.mkdtemp(prefix=f".{target.name}.", dir=target.parent))
    target.rename(aside)
    try:
        staged.rename(target)
    except OSError:
        aside.rename(target)
        raise
    shutil.rmtree(aside, ignore_errors=True)


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
    target = Path(os.path.abspath(path))
    if target.is_dir():
        raise InputError("output file", str(path), "it is a folder; name a file")
    if (target.exists() or target.is_symlink()) and not force:
        raise OutputExistsError(path)
    staged: str | None = None
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        handle, staged = tempfile.mkstemp(prefix=f".{target.name}.", dir=target.parent)
        with os.fdopen(handle, "wb") as file:
            file.write(content)
        os.chmod(staged, 0o666 & ~_umask())
        os.replace(staged, target)
        staged = None
    except OSError as error:
        reason = error.strerror or str(error)
        raise InputError("output file", str(path), f"it can't be written: {reason}") from None
    finally:
        if staged is not None:
            os.unlink(staged)
