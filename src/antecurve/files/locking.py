"""One writer at a time: a lock on the folder that is written into."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from antecurve.errors import InputError

__all__ = ["sole_writer"]

_LONGEST_WAIT_S = 30.0  # a write takes well below a second; longer means that a run hangs
_BETWEEN_TRIES_S = 0.02  # too short to be noticed, long enough to leave the processor idle


@contextmanager
def sole_writer(folder: Path) -> Iterator[bool]:
    """Keep other runs from writing into a folder meanwhile.

    Parameters
    ----------
    folder : Path
        The folder; it exists.

    Yields
    ------
    bool
        Whether the lock is held.  The system gives it back when a run is killed; some network
        drives and systems have no such lock.

    Raises
    ------
    InputError
        When another run holds it for longer than half a minute.
    """
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        yield False
        return
    try:
        yield _locked(handle, folder)
    finally:
        os.close(handle)


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
                    "output", str(folder), "another run is writing there; wait for its end"
                ) from None
            time.sleep(_BETWEEN_TRIES_S)
        except OSError:
            return False
        else:
            return True
