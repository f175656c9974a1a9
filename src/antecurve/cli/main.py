"""The commands put together, and the one place that turns errors into messages and exit codes."""

from __future__ import annotations

import errno
import functools
import importlib
import sys
from collections.abc import Callable
from typing import Any

import typer

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

__all__ = ["command_line", "run"]

_COMMANDS = (
    "design", "job", "curves", "formulas", "check", "spread", "loading", "scope", "sheet", "parts",
    "trim", "judge", "calibrate", "signal",
)  # fmt: skip
"""Modules of this folder, each with the command of its name."""
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


def command_line(first: str = "") -> typer.Typer:
    """Put the commands together.

    Parameters
    ----------
    first : str, optional
        The first word of a command line: where it names a command, no other is loaded.

    Returns
    -------
    typer.Typer
        The command line.
    """
    app = typer.Typer(
        name="antecurve",
        help="Passive RC networks that put a recording curve before a playback preamplifier, "
        "so that the unit under test must come out flat.",
        epilog="Example: antecurve design -o bench-network",
        no_args_is_help=True,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
    )
    # With it a single command is called by its name, too.
    app.callback()(lambda: None)
    for name in (first,) if first in _COMMANDS else _COMMANDS:
        command = getattr(importlib.import_module(f"antecurve.cli.{name}"), name)
        app.command(name)(_guarded(command))
    return app


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
            given = sys.argv[1:] if arguments is None else arguments
            command_line(given[0] if given else "")(given)
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
