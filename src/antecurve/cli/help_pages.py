"""Pages of help: no option, and no number and its unit, is parted at the end of a line."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any

from typer.core import TyperCommand, TyperGroup

from antecurve.texts import unbroken

__all__ = ["HelpedCommand", "HelpedGroup"]

_OPTION = re.compile(r"--[\w-]+")
_AFTER_SENTENCE = re.compile(r"(?<=[.?!]) {2,}(?=\S)")
_PLAIN = str.maketrans({"\N{NO-BREAK SPACE}": " ", "\N{NON-BREAKING HYPHEN}": "-"})


def _whole(text: str) -> str:
    """Write a text so that its lines break between words alone."""
    text = _AFTER_SENTENCE.sub(" ", unbroken(text))
    return _OPTION.sub(lambda m: m[0].replace("-", "\N{NON-BREAKING HYPHEN}"), text)


def _page(formatter: type[Any]) -> type[Any]:
    """Derive the class that lays out a page of help from the parser's own."""

    def write_text(self: Any, text: str) -> None:
        formatter.write_text(self, _whole(text))

    def write_dl(self: Any, rows: Iterable[tuple[str, str]], *args: Any, **options: Any) -> None:
        formatter.write_dl(self, [(name, _whole(text)) for name, text in rows], *args, **options)

    def getvalue(self: Any) -> str:
        return str(formatter.getvalue(self)).translate(_PLAIN)

    methods = {"write_text": write_text, "write_dl": write_dl, "getvalue": getvalue}
    return type("HelpPage", (formatter,), methods)


_CONTEXT: type[Any] = TyperCommand.context_class
_HELPED: type[Any] = type(
    "Context", (_CONTEXT,), {"formatter_class": _page(_CONTEXT.formatter_class)}
)


class HelpedCommand(TyperCommand):
    """A command with such a page."""

    context_class = _HELPED


class HelpedGroup(TyperGroup):
    """The commands together, with such a page."""

    context_class = _HELPED
