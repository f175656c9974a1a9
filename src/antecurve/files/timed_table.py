"""Tables of volts against time: times in a column, or their step in the header."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import FileFormatError
from antecurve.files.column_units import ColumnUnit, column_unit
from antecurve.files.number_table import NumberTable
from antecurve.files.recorded_channels import (
    Channels,
    ReadingOptions,
    Recording,
    evenly_spaced,
    recorded,
)
from antecurve.files.table_columns import column_with, columns_but, counts, is_count
from antecurve.files.table_header import HeaderQuantity, header_quantity
from antecurve.quantities import format_quantity

__all__ = ["stepped_recording", "timed_recording"]

Floats = NDArray[np.float64]

_TIME_NAMES = ("time", "t", "x", "zeit", "temps", "tempo", "tiempo", "sec")
_SLOWEST_HZ = 10e3  # a record without a unit that is slower in seconds is hardly in seconds
_LONGEST_S = 0.5  # a record without a unit is in seconds: in ms no shorter one holds a period
_LONGEST_RECORD_S = 3600.0  # no record of a unit lasts hours: such a reading is not named
_LEAST_ROWS = 64  # of a record of time; sweeps are shorter
_SAME = 0.01  # of a step: the header and the column speak of the same sampling
_ROUNDED = 1.0  # of the last printed digit: half of it rounding, half the line's own error
_WHOLE = 1e-3  # of the last digit: what binary numbers leave of whole decimal ones
_RATE_KEY = re.compile(r"(rate|fs|samplerate)$|.*(sampl|abtast).*(rate|freq)|.*(rate|freq).*sampl")
_STEP_KEY = re.compile(
    r"(increment|dt|interval|delta ?t|x ?incr?|x ?inc)$|.*sampl.*(interval|period|time|step)"
    r"|.*abtastinterv|.*\b(x|t|time|horizontal)\b.*(incr|step|interval|delta|resolution)"
    r"|(incr|step|interval).*\b(x|t|time|horizontal)\b"
)
_TIME_UNIT_KEY = re.compile(r"(time|horizontal|x).*\bunits?\b|units? of time")
_VOLT_UNIT_KEY = re.compile(r"(vertical|volt|y|ch|amplitude).*\bunits?\b|units? of volt")
_PROBE_KEY = re.compile(r"\bprobe\b|\batten(uation)?\b")
_FACTOR = re.compile(
    r"(\d+(?:\.\d+)?(?:e[+-]?\d+)?)\s*(?:[:/]\s*(\d+(?:\.\d+)?))?(?!.*\bdb\b)", re.IGNORECASE
)
_COUNT_KEY = re.compile(
    r"(number of |no\.? of )?(samples|points|data points)$|(record|memory) length$"
)


def timed_recording(table: NumberTable, asked: ReadingOptions) -> Recording | None:
    """Read a column of times and one to eight channels.

    Parameters
    ----------
    table : NumberTable
        The table.
    asked : ReadingOptions
        What the user states.

    Returns
    -------
    Recording or None
        ``None`` where no column holds times.

    Raises
    ------
    FileFormatError
        When the unit of time is open, or the channel.
    """
    position = _time_column(table)
    if position is None:
        return None
    time: Floats = table.columns[:, position]
    if not np.all(np.isfinite(time)):
        raise FileFormatError(f"{table.path}, column {position + 1}", "a time that is no number",
                              "every row needs its time")  # fmt: skip
    unit, note = _time_unit(table, position, asked)
    others = [
        k for k in columns_but(table, position)
        if table.units[k].quantity != "time" and not np.array_equal(table.columns[:, k], time)
    ]  # fmt: skip
    even = _unrounded(time)
    if even is not time:
        note += ", rounded times made even"
    words = f"time in {unit.symbol} from column {position + 1}{note}"
    words += _contradicted(table, even * unit.factor)
    return recorded(_channels(table, even * unit.factor, others, words), asked)


def stepped_recording(table: NumberTable, asked: ReadingOptions) -> Recording | None:
    """Read channels alone, with the step of time or the sampling rate in the lines above.

    Parameters
    ----------
    table : NumberTable
        The table.
    asked : ReadingOptions
        What the user states.

    Returns
    -------
    Recording or None
        ``None`` where the lines above hold neither.

    Raises
    ------
    FileFormatError
        When the step is no positive number, or the channel is open.
    """
    step = _header_step(table)
    others = columns_but(table)
    if step is None:
        if len(others) < table.columns.shape[1] and len(table.columns) >= _LEAST_ROWS:
            raise FileFormatError(
                table.path, "sample numbers without a sampling rate",
                "write a line such as Sampling rate: 250 kHz above the numbers",
            )  # fmt: skip
        return None
    time: Floats = np.arange(len(table.columns), dtype=float) * step
    words = f"a sample every {format_quantity(step, 's')} by the header"
    return recorded(_channels(table, time, others, words), asked)


def _time_column(table: NumberTable) -> int | None:
    """The column of times: by unit, by name, or an unnamed one that ascends evenly."""
    if table.columns.shape[1] < 2:
        return None
    named = column_with(table, _TIME_NAMES, "time")
    if named is not None:
        return named if table.units[named].quantity in ("time", "unknown", "") else None
    first = next((k for k in range(table.columns.shape[1]) if not is_count(table, k)), 0)
    column = table.columns[:, first]
    if table.names[first] or table.units[first].quantity or len(column) < _LEAST_ROWS:
        return None
    if not (np.all(np.diff(column) > 0) and evenly_spaced(column)):
        return None
    rate = (len(column) - 1) / float(np.ptp(column))
    if rate < _SLOWEST_HZ and column[0] > 0 and _header_step(table) is None:
        return None
    return first


def _time_unit(table: NumberTable, position: int, asked: ReadingOptions) -> tuple[ColumnUnit, str]:
    """The unit of time: stated, by the column, by the header, or seconds where it can be."""
    if asked.time_unit is not None:
        return column_unit(asked.time_unit), ""
    unit, source = table.units[position], ""
    if not unit.quantity:
        unit, source = _described_unit(table, _TIME_UNIT_KEY) or unit, " by the header"
    if unit.quantity == "time":
        return unit, source
    if unit.quantity:
        raise FileFormatError(
            f"{table.path}, column {position + 1}", unit.symbol,
            "this unit of time is not known; state --time-unit s, ms, us or ns",
        )  # fmt: skip
    time = table.columns[:, position]
    span, step = float(np.ptp(time)), _header_step(table)
    mean = max(span, 1e-300) / (time.size - 1)
    for symbol in ("s", "ms", "us", "ns") if step is not None else ():
        unit = column_unit(symbol)
        if abs(mean * unit.factor / (step or 1.0) - 1.0) < _SAME:
            return unit, " by the sampling rate in the header"
    if 1.0 / mean < _SLOWEST_HZ or span > _LONGEST_S:
        lasts = [(unit.symbol, span * unit.factor) for unit in map(column_unit, ("s", "ms", "us"))]
        likely = [way for way in lasts if way[1] <= _LONGEST_RECORD_S] or lasts
        first, *others = ((f"in {unit}", format_quantity(span, "s")) for unit, span in likely)
        raise FileFormatError(
            f"{table.path}, column {position + 1}",
            f"times from {time[0]:g} to {time[-1]:g} without a unit",
            ", ".join([f"{first[0]} the record lasts {first[1]}", *map(" ".join, others)])
            + "; state --time-unit s, ms or us",
        )
    return column_unit("s"), ""


def _contradicted(table: NumberTable, time_s: Floats) -> str:
    """A word on a sampling rate in the header that is not the one of the times."""
    step, span = _header_step(table), float(np.ptp(time_s))
    if step is None or abs(span / (step * (time_s.size - 1)) - 1.0) < _SAME:
        return ""
    return f", not {format_quantity(1.0 / step, 'Hz')} as the header says"


def _described_unit(table: NumberTable, key: re.Pattern[str]) -> ColumnUnit | None:
    """A unit that the description names."""
    texts = [text for name, text in table.description.items() if key.match(name)]
    return column_unit(texts[0]) if texts else None


def _header_step(table: NumberTable) -> float | None:
    """Seconds from sample to sample by the description."""
    for key, text in table.description.items():
        name = re.sub(r"[_\s]+", " ", re.sub(r"[(\[{].*", "", key)).strip()
        if _RATE_KEY.match(name):
            rate = _positive(table, key, text, ("", "frequency", "rate"))
            return 1.0 / (rate.number * rate.unit.factor)
        if _STEP_KEY.match(name) and not re.search(r"\b(y|v|volts?|vertical|trigger)\b", name):
            step = _positive(table, key, text, ("", "time"))
            unit = step.unit if step.unit.quantity else _described_unit(table, _TIME_UNIT_KEY)
            return step.number * (1.0 if unit is None else unit.factor)
    return None


def _positive(table: NumberTable, key: str, text: str, quantities: Sequence[str]) -> HeaderQuantity:
    quantity = header_quantity(key, text, decimal=table.decimal, path=table.path)
    if quantity.unit.quantity not in quantities:
        raise FileFormatError(
            f"{table.path}: {key}", text, f"{quantity.unit.symbol} is not a unit that it can have"
        )
    if not quantity.number > 0.0:
        raise FileFormatError(f"{table.path}: {key}", text, "it must be greater than 0")
    return quantity


def _unrounded(time: Floats) -> Floats:
    """Even times where the given ones are such, rounded to the digits that are printed."""
    rows = np.arange(time.size)
    steps = np.diff(time)
    if time.size < _LEAST_ROWS or not np.all(steps >= 0) or not np.any(steps > 0):
        return time
    if evenly_spaced(time) or counts(time):
        return time
    slope, start = np.polyfit(rows, time, 1)
    even: Floats = start + slope * rows
    smallest = float(steps[steps > 0].min())
    decade = 10.0 ** np.floor(np.log10(smallest) + 1e-9)
    for digit in (decade, decade / 10.0):  # a finer one leaves the steps even
        if np.abs(time / digit - np.rint(time / digit)).max() < _WHOLE:
            return even if np.abs(time - even).max() <= _ROUNDED * digit else time
    return time


def _channels(table: NumberTable, time_s: Floats, columns: Sequence[int], origin: str) -> Channels:
    volts, labels, names, assumed = [], [], [], []
    described = _described_unit(table, _VOLT_UNIT_KEY)
    for index in columns:
        unit = table.units[index]
        if not unit.quantity and described is not None:
            unit = described
        if unit.quantity not in ("", "voltage"):
            continue
        volts.append(table.columns[:, index] * unit.factor)
        names.append(table.names[index])
        usual = index in (len(volts) - 1, len(volts))
        if not unit.quantity:
            assumed.append(len(volts))
        words = f"in {unit.symbol}" if unit.quantity else "taken as V"
        labels.append(words if usual else f"{words} from column {index + 1}")
    if not volts:
        raise FileFormatError(
            table.path, "no column of volts", "state the units of its columns, as in --units s,V"
        )
    stated = any(" times " in table.units[k].symbol for k in columns)
    origin += _promised(table) + ("" if stated else _probe(table))
    return Channels(
        table.path, time_s, volts, labels, origin, assumed=tuple(assumed), names=tuple(names)
    )


def _probe(table: NumberTable) -> str:
    """A word on a probe in the header: instruments multiply its factor in by themselves."""
    for key, text in table.description.items():
        match = _FACTOR.search(text) if _PROBE_KEY.search(key) else None
        numbers = sorted(float(n) for n in match.groups("1")) if match is not None else [1.0, 1.0]
        if numbers[0] > 0.0 and (factor := numbers[1] / numbers[0]) != 1.0:
            return (
                f", probe of {factor:g}:1 by the header taken as multiplied in (if not, state "
                f"{factor:g}V in --units)"
            )
    return ""


def _promised(table: NumberTable) -> str:
    """A word on rows that the header counts and the table lacks."""
    for key, text in table.description.items():
        if _COUNT_KEY.match(key) and re.match(r"\d+\b", text):
            count = int(re.match(r"\d+", text)[0])  # type: ignore[index]
            if count > len(table.columns):
                return f", of {count:,} points by the header"
    return ""
