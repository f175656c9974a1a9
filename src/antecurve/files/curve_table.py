"""A table of levels as CSV: ``frequency_hz, level_db``."""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from io import StringIO
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import FileFormatError
from antecurve.files.reading import read_text

__all__ = ["LevelTable", "read_curve_table"]

_HEADER = ("frequency_hz", "level_db")


@dataclass(frozen=True, slots=True, eq=False)
class LevelTable:
    """Levels at frequencies.

    Attributes
    ----------
    frequency_hz : numpy.ndarray of float, shape (points,)
        Frequencies [Hz], ascending; read-only.
    level_db : numpy.ndarray of float, shape (points,)
        Levels [dB]; read-only.
    """

    frequency_hz: NDArray[np.float64]
    level_db: NDArray[np.float64]


def read_curve_table(path: Path | str) -> LevelTable:
    """Read a table of levels.

    Parameters
    ----------
    path : Path or str
        A CSV file with the columns ``frequency_hz`` and ``level_db``; others are ignored, and
        so are empty lines and lines that begin with ``#``.

    Returns
    -------
    LevelTable
        The table, sorted by frequency.

    Raises
    ------
    FileFormatError
        When the file can't be read, a column is missing, or a row does not hold two numbers
        or repeats a frequency; the message names the row.
    """
    lines = [
        (number, line)
        for number, line in enumerate(read_text(path).splitlines(), start=1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if not lines:
        raise FileFormatError(str(path), "no rows", f"begin with the line {','.join(_HEADER)}")
    rows = list(csv.reader(StringIO("\n".join(line for _, line in lines))))
    header = [name.strip().lower() for name in rows[0]]
    missing = [name for name in _HEADER if name not in header]
    if missing:
        raise FileFormatError(
            f"{path}, row {lines[0][0]}", ",".join(rows[0]), f"it needs a column {missing[0]}"
        )
    columns = [header.index(name) for name in _HEADER]
    found: dict[float, float] = {}
    for (number, line), row in zip(lines[1:], rows[1:], strict=True):
        where = f"{path}, row {number}"
        try:
            frequency, level = (float(row[c]) for c in columns)
        except (ValueError, IndexError):
            raise FileFormatError(where, line, "it needs a frequency and a level") from None
        if not (math.isfinite(frequency) and frequency > 0 and math.isfinite(level)):
            raise FileFormatError(where, line, "frequency above 0 Hz and a finite level in dB")
        if frequency in found:
            raise FileFormatError(where, line, "this frequency stood in an earlier row")
        found[frequency] = level
    if not found:
        raise FileFormatError(str(path), "a header only", "give at least one row of levels")
    order = sorted(found)
    frequency_hz, level_db = np.array(order), np.array([found[f] for f in order])
    frequency_hz.setflags(write=False)
    level_db.setflags(write=False)
    return LevelTable(frequency_hz, level_db)
