"""Readings of the bench sheet: inside or outside its limits, and as a sweep."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from antecurve.analysis.bench_sheet import BenchSheet
from antecurve.errors import InputError
from antecurve.results import Result

__all__ = ["PLACES", "SheetReading", "sheet_readings"]

PLACES = ("output", "input")
"""Where readings are taken: at the unit's output, or at its input, to prove the network."""

_REFERENCE_HZ = 1000.0  # levels are relative to that there (IEC 60098)


@dataclass(frozen=True, slots=True)
class SheetReading(Result):
    """One reading against the sheet.

    Attributes
    ----------
    frequency_hz : float
        Spot frequency [Hz].
    level_db : float or None
        Level over EMF; relative to that at 1 kHz where it was read [dB].
    inside : bool or None
        Whether it lies within the limits; ``None`` where nothing was read, or the reading at
        1 kHz is missing that others are relative to.
    """

    frequency_hz: float
    level_db: float | None
    inside: bool | None


def sheet_readings(
    sheet: BenchSheet, readings_v: Sequence[float | None], *, at: str = "output"
) -> tuple[SheetReading, ...]:
    """Compare readings with the limits of a bench sheet.

    Parameters
    ----------
    sheet : BenchSheet
        The sheet.
    readings_v : sequence of float or None
        Reading at each spot frequency, above 0 [V rms]; ``None`` where there is none.
    at : str, optional
        One of `PLACES`.

    Returns
    -------
    tuple of SheetReading
        One a spot frequency.

    Raises
    ------
    InputError
        When there are not as many readings as frequencies, one is not above 0, or there is no
        such place.
    """
    if at not in PLACES:
        raise InputError("readings", at, f"choose {' or '.join(PLACES)}")
    if len(readings_v) != sheet.frequency_hz.size:
        rule = f"give one for each of the {sheet.frequency_hz.size} frequencies"
        raise InputError("readings", len(readings_v), rule)
    levels: list[float | None] = []
    for reading, emf in zip(readings_v, sheet.emf_v.tolist(), strict=True):
        if reading is not None and not 0.0 < reading < math.inf:
            raise InputError("readings", reading, "a level is above 0")
        levels.append(None if reading is None else 20.0 * math.log10(reading / emf))
    reference = levels[int(np.argmin(np.abs(sheet.frequency_hz - _REFERENCE_HZ)))]
    compared = []
    for k, level in enumerate(levels):
        reading = readings_v[k]
        relative = None if level is None or reference is None else level - reference
        inside: bool | None = None
        if at == "input" and reading is not None:
            column = sheet.columns[0]
            inside = bool(column.low_v[k] <= reading <= column.high_v[k])
        elif at == "output" and relative is not None:
            low, high = sheet.playback_low_db[k], sheet.playback_high_db[k]
            inside = bool(low <= relative <= high)
        shown = relative if relative is not None else level
        compared.append(SheetReading(float(sheet.frequency_hz[k]), shown, inside))
    return tuple(compared)
