"""The curves of a job file: another one for a further position of the switch, or one fewer.

Comments of the file stay, but for those of a curve that is taken out.
"""

from __future__ import annotations

import re
from typing import Any

from antecurve.errors import FileFormatError, InputError
from antecurve.files.job_form import job_document

__all__ = ["with_another_curve", "without_curve"]

_FIRST = "first"  # position of a curve that has no name of the catalogue
_ANOTHER = "flat"  # until another is chosen: a curve that every box can have
_ONE = re.compile(r"(?m)^[ \t]*\[[ \t]*curve[ \t]*\](.*)$")
_SEVERAL = re.compile(r"(?m)^[ \t]*\[\[[ \t]*curve[ \t]*\]\]")


def with_another_curve(text: str) -> str:
    """Add a curve to a job, the flat one, for another position of the switch.

    Parameters
    ----------
    text : str
        TOML; a job of one curve becomes one of a box.

    Returns
    -------
    str
        TOML.

    Raises
    ------
    FileFormatError
        When the text can't be read, or its curve is not written as a table.
    """
    import tomlkit

    document = job_document(text)
    if not isinstance(document.get("curve"), list):
        first = document.get("curve", {})
        name = first.get("name", _FIRST) if hasattr(first, "get") else _FIRST
        position = f"position = {tomlkit.item(name).as_string()}"
        text = _ONE.sub(lambda line: f"[[curve]]{line[1]}\n{position}", text, count=1)
        document = _of_several(text)
    curves = document["curve"]
    known = {str(table.get("position")).casefold() for table in curves}
    table = tomlkit.table()
    numbered = (f"{_ANOTHER} {number}" for number in range(2, len(known) + 3))
    table["position"] = next(n for n in (_ANOTHER, *numbered) if n not in known)
    table["name"] = _ANOTHER
    table.add(tomlkit.nl())
    curves.append(table)
    written: str = document.as_string()
    return written


def without_curve(text: str, number: int) -> str:
    """Take a curve out of a job.

    Parameters
    ----------
    text : str
        TOML of a job with several curves.
    number : int
        Its number, from 0.

    Returns
    -------
    str
        TOML; with one curve remaining a job without a switch.

    Raises
    ------
    InputError
        When there is no such curve.
    FileFormatError
        When the text can't be read.
    """
    document = job_document(text)
    curves: Any = document.get("curve")
    if not isinstance(curves, list) or not number < len(curves) > 1:
        raise InputError("curve", number, "choose one of several curves")
    del curves[number]
    if len(curves) == 1:
        document.pop("switch", None)
        document = job_document(_SEVERAL.sub("[curve]", document.as_string(), count=1))
        document["curve"].pop("position", None)
    written: str = document.as_string()
    return written


def _of_several(text: str) -> Any:
    document = job_document(text)
    if not isinstance(document.get("curve"), list):
        raise FileFormatError.unreadable(
            "job.toml", "a curve in another form", "write it below a line [curve]"
        )
    return document
