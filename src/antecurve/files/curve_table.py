"""A table of levels as CSV: ``frequency_hz, level_db``."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from antecurve.arrays import hold_read_only
from antecurve.errors import FileFormatError
from antecurve.files.rows import read_rows

__all__ = ["MOST_LEVELS", "LevelTable", "read_curve_table"]

MOST_LEVELS = 10_000
"""Most rows of a table."""

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

    def __post_init__(self) -> None:
        hold_read_only(self, "frequency_hz", "level_db")


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
        When the file can't be read, a column is missing, there are more than `MOST_LEVELS`
        rows, or a row does not hold two numbers or repeats a frequency; the message names the line.
    """
    levels: dict[float, float] = {}
    rows = read_rows(path, required=_HEADER, others=True)
    if len(rows) > MOST_LEVELS:
        raise FileFormatError(
            str(path), f"{len(rows):,} rows", f"up to {MOST_LEVELS:,} are fitted: keep every n-th"
        )
    for row in rows:
        shown = ", ".join(row.cells[name] for name in _HEADER)
        try:
            frequency, level = (float(row.cells[name]) for name in _HEADER)
        except ValueError:
            raise FileFormatError(row.location, shown, "it needs a frequency and a level") from None
        if not (math.isfinite(frequency) and frequency > 0 and math.isfinite(level)):
            raise FileFormatError(
                row.location, shown, "frequency above 0 Hz and a finite level in dB"
            )
        if frequency in levels:
            raise FileFormatError(row.location, shown, "this frequency stood in an earlier row")
        levels[frequency] = level
    order = sorted(levels)
    return LevelTable(np.array(order), np.array([levels[f] for f in order]))
