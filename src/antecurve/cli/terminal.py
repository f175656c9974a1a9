"""The terminal that a person reads: its width, and sentences that fit it."""

from __future__ import annotations

import os
import shutil
import sys

__all__ = ["announce", "say", "say_aside", "terminal_width"]


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
    width = terminal_width()
    for line in lines:
        print(line if width is None else _fitted(line, width))


def say_aside(sentence: str, *, speaker: str = "antecurve: ") -> None:
    """Print a sentence of the program's own to stderr, wrapped between words on a terminal.

    Parameters
    ----------
    sentence : str
        One line.
    speaker : str, optional
        What stands before it.
    """
    line = f"{speaker}{sentence}"
    if sys.stderr.isatty():
        line = _fitted(line, shutil.get_terminal_size().columns)
    print(line, file=sys.stderr, flush=True)


def announce(word: str, sentence: str) -> None:
    """Print a verdict: bold and coloured on a terminal, unless ``NO_COLOR`` is set.

    Parameters
    ----------
    word : str
        The decision: pass, fail or undecided.
    sentence : str
        How it is said; it begins with the word in capitals, so that no colour is needed.
    """
    from rich.console import Console
    from rich.text import Text

    Console(file=sys.stdout, highlight=False).print(Text(sentence, style=_STYLES[word]))


def _fitted(line: str, width: int) -> str:
    from antecurve.report.table_layout import wrapped

    text = line.lstrip(" -")
    indent = len(line) - len(text)
    if not len(line) > width > indent:
        return line
    return line[:indent] + wrapped(text, width - indent).replace("\n", "\n" + " " * indent)


_STYLES = {"pass": "bold green", "fail": "bold red reverse", "undecided": "bold yellow"}
"""In black and white reverse and bold still differ."""
