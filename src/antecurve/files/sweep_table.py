"""Tables of a level, or of an output over an input, against frequency."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import FileFormatError
from antecurve.files.column_units import column_unit
from antecurve.files.number_table import NumberTable
from antecurve.files.recorded_channels import ReadingOptions, Recording, evenly_spaced
from antecurve.files.table_columns import column_with, columns_but, named_as
from antecurve.judge.sweep import SweepCapture
from antecurve.quantities import format_quantity

__all__ = ["sweep_recording", "unnamed_sweep"]

Floats = NDArray[np.float64]

_INPUT_WORDS = ("in", "input", "vin", "uin", "generator", "gen", "source", "stimulus", "eingang")
_LEVEL_WORDS = ("level", "gain", "mag", "magnitude", "amplitude", "response", "pegel")
_VOLTS_NAME = re.compile(r"[uv][_ ]?(in|out)(put)?")  # volts, or both in the same unit
_REAL_WORDS = ("re", "real")
_IMAGINARY_WORDS = ("im", "imag", "imaginary")
_OUTPUT_WORDS = ("out", "output", "vout", "uout", "response", "ausgang")
_LEAST_ROWS = 64  # of a record of time; sweeps are shorter
_LEAST_TOP_HZ = 1000.0  # a sweep of an audio unit goes beyond; 20 kHz in kHz does not
_FULL_TURN = 6.3  # phases beyond are in degrees: a network of this kind turns by half a turn


def sweep_recording(table: NumberTable, asked: ReadingOptions) -> Recording | None:
    """Read frequencies, a level in dB, or input and output in volts or dB, and a phase.

    Parameters
    ----------
    table : NumberTable
        The table.
    asked : ReadingOptions
        What the user states.

    Returns
    -------
    Recording or None
        ``None`` where no column holds frequencies.

    Raises
    ------
    FileFormatError
        When a unit or the column of the level is open.
    """
    frequency = column_with(table, ("f", "hz", "freq", "fréq", "frec"), "frequency")
    if frequency is None:
        return None
    table = _volts_by_name(table)
    hertz = _hertz(table, frequency)
    others = columns_but(table, frequency)
    level, degrees, words = _parts(table, others) or _level_and_phase(table, others, asked)
    order = np.argsort(hertz, kind="stable") if np.all(np.diff(hertz) < 0) else slice(None)
    capture = SweepCapture(
        hertz[order],
        level[order],
        None if degrees is None else degrees[order],
        name=Path(table.path).name,
    )
    low, high = (format_quantity(float(f), "Hz") for f in capture.frequency_hz[[0, -1]])
    return Recording(
        capture, f"{words}, {capture.frequency_hz.size:,} frequencies from {low} to {high}"
    )


def unnamed_sweep(table: NumberTable, asked: ReadingOptions) -> Recording | None:
    """Read two or three columns without names, the first of them frequencies.

    Parameters
    ----------
    table : NumberTable
        The table.
    asked : ReadingOptions
        What the user states.

    Returns
    -------
    Recording or None
        ``None`` where the first column can't be frequencies.

    Raises
    ------
    FileFormatError
        When the columns may hold something else.
    """
    rows, columns = table.columns.shape
    first = table.columns[:, 0]
    if columns not in (2, 3) or any(table.names) or not np.all(np.diff(first) > 0) or first[0] <= 0:
        return None
    if evenly_spaced(first) and rows >= _LEAST_ROWS:
        raise FileFormatError(
            table.path,
            "two columns without names",
            "they may be time and volts, or frequency and level; state --units s,V or --units "
            "Hz,dB",
        )
    names = ("frequency", "level", "phase")[:columns]
    return sweep_recording(replace(table, names=names), asked)


def _volts_by_name(table: NumberTable) -> NumberTable:
    """The table with volts as the unit of columns named vin and vout, where it states none."""
    units = [
        column_unit("V") if not unit.quantity and _VOLTS_NAME.fullmatch(name) else unit
        for name, unit in zip(table.names, table.units, strict=True)
    ]
    return replace(table, units=tuple(units))


def _parts(table: NumberTable, columns: Sequence[int]) -> tuple[Floats, Floats, str] | None:
    """Level and phase of a response given by its real and its imaginary part."""
    parts = [
        [k for k in columns if re.split(r"[^a-z]", table.names[k])[0] in words]
        for words in (_REAL_WORDS, _IMAGINARY_WORDS)
    ]
    if [len(ways) for ways in parts] != [1, 1]:
        return None
    (real,), (imaginary,) = parts
    response = table.columns[:, real] + 1j * table.columns[:, imaginary]
    if not np.all(np.abs(response) > 0.0):
        row = int(np.argmin(np.abs(response) > 0.0))
        raise FileFormatError(
            f"{table.path}, data row {row + 1}", "a response of 0", "delete the row"
        )
    words = f"real part from column {real + 1}, imaginary part from column {imaginary + 1}"
    return 20.0 * np.log10(np.abs(response)), np.degrees(np.unwrap(np.angle(response))), words


def _level_and_phase(
    table: NumberTable, columns: Sequence[int], asked: ReadingOptions
) -> tuple[Floats, Floats | None, str]:
    """The level in dB, the phase in degrees where there is one, and what was understood."""
    phase = next((k for k in columns if _is_phase(table, k)), None)
    level, words = _level(table, [k for k in columns if k != phase], asked)
    if phase is None:
        return level, None, words
    symbol = table.units[phase].symbol or "°"
    return level, _degrees(table, phase), f"{words}, phase in {symbol} from column {phase + 1}"


def _hertz(table: NumberTable, column: int) -> Floats:
    unit, values = table.units[column], table.columns[:, column]
    if unit.quantity not in ("", "frequency"):
        raise FileFormatError(
            f"{table.path}, column {column + 1}", unit.symbol,
            "this unit of frequency is not known; write Hz or kHz in the header",
        )  # fmt: skip
    if not unit.quantity and not np.nanmax(values) >= _LEAST_TOP_HZ:
        raise FileFormatError(
            f"{table.path}, column {column + 1}",
            f"frequencies from {values[0]:g} to {values[-1]:g} without a unit",
            "they may be in Hz or kHz; state --units Hz,dB or --units kHz,dB",
        )
    return np.asarray(values * unit.factor)


def _is_phase(table: NumberTable, column: int) -> bool:
    name, unit = table.names[column], table.units[column].quantity
    return unit == "phase" or name.startswith(("phase", "arg", "fase"))


def _degrees(table: NumberTable, column: int) -> Floats:
    unit, values = table.units[column], table.columns[:, column]
    if unit.quantity not in ("", "phase") or (
        not unit.quantity and np.any(values) and not np.nanmax(np.abs(values)) > _FULL_TURN
    ):
        raise FileFormatError(
            f"{table.path}, column {column + 1}",
            unit.symbol or f"phases from {values.min():.3g} to {values.max():.3g} without a unit",
            "they may be in degrees or radians; state --units Hz,dB,deg or --units Hz,dB,rad",
        )
    return np.asarray(values * unit.factor)


def _level(table: NumberTable, columns: Sequence[int], asked: ReadingOptions) -> tuple[Floats, str]:
    """The level in dB, and what was understood: an output over an input, or one column."""
    in_db = [k for k in columns if table.units[k].quantity == "level"] or [
        k for k in columns if not table.units[k].quantity and not _may_be_volts(table, k)
    ]
    open_ones = [k for k in columns if _may_be_volts(table, k)]
    guessed = len(in_db) == 1 and not table.units[in_db[0]].quantity
    if open_ones and guessed and not named_as(table, in_db[0], _LEVEL_WORDS):
        in_db = sorted(in_db + open_ones)  # which of them is the level is open
    named = _input_and_output(table, columns, asked)
    gains = [k for k in in_db if k not in (named or ())]
    if named is not None and (len(gains) != 1 or asked.stimulus is not None):
        of, by = named
        return (
            _decibels(table, by) - _decibels(table, of),
            f"output in column {by + 1} over input in column {of + 1}",
        )
    usable = in_db or [k for k in columns if table.units[k].quantity in ("voltage", "ratio", "")]
    if not usable:
        raise FileFormatError(
            table.path, "no column of levels", "state the units of its columns, as in --units Hz,dB"
        )
    chosen = _chosen(table, gains if named is not None else usable, asked)
    unit = table.units[chosen]
    symbol = "dB" if chosen in in_db else unit.symbol
    return _decibels(table, chosen), f"level in {symbol} from column {chosen + 1}"


def _input_and_output(
    table: NumberTable, columns: Sequence[int], asked: ReadingOptions
) -> tuple[int, int] | None:
    """The columns of input and output, by their names or as the user states."""
    measured = [k for k in columns if table.units[k].quantity in ("voltage", "level")]
    if asked.stimulus is not None and asked.channel is not None:
        if max(asked.stimulus, asked.channel) > len(measured):
            raise FileFormatError(
                table.path, f"{len(measured)} columns of levels", "state --channel among them"
            )
        return measured[asked.stimulus - 1], measured[asked.channel - 1]
    ins = [k for k in measured if named_as(table, k, _INPUT_WORDS)]
    outs = [k for k in measured if named_as(table, k, _OUTPUT_WORDS)]
    if len(ins) == len(outs) == 1 and ins != outs:
        return ins[0], outs[0]
    if len(measured) == 2 and len(ins) == 1:
        return ins[0], next(k for k in measured if k != ins[0])
    return None


def _may_be_volts(table: NumberTable, column: int) -> bool:
    """Whether a column without a unit may hold volts or a ratio: nothing in it is below 0."""
    return not table.units[column].quantity and bool(np.all(table.columns[:, column] > 0.0))


def _chosen(table: NumberTable, columns: Sequence[int], asked: ReadingOptions) -> int:
    if len(columns) == 1 and asked.channel in (None, 1):
        return columns[0]
    if asked.channel is not None and asked.channel <= len(columns):
        return columns[asked.channel - 1]
    listed = ", ".join(
        f"{number} ({table.names[k]})" if table.names[k] else str(number)
        for number, k in enumerate(columns, 1)
    )
    raise FileFormatError(
        table.path,
        f"{len(columns)} columns that may be levels: {listed}",
        f"state the output with --channel 1 to {len(columns)}, and the input, where one is such, "
        "with --stimulus",
    )


def _decibels(table: NumberTable, column: int) -> Floats:
    """A column in dB, from dB, volts or a ratio."""
    unit, values = table.units[column], table.columns[:, column]
    if _may_be_volts(table, column):
        raise FileFormatError(
            f"{table.path}, column {column + 1}",
            f"values from {values.min():.4g} to {values.max():.4g} without a unit",
            "they may be levels in dB or volts; state --units Hz,dB or --units Hz,V",
        )
    if unit.quantity in ("", "level"):
        return values
    volts = values * unit.factor
    if not np.all(volts > 0.0):
        row = int(np.argmin(volts > 0.0))
        raise FileFormatError(
            f"{table.path}, column {column + 1}, data row {row + 1}",
            float(volts[row]),
            "a voltage of a sweep must be above 0; delete the row",
        )
    return np.asarray(20.0 * np.log10(volts))
