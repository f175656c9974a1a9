"""The constants of a unit in words: names, values and intervals."""

from __future__ import annotations

import math
from collections.abc import Sequence

from antecurve.judge.verdict import FittedValue
from antecurve.quantities import format_quantity, format_time_constant
from antecurve.report.text_table import TextTable, declared, table_from
from antecurve.texts import format_digits

__all__ = [
    "constant_name",
    "constant_text",
    "fitted_rows",
    "interval_text",
    "limits_text",
    "nominal_text",
]

_NAMES = {
    "bass_shelf_s": "bass shelf",
    "turnover_s": "turnover",
    "treble_s": "treble",
    "low_corner_hz": "low corner",
    "high_corner_hz": "high corner",
}
_LARGEST_HZ = 1e9  # beyond what any record shows
_LONGEST_IN_MICROSECONDS = 1.0  # s: beyond, a bound alone, and a row of noughts
_LEAST_HZ = 0.1  # below what any record shows: a period of 10 s


def fitted_rows(fitted: Sequence[FittedValue]) -> TextTable:
    """Tabulate the constants of a unit.

    Parameters
    ----------
    fitted : sequence of FittedValue
        As in the verdict.

    Returns
    -------
    TextTable
        Name, nominal and fitted value, 95 % interval.
    """
    return table_from(
        fitted,
        declared("constant", constant_name, right=False),
        declared("nominal", nominal_text),
        declared("this unit", constant_text),
        declared("95 % interval", interval_text),
    )


def constant_name(constant: FittedValue) -> str:
    """Name a constant as the trade does.

    Parameters
    ----------
    constant : FittedValue
        The constant.

    Returns
    -------
    str
        Such as ``bass shelf``.
    """
    name = constant.name
    return _NAMES.get(name, name.removesuffix("_s").removesuffix("_hz").replace("_", " "))


def constant_text(constant: FittedValue) -> str:
    """Write the value of a constant, as precisely as its interval allows.

    Parameters
    ----------
    constant : FittedValue
        The constant.

    Returns
    -------
    str
        Value and unit, ``not seen``, or the bound where it is only known to lie above.
    """
    shown = [_shown(v, constant.unit, 3) for v in (constant.value, constant.low, constant.high)]
    if "not seen" not in shown[:2] and shown[2] == "not seen":
        return f"above {shown[1]}"
    return _shown(constant.value, constant.unit, _digits(constant))


def nominal_text(constant: FittedValue) -> str | None:
    """Write the nominal value of a constant.

    Parameters
    ----------
    constant : FittedValue
        The constant.

    Returns
    -------
    str or None
        Value and unit; ``None`` where there is none.
    """
    if constant.nominal is None:
        return None
    if constant.unit == "s":
        return format_time_constant(constant.nominal)
    return _shown(constant.nominal, constant.unit, 4)


def _digits(constant: FittedValue) -> int:
    """Significant digits that the interval leaves: its half to about a tenth, 2 to 4 in all."""
    half = (constant.high - constant.low) / 2.0
    if not half > 0.0 or not math.isfinite(half) or not constant.value > 0.0:
        return 3
    return min(max(math.ceil(math.log10(constant.value / half)) + 1, 2), 4)


def _shown(value: float, unit: str, digits: int) -> str:
    """A constant; time constants in microseconds throughout, as the standards give them."""
    if not math.isfinite(value) or value > _LARGEST_HZ or (unit == "Hz" and value < _LEAST_HZ):
        return "not seen"
    if unit == "s" and value >= _LONGEST_IN_MICROSECONDS:
        return format_quantity(value, "s", digits=digits)
    if unit == "s":
        return f"{format_digits(value * 1e6, digits=digits)} µs"
    if unit == "Hz" and value < 1.0:
        return f"{value:.{digits}g} Hz"
    return format_quantity(value, unit, digits=digits)


def limits_text(values: Sequence[float], unit: str) -> tuple[str, ...]:
    """Write values of a constant as precisely as they differ.

    Parameters
    ----------
    values : sequence of float
        Such as a mean and its limits [s or Hz].
    unit : str
        ``s`` or ``Hz``.

    Returns
    -------
    tuple of str
        Values with their unit.
    """
    ends = FittedValue("", None, values[0], min(values), max(values), unit)
    return tuple(_shown(value, unit, _digits(ends)) for value in values)


def interval_text(constant: FittedValue) -> str:
    """Write the 95 % interval of a constant.

    Parameters
    ----------
    constant : FittedValue
        The constant.

    Returns
    -------
    str
        Both ends, or the one that is seen.
    """
    low, high = (_shown(v, constant.unit, _digits(constant)) for v in (constant.low, constant.high))
    if constant.unit == "Hz" and constant.high < _LEAST_HZ:
        return f"up to {_LEAST_HZ:g} Hz"
    if low == "not seen":
        return high if high == low else f"up to {high}"
    return f"{low} or more" if high == "not seen" else f"{low} to {high}"
