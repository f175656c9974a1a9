"""The command line as ``python -m antecurve`` and as the console script begin it."""

from __future__ import annotations

import os
import signal
from typing import NoReturn

__all__ = ["main"]

_INTERRUPTED = 130  # 128 and the signal's number, as shells say it


def main() -> None:
    """Run the command line; an interrupt is told in a sentence even while modules load."""
    if signal.getsignal(signal.SIGINT) is not signal.SIG_IGN:
        signal.signal(signal.SIGINT, _end_at_once)  # until the run prepares its own
    from antecurve.cli.main import run

    run()


def _end_at_once(*_: object) -> NoReturn:
    """End a run that has begun nothing: no exception passes through half-loaded modules."""
    try:
        os.write(2, b"antecurve: interrupted; nothing was written\n")
    finally:
        os._exit(_INTERRUPTED)


if __name__ == "__main__":
    main()
