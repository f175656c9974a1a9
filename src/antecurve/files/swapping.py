"""What writing all at once needs of the operating system: a lock, an exchange, links.

Where the system has none of it, as on Windows or on some network drives, the next best is done.
"""

from __future__ import annotations

import ctypes
import os
import shutil
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from antecurve.errors import InputError

__all__ = ["aside_name", "exchange", "keep", "remove_remains", "sole_writer"]

_LONGEST_WAIT_S = 30.0
_BETWEEN_TRIES_S = 0.02
_AT_FDCWD = -100
_RENAME_EXCHANGE = 2


def aside_name(target: Path) -> str:
    """Return how the names begin of what is made beside a target for the time of writing.

    Parameters
    ----------
    target : Path
        The file or folder to be written.

    Returns
    -------
    str
        Beginning of a hidden name that nothing else has.
    """
    return f".{target.name[:180]}.antecurve-"


@contextmanager
def sole_writer(folder: Path) -> Iterator[bool]:
    """Keep other runs from writing into a folder meanwhile.

    Parameters
    ----------
    folder : Path
        The folder that holds the target; it exists.

    Yields
    ------
    bool
        Whether the lock is held; the system gives it back when a run is killed.

    Raises
    ------
    InputError
        When another run has it for longer than half a minute.
    """
    handle = _opened(folder)
    try:
        yield handle is not None and _locked(handle, folder)
    finally:
        if handle is not None:
            os.close(handle)


def _opened(folder: Path) -> int | None:
    try:
        return os.open(folder, os.O_RDONLY)
    except OSError:
        return None


def _locked(handle: int, folder: Path) -> bool:
    try:
        import fcntl
    except ImportError:
        return False
    end = time.monotonic() + _LONGEST_WAIT_S
    while True:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            if time.monotonic() > end:
                raise InputError(
                    "output", str(folder), "another run is writing there: wait for its end"
                ) from None
            time.sleep(_BETWEEN_TRIES_S)
        except OSError:
            return False
        else:
            return True


def exchange(staged: Path, target: Path) -> None:
    """Put a folder in the place of another, which takes the first one's place.

    Parameters
    ----------
    staged, target : Path
        Folders on one drive; at every moment there is a whole folder at `target`, where the
        system can exchange names at once.

    Raises
    ------
    OSError
        When it can't be done.
    """
    if _exchanged_at_once(staged, target):
        return
    aside = Path(tempfile.mkdtemp(prefix=f"{aside_name(target)}old-", dir=target.parent))
    target.rename(aside)
    try:
        staged.rename(target)
    except OSError:
        aside.rename(target)
        raise
    aside.rename(staged)


def _exchanged_at_once(one: Path, other: Path) -> bool:
    if sys.platform != "linux":
        return False
    library = ctypes.CDLL(None, use_errno=True)
    if not hasattr(library, "renameat2"):
        return False
    done = library.renameat2(
        _AT_FDCWD, os.fsencode(one), _AT_FDCWD, os.fsencode(other), _RENAME_EXCHANGE
    )
    return bool(done == 0)


def remove_remains(target: Path) -> None:
    """Remove what killed runs left beside a target; to be called with the lock held.

    Parameters
    ----------
    target : Path
        The file or folder to be written; when it is missing because a run was killed between
        two renamings, the old one is put back.
    """
    for found in target.parent.glob(f"{_escaped(aside_name(target))}*"):
        moved = found.name.startswith(f"{aside_name(target)}old-") and found.is_dir()
        if moved and not os.path.lexists(target) and any(found.iterdir()):
            found.rename(target)
        elif found.is_dir() and not found.is_symlink():
            shutil.rmtree(found, ignore_errors=True)
        else:
            found.unlink(missing_ok=True)


def _escaped(name: str) -> str:
    return "".join(f"[{c}]" if c in "*?[" else c for c in name)


def keep(old: Path, new: Path) -> None:
    """Let a file or folder stand at another place, too, without a copy where links can be made.

    Parameters
    ----------
    old, new : Path
        Where it is, and where nothing is yet.

    Raises
    ------
    OSError
        When it can't be done.
    """
    if old.is_dir() and not old.is_symlink():
        shutil.copytree(old, new, symlinks=True, copy_function=_linked)
    else:
        _linked(str(old), str(new))


def _linked(old: str, new: str) -> None:
    try:
        os.link(old, new, follow_symlinks=False)
    except (OSError, NotImplementedError):
        shutil.copy2(old, new, follow_symlinks=False)
