"""Limits of a unit's figures from a file."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from antecurve.checked import checked
from antecurve.errors import FileFormatError, InputError
from antecurve.files.reading import read_bytes
from antecurve.judge.figure_limits import FigureLimit
from antecurve.judge.unit_figure import FIGURE_NAMES
from antecurve.quantities import parse_quantity

__all__ = ["read_limits"]

_MAGNITUDES = ("balance", "match")
_LEAST = ("overload_1khz", "overload_20khz")
_BOTH = ("gain",)


@checked
def read_limits(path: Path | str) -> tuple[FigureLimit, ...]:
    """Read the limits of figures.

    Parameters
    ----------
    path : Path or str
        TOML with a table ``[limits]``: by the name of a figure one number [dB], which is the most
        that is allowed, of overload the least, of balance and match the largest magnitude, of
        polarity the value; or a table with ``least`` and ``most``.

    Returns
    -------
    tuple of FigureLimit
        In the order of the file.

    Raises
    ------
    FileFormatError
        When the file is no TOML or has no such table.
    InputError
        When a name or a value can't be used.
    """
    try:
        content = tomllib.loads(read_bytes(path).decode("utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise FileFormatError(str(path), str(error), "it must be TOML in UTF-8") from None
    table = content.get("limits")
    if not isinstance(table, dict) or not table or len(content) > 1:
        raise FileFormatError(
            str(path), ", ".join(content), "it must hold one table, [limits], with a figure a line"
        )
    return tuple(_limit(name, value) for name, value in table.items())


def _limit(name: str, value: Any) -> FigureLimit:
    if name not in FIGURE_NAMES:
        raise InputError("limits", name, f"the figures are {', '.join(FIGURE_NAMES)}")
    field = f"limits.{name}"
    if isinstance(value, dict):
        if not value or not set(value) <= {"least", "most"}:
            raise InputError(field, ", ".join(value), "a table has least, most, or both")
        return FigureLimit(name, **{k: _decibels(v, f"{field}.{k}") for k, v in value.items()})
    number = _decibels(value, field)
    if name in _BOTH:
        raise InputError(field, value, "write { least = ..., most = ... }")
    if name == "polarity":
        if number not in (1.0, -1.0):
            raise InputError(field, value, "it must be 1 or -1")
        return FigureLimit(name, number, number)
    if name in _MAGNITUDES:
        return FigureLimit(name, -abs(number), abs(number))
    return FigureLimit(name, least=number) if name in _LEAST else FigureLimit(name, most=number)


def _decibels(value: Any, field: str) -> float:
    if isinstance(value, str):
        return parse_quantity(value, unit="dB", field=field)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise InputError(field, value, "it must be a number of decibels")
    return parse_quantity(f"{value} dB", unit="dB", field=field)
