"""What is wrong with a command line, in the form of every other refusal."""

from __future__ import annotations

import re
from collections.abc import Sequence
from difflib import get_close_matches
from itertools import pairwise
from typing import Any

__all__ = ["usage_text"]

_NUMBER = r"(-?[\d.]+)"
_RULES = {
    rf"greater than or equal to {_NUMBER}": "it must be {} or more",
    rf"less than or equal to {_NUMBER}": "it must be {} or less",
    rf"range x>={_NUMBER}": "it must be {} or more",
    r"valid integer": "it must be a whole number",
}
"""What the parser says of a value, in its present words and its earlier ones, and what we say."""


def usage_text(error: Any, words: Sequence[str], commands: Sequence[str]) -> str:
    """Say what a command line lacks, or what it has that no command takes.

    Parameters
    ----------
    error : click.UsageError
        What the parser raised; also its copy inside the library of commands.
    words : sequence of str
        The command line.
    commands : sequence of str
        Names of the commands.

    Returns
    -------
    str
        One sentence: what, what was received, what to do.
    """
    given = next((word for word in words if not word.startswith("-")), "")
    command = f"antecurve {given}" if given in commands else "antecurve"
    param, option = getattr(error, "param", None), getattr(error, "option_name", None)
    message = " ".join(str(error.message).split()).rstrip(".")
    help_asked = f"{command} --help lists what it takes"
    if type(error).__name__ == "MissingParameter" and param is not None:
        what = param.opts[0] if param.opts[0].startswith("-") else _metavar(param)
        if what.startswith("-"):
            return f"{what}: missing; add {what} {_metavar(param)}"
        return f"{what}: missing; name it, as in {command} {what}"
    if type(error).__name__ == "NoSuchOption":
        near = getattr(error, "possibilities", None) or ()
        meant = f"did you mean {' or '.join(near)}? " if near else ""
        return f"{option}: no option of {command}; {meant}{help_asked}"
    if option is not None:
        lacks = "takes no value; leave it out" if "does not" in message else "its value is missing"
        return f"{option}: {lacks}; {help_asked}"
    if param is not None:
        return f"{param.opts[0]}: received {_received(param, words)!r}; {_rule(message)}"
    if command == "antecurve" and given:
        near = tuple(get_close_matches(given, commands, n=1))
        meant = f"did you mean {' or '.join(near)}? " if near else ""
        return f"command: received {given!r}; {meant}antecurve --help lists them all"
    extra = re.search(r"\(([^()]*)\)$", message)
    if extra and "unexpected" in message:
        taken = _taken_for_a_value(error, words)
        if taken:
            return f"{taken[0]}: its value is missing before {taken[1]}; {help_asked}"
        return f"{command}: received {extra[1]!r} beyond what it takes; {help_asked}"
    return f"{message[:1].lower()}{message[1:]}; {help_asked}"


def _taken_for_a_value(error: Any, words: Sequence[str]) -> tuple[str, str] | None:
    """An option that took the next option for its value, and that one."""
    params = getattr(getattr(error, "ctx", None), "command", None)
    takes = {
        option: not getattr(param, "is_flag", False)
        for param in getattr(params, "params", ())
        for option in param.opts
        if option.startswith("-")
    }
    pairs = (p for p in pairwise(words) if takes.get(p[0]) and p[1] in takes)
    return next(pairs, None)


def _metavar(param: Any) -> str:
    return str(param.metavar or param.name.upper())


def _received(param: Any, words: Sequence[str]) -> str:
    """The value that a command line gives to an option."""
    for number, word in enumerate(words):
        name, _, value = word.partition("=")
        if name in param.opts:
            return value or next(iter(words[number + 1 :]), "")
    return ""


def _rule(message: str) -> str:
    """What is allowed."""
    for pattern, rule in _RULES.items():
        fitting = re.search(pattern, message)
        if fitting:
            return rule.format(*fitting.groups())
    return message[:1].lower() + message[1:]
