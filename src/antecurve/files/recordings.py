"""Captures from files as instruments and sound interfaces write them.

A file is read as a table of numbers or as sound, and one of a few recognisers makes a capture of
it and says what it understood.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from antecurve.checked import checked
from antecurve.errors import FileFormatError
from antecurve.files.named_table import named_capture
from antecurve.files.number_table import NumberTable, number_table
from antecurve.files.reading import read_bytes
from antecurve.files.recorded_channels import (
    TIME_UNITS,
    Channels,
    ReadingOptions,
    Recording,
    evenly_spaced,
    recorded,
    sound_channels,
)
from antecurve.files.sound import SOUND_SUFFIXES
from antecurve.judge.sweep import SweepCapture
from antecurve.quantities import format_quantity, parse_quantity

__all__ = ["ReadingOptions", "Recording", "read_recording"]

Floats = NDArray[np.float64]

_VOLT_UNITS = {
    "v": 1.0, "volt": 1.0, "volts": 1.0, "mv": 1e-3, "uv": 1e-6, "µv": 1e-6, "μv": 1e-6,
    "vrms": 1.0, "mvrms": 1e-3,
}  # fmt: skip
_HERTZ_UNITS = {"hz": 1.0, "khz": 1e3}
_LEVEL_UNITS = ("db", "dbv", "dbu", "dbfs", "dbm", "dbr")
_PHASE_UNITS = {"deg": 1.0, "°": 1.0, "degree": 1.0, "degrees": 1.0, "rad": math.degrees(1.0)}
_TIME_NAMES = ("time", "t", "x", "zeit", "temps", "sec", "second", "seconds")
_COUNT_NAMES = ("index", "sample", "samples", "point", "points", "n", "no", "no.", "#")
_SLOWEST_HZ = 1000.0  # a record sampled more slowly is in another unit of time than seconds
_LEAST_ROWS = 64  # of a record of time; sweeps are shorter


@checked
def read_recording(path: Path | str, options: ReadingOptions | None = None) -> Recording:
    """Read a capture from a file of an instrument or a sound interface.

    Parameters
    ----------
    path : Path or str
        Text with a table of numbers, in UTF-8, UTF-16 or Latin-1, or a WAV, FLAC or AIFF file.
    options : ReadingOptions, optional
        What the file leaves open.

    Returns
    -------
    Recording
        A square wave, a sweep or a two-channel record, named after the file.

    Raises
    ------
    FileFormatError
        When the file can't be read, or reads in two ways; the message names the option that
        decides.
    InputError
        When the numbers can't be a capture.
    """
    asked = options or ReadingOptions()
    if Path(path).suffix.lower() in SOUND_SUFFIXES:
        return recorded(sound_channels(path), asked)
    text = _text(path)
    named = named_capture(text, path) if asked == ReadingOptions() else None
    if named is not None:
        return Recording(named, f"a {named.kind} by the names of its columns")
    table = number_table(text, str(path), decimal=asked.decimal)
    for recogniser in _RECOGNISERS:
        recording = recogniser(table, asked)
        if recording is not None:
            return recording
    raise FileFormatError(
        str(path),
        f"{table.columns.shape[1]} columns without a meaning",
        "name them in a line above the numbers: time_s and volts, or frequency_hz and level_db",
    )


def _text(path: Path | str) -> str:
    """The text of a file in UTF-8, UTF-16 or Latin-1."""
    data = read_bytes(path)
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return data.decode("utf-16", errors="replace")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("latin-1")
    if "\0" in text:
        raise FileFormatError.unreadable(path, "binary data", "it must be a table or a sound file")
    return text


def _sweep(table: NumberTable, asked: ReadingOptions) -> Recording | None:
    """Frequency and level in dB, or input and output in volts; phase in degrees or radians."""
    frequency = _column(table, ("freq", "f", "hz"), tuple(_HERTZ_UNITS))
    if frequency is None:
        return None
    others = [k for k in range(table.columns.shape[1]) if k != frequency]
    phase = next((k for k in others if _is_phase(table, k)), None)
    others = [k for k in others if k != phase]
    in_db = [k for k in others if _is_level(table, k)]
    scale = _HERTZ_UNITS.get(table.units[frequency], 1.0)
    if in_db or (len(others) == 1 and table.units[others[0]] not in _VOLT_UNITS):
        chosen = _chosen_level(table, in_db or others, asked)
        level, words = table.columns[:, chosen], f"level in dB from column {chosen + 1}"
    elif len(others) == 2:
        first, second = others if not _is_output(table, others[0]) else others[::-1]
        level = _decibels(table, second) - _decibels(table, first)
        words = f"output in column {second + 1} over input in column {first + 1}"
    else:
        chosen = _chosen_level(table, others, asked)
        level = _decibels(table, chosen)
        words = f"output in V from column {chosen + 1}"
    degrees = None
    if phase is not None:
        degrees = table.columns[:, phase] * _PHASE_UNITS.get(table.units[phase], 1.0)
        words += f", phase from column {phase + 1}"
    hertz = table.columns[:, frequency] * scale
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


def _timed(table: NumberTable, asked: ReadingOptions) -> Recording | None:
    """A column of times and one to eight channels."""
    if table.columns.shape[1] < 2:
        return None
    named = _column(table, _TIME_NAMES, tuple(TIME_UNITS))
    if named is None and not _may_be_time(table):
        return None
    position = named or 0
    unit = asked.time_unit or table.units[position]
    time: Floats = table.columns[:, position]
    if not np.all(np.isfinite(time)):
        raise FileFormatError(f"{table.path}, column {position + 1}", "a time that is no number",
                              "every row needs its time")  # fmt: skip
    factor = TIME_UNITS.get(unit, 1.0)
    if unit not in TIME_UNITS:
        rate = (time.size - 1) / max(float(np.ptp(time)), 1e-300)
        if rate < _SLOWEST_HZ:
            raise FileFormatError(
                f"{table.path}, column {position + 1}",
                f"times from {time[0]:g} to {time[-1]:g} without a unit",
                f"in seconds that is {rate:.3g} samples per second; state --time-unit ms or us",
            )
        unit = "s"
    others = [k for k in range(table.columns.shape[1]) if k != position]
    return recorded(
        _table_channels(table, time * factor, others, f"time in {unit} from column {position + 1}"),
        asked,
    )


def _stepped(table: NumberTable, asked: ReadingOptions) -> Recording | None:
    """Channels alone, with the step of time or the sampling rate in the lines above."""
    step = _step(table)
    if step is None:
        return None
    others = [
        k for k in range(table.columns.shape[1])
        if not (table.names[k] in _COUNT_NAMES or _counts(table.columns[:, k]))
    ]  # fmt: skip
    time: Floats = np.arange(len(table.columns), dtype=float) * step
    words = f"a sample every {format_quantity(step, 's')} by the header"
    return recorded(_table_channels(table, time, others, words), asked)


def _plain_sweep(table: NumberTable, asked: ReadingOptions) -> Recording | None:
    """Two or three columns without names, the first of them widening steps: a sweep."""
    rows, columns = table.columns.shape
    first = table.columns[:, 0]
    if columns not in (2, 3) or any(table.names) or not np.all(np.diff(first) > 0) or first[0] <= 0:
        return None
    if evenly_spaced(first) and rows >= _LEAST_ROWS:
        raise FileFormatError(
            table.path,
            "two columns without names",
            "they may be time and volts, or frequency and level; write time_s,volts or "
            "frequency_hz,level_db above",
        )
    named = NumberTable(
        table.path,
        table.columns,
        ("frequency", "level", "phase")[:columns],
        ("hz", "db", "deg")[:columns],
        table.description,
        table.first_line,
    )
    return _sweep(named, asked)


_RECOGNISERS: tuple[Callable[[NumberTable, ReadingOptions], Recording | None], ...] = (
    _sweep, _stepped, _timed, _plain_sweep,
)  # fmt: skip
"""Each makes a capture of a table that it knows, in this order."""


def _column(table: NumberTable, names: Sequence[str], units: Sequence[str]) -> int | None:
    """The first column with one of the units, or a name that is or begins with one of these."""
    for index, unit in enumerate(table.units):
        if unit in units:
            return index
    for index, name in enumerate(table.names):
        word = name.replace("_", " ").split(" ")[0] if name else ""
        if word in names or (len(names[0]) > 3 and word.startswith(names[0])):
            return index
    return None


def _is_phase(table: NumberTable, column: int) -> bool:
    name, unit = table.names[column], table.units[column]
    return unit in _PHASE_UNITS or name.startswith(("phase", "arg")) or name == "deg"


def _is_level(table: NumberTable, column: int) -> bool:
    name, unit = table.names[column], table.units[column]
    return unit in _LEVEL_UNITS or "db" in name.replace("_", " ").split(" ")


def _is_output(table: NumberTable, column: int) -> bool:
    words = table.names[column].replace("_", " ").split(" ")
    return bool({"out", "output", "vout", "response", "b"} & set(words))


def _chosen_level(table: NumberTable, columns: Sequence[int], asked: ReadingOptions) -> int:
    if len(columns) == 1:
        return columns[0]
    if asked.channel is not None and asked.channel <= len(columns):
        return columns[asked.channel - 1]
    raise FileFormatError(
        table.path,
        f"{len(columns)} columns of levels",
        f"state which with --channel 1 to {len(columns)}",
    )


def _volts(table: NumberTable, column: int) -> Floats:
    return table.columns[:, column] * _VOLT_UNITS.get(table.units[column], 1.0)


def _decibels(table: NumberTable, column: int) -> Floats:
    volts = _volts(table, column)
    if not np.all(volts > 0.0):
        row = int(np.argmin(volts > 0.0))
        raise FileFormatError(
            f"{table.path}, column {column + 1}, data row {row + 1}",
            float(volts[row]),
            "a voltage of a sweep must be above 0; delete the row",
        )
    return np.asarray(20.0 * np.log10(volts))


def _counts(column: Floats) -> bool:
    return bool(np.all(np.diff(column) == 1.0)) and column[0] in (0.0, 1.0)


def _may_be_time(table: NumberTable) -> bool:
    first = table.columns[:, 0]
    anonymous = not table.names[0] or table.names[0] in _TIME_NAMES
    rising = len(first) >= _LEAST_ROWS and bool(np.all(np.diff(first) > 0))
    rate = (len(first) - 1) / max(float(np.ptp(first)), 1e-300)
    return anonymous and rising and evenly_spaced(first) and (rate >= _SLOWEST_HZ or first[0] <= 0)


def _step(table: NumberTable) -> float | None:
    """Seconds from sample to sample by the description."""
    for key, value in table.description.items():
        words = set(key.replace("_", " ").replace("(", " ").replace(")", " ").split())
        number = value.split(" ")[0].replace(",", ".")
        text = value.replace(",", ".") if value[:1].isdigit() or value[:1] in "+-." else number
        if {"rate", "samplerate", "fs"} & words:
            return 1.0 / parse_quantity(
                text, unit="Hz", field=f"{table.path}: {key}", minimum=0.0, exclusive=True
            )
        if {"increment", "interval", "dt", "step", "period"} & words and not {"v", "volt"} & words:
            named = next((u for u in TIME_UNITS if u in words), None)
            text, unit = (text, "s") if named is None else (number, "")
            step = parse_quantity(
                text, unit=unit, field=f"{table.path}: {key}", minimum=0.0, exclusive=True
            )
            return step if named is None else step * TIME_UNITS[named]
    return None


def _table_channels(
    table: NumberTable, time_s: Floats, columns: Sequence[int], origin: str
) -> Channels:
    volts, labels = [], []
    for index in columns:
        unit = table.units[index]
        if unit and unit not in _VOLT_UNITS:
            continue
        volts.append(_volts(table, index))
        labels.append(f"in {unit.replace('v', 'V') if unit in _VOLT_UNITS else 'V'}")
    if not volts:
        raise FileFormatError(table.path, "no column of volts", "name the unit of a column V or mV")
    return Channels(table.path, time_s, volts, labels, origin)
