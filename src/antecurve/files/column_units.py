"""Units as instruments spell them in the headers of their files."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

__all__ = ["NO_UNIT", "ColumnUnit", "column_unit", "name_and_unit", "stated_unit"]


@dataclass(frozen=True, slots=True)
class ColumnUnit:
    """The unit of a column.

    Attributes
    ----------
    quantity : str
        ``time``, ``frequency``, ``rate``, ``voltage``, ``level``, ``ratio``, ``phase``, ``count``,
        ``other``; ``unknown`` for a spelling that is in no list, and empty without a unit.
    factor : float
        What one of it is in s, Hz, V (rms where it says so), dB or degrees.
    symbol : str
        The unit as the package writes it.
    """

    quantity: str
    factor: float
    symbol: str


NO_UNIT = ColumnUnit("", 1.0, "")
"""Of a column whose header names none."""

_SMALL = {
    "": (1.0, ""), "m": (1e-3, "m"), "milli": (1e-3, "m"), "u": (1e-6, "µ"), "micro": (1e-6, "µ"),
    "mikro": (1e-6, "µ"), "n": (1e-9, "n"), "nano": (1e-9, "n"),
}  # fmt: skip
_LARGE = {
    "": (1.0, ""), "k": (1e3, "k"), "kilo": (1e3, "k"), "m": (1e6, "M"), "mega": (1e6, "M"),
    "g": (1e9, "G"),
}  # fmt: skip
_SINE_PEAK = math.sqrt(2.0)
_BASES = (
    ("time", _SMALL, "s", 1.0,
     "s sec secs second seconds sek sekunde sekunden seconde secondes segundos secondi"),
    ("voltage", _SMALL, "V", 1.0, "v volt volts"),
    ("voltage", _SMALL, "V rms", 1.0, "vrms veff vac"),
    ("voltage", _SMALL, "V peak", 1.0 / _SINE_PEAK, "vp vpk vpeak"),
    ("voltage", _SMALL, "V peak to peak", 0.5 / _SINE_PEAK, "vpp vp-p vpk-pk"),
    ("frequency", _LARGE, "Hz", 1.0, "hz hertz"),
    ("rate", _LARGE, "Hz", 1.0, "sa/s s/s sps samples/s samples/second"),
    ("phase", {"": (1.0, "")}, "°", 1.0, "° deg degs degree degrees"),
    ("phase", {"": (1.0, "")}, "rad", math.degrees(1.0), "rad rads radian radians"),
    ("ratio", {"": (1.0, "")}, "V/V", 1.0, "v/v ratio lin linear"),
    ("count", {"": (1.0, "")}, "", 1.0, "sequence index sample samples point points # no. no"),
    ("other", {"": (1.0, "")}, "other", 1.0, "a ma amp amps w mw ohm ohms ω % pct °c pa g c"),
)  # fmt: skip
_UNITS = {
    prefix + spelling: ColumnUnit(quantity, scale * factor, mark + symbol)
    for quantity, prefixes, symbol, factor, spellings in _BASES
    for spelling in spellings.split()
    for prefix, (scale, mark) in prefixes.items()
}
_IN_BRACKETS = re.compile(r"^(.*?)[\s_]*[(\[{]\s*([^()\[\]{}]+?)\s*[)\]}]$")
_BEHIND = re.compile(r"^(.+?)(?:\s*/\s*|\s+in\s+|,\s*|[_ ]+)(\S+)$")
_MULTIPLE = re.compile(r"(\d*\.?\d*[1-9]\d*|[1-9]\d*\.\d+)\s*([a-zA-Zµμ]\S*)$")
_MEASURED = ("time", "frequency", "voltage", "level", "phase")


def column_unit(text: str) -> ColumnUnit:
    """Look up a unit.

    Parameters
    ----------
    text : str
        As a header spells it, in any case, with or without brackets.

    Returns
    -------
    ColumnUnit
        `NO_UNIT` for an empty text; of quantity ``unknown`` for one that is in no list.
    """
    spelling = text.strip(" \"'()[]{}").lower().replace("µ", "u").replace("μ", "u")
    if not spelling:
        return NO_UNIT
    if re.match(r"db\b|db[vufmr]\b", spelling):
        return ColumnUnit("level", 1.0, "dB")
    return _UNITS.get(spelling.replace(" ", ""), ColumnUnit("unknown", 1.0, text.strip(" ()[]{}")))


def stated_unit(text: str) -> ColumnUnit:
    """Look up a unit that a user states, with a factor where a probe divides.

    Parameters
    ----------
    text : str
        Such as ``mV``, or ``10V`` for volts to be multiplied by 10.

    Returns
    -------
    ColumnUnit
        As `column_unit` tells it.
    """
    match = _MULTIPLE.match(text.strip())
    if match is None:
        return column_unit(text)
    unit = column_unit(match[2])
    return ColumnUnit(
        unit.quantity, float(match[1]) * unit.factor, f"{unit.symbol} times {match[1]}"
    )


def name_and_unit(cell: str) -> tuple[str, ColumnUnit]:
    """Split a column's heading into its name and its unit.

    Parameters
    ----------
    cell : str
        Such as ``Time (s)``, ``u/mV``, ``level_db`` or ``Volt``.

    Returns
    -------
    tuple of str and ColumnUnit
        The name in lower case, empty where the heading is nothing but a unit.
    """
    heading = cell.strip(" \"'").lower()
    alone = column_unit(heading)
    if alone.quantity in _MEASURED:
        return "", alone
    bracketed = _IN_BRACKETS.match(heading)
    if bracketed:
        name, unit = bracketed[1].strip(" _"), column_unit(bracketed[2])
        before = column_unit(name)
        if unit.quantity == "unknown" and before.quantity in _MEASURED:
            return bracketed[2], before  # a unit with the name of a node behind it: V(out)
        return name, unit
    if "db" in re.split(r"[\s_]+", heading):
        return heading, ColumnUnit("level", 1.0, "dB")
    behind = _BEHIND.match(heading)
    if behind and column_unit(behind[2]).quantity in _MEASURED:
        return behind[1].strip(" _"), column_unit(behind[2])
    return heading, NO_UNIT
