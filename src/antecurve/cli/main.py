"""The commands put together, and the one place that turns errors into messages and exit codes."""

from __future__ import annotations

import os
import sys

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
_TOO_FAR_APART = "the numbers given lie too far apart; bring them closer to what a bench has"

for _command in _COMMANDS:
    app.command(_command.__name__)(_command)


def run(arguments: list[str] | None = None) -> None:
    """Run the command line; exit code 0 done, 1 a requirement missed, 2 no result.

    Parameters
    ----------
    arguments : list of str, optional
        Instead of those of the process.
    """
    try:
        app(arguments)
    except AntecurveError as error:
        _stop(str(error), 2)
    except KeyboardInterrupt:
        _stop("interrupted; nothing was written", 130)
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(1)
    except MemoryError:
        _stop("the machine's memory is not enough for this; ask for less", 2)
    except (OverflowError, ZeroDivisionError, FloatingPointError):
        _stop(_TOO_FAR_APART, 2)
    except ValueError as error:
        # numpy's, which is not imported for a page of help.
        if type(error).__name__ != "LinAlgError":
            raise
        _stop(_TOO_FAR_APART, 2)
    except OSError as error:
        _stop(f"{error.filename or 'file'}: {error.strerror or error}", 2)


def _stop(message: str, code: int) -> None:
    print(f"antecurve: {printable(' '.join(message.split()))}", file=sys.stderr)
    sys.exit(code)
