"""The commands put together, and the one place that turns errors into messages and exit codes."""

from __future__ import annotations

import functools
import importlib
import os
import sys
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, NoReturn

from antecurve.cli.surroundings import (
    FAULT,
    OUTPUT_REFUSED,
    Stopped,
    StreamRefused,
    asked_to_stop,
    note_fault,
    note_start,
    prepare_signals,
    prepare_streams,
)
from antecurve.cli.terminal import say_aside
from antecurve.cli.usage import usage_text
from antecurve.errors import AntecurveError, InputError
from antecurve.texts import printable

if TYPE_CHECKING:
    import typer

__all__ = ["command_line", "run"]

_COMMANDS = {
    "design": "Design a network: pick its parts, and say how good it is.",
    "job": "Write a commented starter job, or the circuit of a unit.",
    "curves": "List, tabulate or fit recording curves.",
    "formulas": "Show the formulas of a form, or of a design with its numbers.",
    "check": "Analyse a design again, or a build with measured parts.",
    "spread": "Simulate builds within tolerance.",
    "loading": "Compare other generators, unit inputs and cables.",
    "scope": "Predict what an oscilloscope shows of a square wave.",
    "sheet": "Print the bench sheet: settings, readings and limits.",
    "parts": "Print the parts list, or write it as CSV or XLSX.",
    "trim": "Suggest the fewest changes that correct a build.",
    "judge": "Judge a unit: does it pass, and what is wrong if not?",
    "diagnose": "Find which part of a unit is wrong.",
    "calibrate": "Fit the network's part values to a measured sweep.",
    "signal": "Write a test signal as a WAV file.",
    "bench": "Open the bench in the browser: from the job to the test report.",
    "measure": "Measure a unit through a sound interface, step by step.",
    "log": "Search the log of a bench: units, run charts, findings.",
}
"""Modules of this folder, each with the command of its name; and what the page of help says of it.

A module is loaded where its command is called, not for the page of help.
"""
_COMPLETION = "_ANTECURVE_COMPLETE"  # set by the shell's script, named by the parser
_INTERRUPTED = 130  # the parser's own code for an interrupt, too


def _guarded(command: Callable[..., None]) -> Callable[..., None]:
    """The command with an interrupt turned into an exception that the parser lets pass."""

    @functools.wraps(command)
    def guarded(*args: Any, **kwargs: Any) -> None:
        try:
            command(*args, **kwargs)
        except KeyboardInterrupt:
            raise Stopped(_INTERRUPTED, "interrupted") from None

    return guarded


def _not_called() -> None:
    """Stand for a command on the page of help."""


def _print_version() -> None:
    from antecurve import __version__

    print(f"antecurve {__version__}")


def command_line(words: Sequence[str] | None = None) -> typer.Typer:
    """Put the commands together.

    Parameters
    ----------
    words : sequence of str or None, optional
        Words of a command line: of commands that are not among them there is the name and what
        it does, nothing more.  Without, all are loaded.

    Returns
    -------
    typer.Typer
        The command line.
    """
    # Signals and streams are prepared before the parser is loaded.
    import typer

    from antecurve.cli.help_pages import HelpedCommand, HelpedGroup

    app = typer.Typer(
        name="antecurve",
        cls=HelpedGroup,
        help="Design passive RC networks that impose a recording curve, and prove playback "
        "preamplifiers with them.",
        epilog="Example: antecurve design -o bench-network",
        no_args_is_help=True,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
    )
    # With it a single command is called by its name, too.

    def application(
        version: bool = typer.Option(
            False, "--version", help="Print the version and exit.", is_eager=True
        ),
    ) -> None:
        if version:
            _print_version()
            raise typer.Exit

    app.callback(invoke_without_command=True)(application)
    for name, summary in _COMMANDS.items():
        if words is None or name in words:
            command = getattr(importlib.import_module(f"antecurve.cli.{name}"), name)
            app.command(name, cls=HelpedCommand)(_guarded(command))
        else:
            app.command(name, cls=HelpedCommand, help=summary)(_not_called)
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
    note_start()
    try:
        _run(sys.argv[1:] if arguments is None else arguments)
    except (KeyboardInterrupt, Stopped) as stopped:  # also while the end of the run is told
        _stop(*_ending(stopped))


def _run(arguments: list[str]) -> None:
    try:
        prepare_signals()
        prepare_streams()
        try:
            # A shell that completes a word gives the command line in another way.
            app = command_line(None if _COMPLETION in os.environ else arguments)
            _call(app, arguments)
        finally:
            sys.stdout.flush()
    except SystemExit as done:
        if done.code == _INTERRUPTED:
            raise KeyboardInterrupt from None  # of which the parser says nothing
        raise
    except BaseException as error:  # noqa: BLE001 - told in a sentence, whatever it is
        _stop(*_ending(error))


def _call(app: typer.Typer, arguments: list[str]) -> None:
    """Run a command; what the parser refuses is said as any other refusal."""
    try:
        code = app(arguments, standalone_mode=False)
    except Exception as error:
        # The parser's errors are those of one library or of its copy inside another.
        names = {base.__name__ for base in type(error).__mro__}
        if "NoArgsIsHelpError" in names:
            print(error, file=sys.stderr)
            raise SystemExit(2) from None
        if "UsageError" not in names:
            raise
        raise AntecurveError(usage_text(error, arguments, list(_COMMANDS))) from None
    raise SystemExit(code or 0)


def _ending(error: BaseException) -> tuple[str, int]:
    """What to say of an exception that ended the run, and the exit code."""
    if isinstance(error, KeyboardInterrupt):
        return "interrupted; nothing was written", _INTERRUPTED
    if isinstance(error, Stopped):
        return f"{error.word}; {error.written}", error.code
    if isinstance(error, StreamRefused):
        return f"standard output: {error}; give it somewhere to go", OUTPUT_REFUSED
    asked = asked_to_stop()
    if asked is not None and not isinstance(error, InputError | OSError):
        return _ending(asked)  # libraries make errors of their own of what a signal raises
    if isinstance(error, AntecurveError):
        noted = f"; {note_fault()}" if getattr(error, "__notes__", ()) else ""
        return f"{error}{noted}", 2
    if isinstance(error, MemoryError):
        return "this needs more memory than the machine has; ask for less", 2
    # The last is numpy's, which is not imported for a page of help.
    numeric = isinstance(error, OverflowError | ZeroDivisionError | FloatingPointError)
    if numeric or type(error).__name__ == "LinAlgError":
        return "the numbers given lie too far apart; bring them closer to what a bench has", 2
    if isinstance(error, OSError):
        return f"{error.filename or 'file'}: {error.strerror or error}", 2
    return f"this is a fault of antecurve, not of what you gave it; {note_fault()}", FAULT


def _stop(message: str, code: int) -> NoReturn:
    say_aside(printable(" ".join(message.split())))
    sys.exit(code)
