"""Headers of tables: names and units of the columns, and what is said above and beside them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from antecurve.errors import FileFormatError
from antecurve.files.column_units import NO_UNIT, ColumnUnit, column_unit, name_and_unit

__all__ = ["HeaderQuantity", "TableHeader", "header_quantity", "table_header"]

_NUMBER = re.compile(r"[+-]?[\d.,]*\d[\d.,]*([eE][+-]?\d+)?$")
_VALUE = re.compile(
    _NUMBER.pattern + r"|\d[\d.]*\s*[x×]$|[x×]\s*10+$|\d+\s*:\s*\d+$", re.IGNORECASE
)
_QUANTITY = re.compile(
    r"\s*([+-]?\d[\d.,]*(?:[eE][+-]?\d+)?|[+-]?\.\d+(?:[eE][+-]?\d+)?)\s*([^\d\s,;()\[\]]\S*)?"
)
_THOUSANDS = {".": re.compile(r"[1-9]\d{0,2}(,\d{3})+(\.|$)"),
              ",": re.compile(r"[1-9]\d{0,2}(\.\d{3})+(,|$)")}  # fmt: skip

Line = tuple[str, list[str]]


@dataclass(frozen=True, slots=True)
class TableHeader:
    """What stands above a table.

    Attributes
    ----------
    names : tuple of str
        Names of the columns, lower case, empty where there is none.
    units : tuple of ColumnUnit
        Units of the columns.
    description : dict of str to str
        Values by lower-case keys.
    """

    names: tuple[str, ...]
    units: tuple[ColumnUnit, ...]
    description: dict[str, str]

    @property
    def named(self) -> bool:
        """Whether a line names each column or its unit."""
        return any(self.names) or any(unit is not NO_UNIT for unit in self.units)


@dataclass(frozen=True, slots=True)
class HeaderQuantity:
    """A number of the description.

    Attributes
    ----------
    number : float
        As written.
    unit : ColumnUnit
        Its unit, behind the number or in the key.
    """

    number: float
    unit: ColumnUnit


def table_header(
    above: Sequence[Line], *, places: Sequence[int], width: int, beside: Sequence[list[str]] = ()
) -> TableHeader:
    """Read the lines above a table.

    Parameters
    ----------
    above : sequence of tuple of str and list of str
        The lines that are not blank, each with its cells.
    places : sequence of int
        Places of the columns among the cells of a row.
    width : int
        Cells of a row.
    beside : sequence of list of str, optional
        Cells before the columns of numbers, row by row.

    Returns
    -------
    TableHeader
        Names and units from the last lines, the description from the others.
    """
    names, units, used = _names_and_units(above, places, width)
    description = _description(above[: len(above) - used])
    description |= _description([("", cells) for cells in beside])
    description = _one_above_the_other(above) | description
    return TableHeader(names, units, description)


def header_quantity(key: str, text: str, *, decimal: str, path: str) -> HeaderQuantity:
    """Read a number of the description.

    Parameters
    ----------
    key, text : str
        Its key and its value, such as ``sample rate (khz)`` and ``250``.
    decimal : str
        Decimal mark of the file.
    path : str
        The file, for messages.

    Returns
    -------
    HeaderQuantity
        The number and its unit.

    Raises
    ------
    FileFormatError
        When it is no number.
    """
    match = _QUANTITY.match(text)
    if match is None:
        raise FileFormatError(f"{path}: {key}", text, "it must be a number with or without a unit")
    number, unit = match[1], column_unit(match[2] or "")
    if unit.quantity in ("", "unknown"):
        of_key = name_and_unit(key)[1]
        unit = unit if of_key is NO_UNIT else of_key
    if _THOUSANDS[decimal].match(number.lstrip("+-")):
        number = number.replace("," if decimal == "." else ".", "")
    try:
        return HeaderQuantity(float(number.replace(",", ".")), unit)
    except ValueError:
        raise FileFormatError(f"{path}: {key}", text, "it must be a number") from None


def _names_and_units(
    above: Sequence[Line], places: Sequence[int], width: int
) -> tuple[tuple[str, ...], tuple[ColumnUnit, ...], int]:
    """Names and units of the columns, and how many lines they took."""
    empty = ("",) * len(places), (NO_UNIT,) * len(places)
    last = _headings(above[-1:], places, width)
    if last is None:
        return *empty, 0
    units = [column_unit(cell) for cell in last]
    known = [unit.quantity != "unknown" for unit in units]
    if all(known) and any(unit.quantity not in ("", "count", "other") for unit in units):
        first = _headings(above[-2:-1], places, width)
        if first is None or any(_VALUE.match(cell) for cell in first):
            return empty[0], tuple(units), 1
        return tuple(name_and_unit(cell)[0] for cell in first), tuple(units), 2
    if any(_VALUE.match(cell) for cell in last):
        return *empty, 0
    split = [name_and_unit(cell) for cell in last]
    return tuple(name for name, _ in split), tuple(unit for _, unit in split), 1


def _headings(lines: Sequence[Line], places: Sequence[int], width: int) -> list[str] | None:
    """The cells of a line above the columns; None where it heads no columns."""
    for line, cells in lines:
        if re.search(r"\d\s*[:=]|[:=]\s*\S", line):
            return None
        while len(cells) > width and not cells[-1]:
            cells = cells[:-1]
        beyond = cells[width:]
        if places[-1] < len(cells) and (
            not beyond or any(_NUMBER.match(c) for c in beyond) or _are_keys(beyond)
        ):
            return [cells[k] for k in places]
        for split in _other_splits(line):
            if len(split) == len(places) and all(split) and any(
                name_and_unit(cell)[1] is not NO_UNIT for cell in split
            ):  # fmt: skip
                return split
    return None


def _are_keys(beyond: Sequence[str]) -> bool:
    """Whether headings beyond the columns are of values below them, not of columns."""
    return all(re.match(r"start|increment|interval|step|delta", c.lower()) for c in beyond)


def _other_splits(line: str) -> list[list[str]]:
    """Cells of a heading that is not written as the rows below it are."""
    joined = re.sub(r"\s+(?=[(\[])", "_", line)
    ways = [line.split(mark) for mark in ("\t", ";", ",")]
    ways += [re.split(r"\s{2,}", line.strip()), joined.split()]
    return [[cell.strip() for cell in way] for way in ways]


def _description(lines: Sequence[Line]) -> dict[str, str]:
    """Keys and values side by side in a line."""
    pairs: dict[str, str] = {}
    for line, cells in lines:
        colon = re.match(r"([^:=;,\t]+)[:=](.*)$", line)
        filled = [cell for cell in cells if cell]
        if colon is not None:
            value = colon[2].strip(' "')
            if value[:1] in (",", ";"):  # a key that ends with a colon, in a cell of its own
                value = " ".join(c.strip(' "') for c in value.split(value[0]) if c.strip(' "'))
            pairs.setdefault(colon[1].strip(' "').lower(), value)
        elif len(filled) < 2 or (" " in line and line.split() == cells):
            filled = [c.strip(' "') for c in re.split(r"[;,\t]", line) if c.strip()]
        if colon is None and len(filled) >= 2:
            pairs.setdefault(filled[0].lower(), " ".join(filled[1:]))
    return pairs


def _one_above_the_other(lines: Sequence[Line]) -> dict[str, str]:
    """Keys in a line and their values, numbers, in the line below."""
    pairs: dict[str, str] = {}
    for (_, keys), (_, values) in pairwise(lines):
        if len(keys) == len(values) > 2 and not any(_NUMBER.match(key) for key in keys):
            pairs |= {
                key.lower(): value
                for key, value in zip(keys, values, strict=True)
                if key and _NUMBER.match(value)
            }
    return pairs
