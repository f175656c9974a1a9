"""Work for computations of tests: a module of its own, as other processes import it."""

from __future__ import annotations

import os
import time
from pathlib import Path

from antecurve.app.computations import Report
from antecurve.errors import InputError


def wait_for(report: Report, path: Path) -> int:
    """Report, then wait until a file is there; the number of the process."""
    (path.parent / f"begun-{os.getpid()}").touch()
    report("Waiting.")
    while not path.exists():
        time.sleep(0.01)
    return os.getpid()


def fail(report: Report) -> None:
    raise InputError("x", 1, "it is refused")


def crash(report: Report) -> None:
    os.abort()
