"""The terminal that a person reads: its width, and sentences that fit it."""

from __future__ import annotations

import os
import sys

__all__ = ["say", "terminal_width"]


def terminal_width() -> int | None:
    """Measure the terminal that stdout goes to.

    Returns
    -------
    int or None
        Characters in a line, ``COLUMNS`` first; ``None`` where stdout is no terminal.
    """
    from rich.console import Console

    console = Console(file=sys.stdout)
    return console.width if console.is_terminal or "COLUMNS" in os.environ else None


def say(*lines: str) -> None:
    """Print sentences, wrapped between words on a terminal.

    Parameters
    ----------
    *lines : str
        One statement each; what follows a dash or spaces in front is indented as far.
    """
    from antecurve.report.table_layout import wrapped

    width = terminal_width()
    for line in lines:
        text = line.lstrip(" -")
        indent = len(line) - len(text)
        if width is not None and len(line) > width > indent:
            body = wrapped(text, width - indent).replace("\n", "\n" + " " * indent)
            line = line[:indent] + body
        print(line)
