"""The commands put together, and the one place that turns errors into messages and exit codes."""

from __future__ import annotations

import errno
import functools
import sys
from collections.abc import Callable
from typing import Any

import typer

from antecurve.cli import (
    calibrate,
    check,
    curves,
    design,
    formulas,
    job,
    judge,
    loading,
    parts,
    scope,
    sheet,
    spread,
    trim,
)
from antecurve.cli.surroundings import (
    FAULT,
    OUTPUT_REFUSED,
    Stopped,
    StreamRefused,
    flush_streams,
    note_fault,
    prepare_signals,
    prepare_streams,
)
from antecurve.errors import AntecurveError
from antecurve.texts import printable

__all__ = ["app", "run"]

app = typer.Typer(
    name="antecurve",
    help="Passive RC networks that put a recording curve before a playback preamplifier, "
    "so that the unit under test must come out flat.",
    epilog="Example: antecurve design -o bench-network",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)

_COMMANDS = (
    design.design,
    job.job,
    curves.curves,
    formulas.formulas,
    check.check,
    spread.spread,
    loading.loading,
    scope.scope,
    sheet.sheet,
    parts.parts,
    trim.trim,
    judge.judge,
    calibrate.calibrate,
)
_OUTPUT_ERRORS = {errno.EPIPE, errno.ENOSPC, errno.EBADF, errno.EIO}
"""What the system says when a stream takes no more: no reader, no space, closed, broken."""
_TOO_FAR_APART = "the numbers given lie too far apart; bring them closer to what a bench has"


def _guarded(command: Callable[..., None]) -> Callable[..., None]:
    """The command with what stops it turned into exceptions that the parser lets pass."""

    @functools.wraps(command)
    def guarded(*args: Any, **kwargs: Any) -> None:
        try:
            command(*args, **kwargs)
        except KeyboardInterrupt:
            raise Stopped(130, "interrupted") from None
        except OSError as error:
            if error.filename is None and error.errno in _OUTPUT_ERRORS:
                raise StreamRefused(error.strerror) from None
            raise

    return guarded


for _command in _COMMANDS:
    app.command(_command.__name__)(_guarded(_command))


def run(arguments: list[str] | None = None) -> None:
    """Run the command line.

    Exit code 0: done; 1: a requirement is missed; 2: no result.  See
    `antecurve.cli.surroundings` for those that say nothing about the result.

    Parameters
    ----------
    arguments : list of str, optional
        Instead of those of the process.
    """
    try:
        prepare_streams()
        prepare_signals()
        try:
            app(arguments)
        finally:
            flush_streams()
    except AntecurveError as error:
        _stop(str(error), 2)
    except Stopped as stopped:
        _stop(f"{stopped.word}; nothing was written", stopped.code)
    except KeyboardInterrupt:
        _stop("interrupted; nothing was written", 130)
    except StreamRefused as error:
        _stop(f"standard output: {error}; give it somewhere to go", OUTPUT_REFUSED)
    except MemoryError:
        _stop("the machine's memory is not enough for this; ask for less", 2)
    except (OverflowError, ZeroDivisionError, FloatingPointError):
        _stop(_TOO_FAR_APART, 2)
    except OSError as error:
        _stop(f"{error.filename or 'file'}: {error.strerror or error}", 2)
    except Exception as error:  # noqa: BLE001 - whatever is not foreseen is our fault
        # numpy's, which is not imported for a page of help.
        if type(error).__name__ == "LinAlgError":
            _stop(_TOO_FAR_APART, 2)
        _stop(f"this is a fault of antecurve, not of what you gave it; {note_fault()}", FAULT)


def _stop(message: str, code: int) -> None:
    print(f"antecurve: {printable(' '.join(message.split()))}", file=sys.stderr)
    sys.exit(code)
