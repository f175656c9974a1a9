"""Captures of a unit under test: a square wave in time, or a sweep in frequency."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from antecurve.arrays import read_only
from antecurve.checked import checked
from antecurve.errors import InputError

__all__ = [
    "MOST_FREQUENCIES",
    "Capture",
    "Captures",
    "SquareWaveCapture",
    "SweepCapture",
    "capture_sequence",
]

Floats = NDArray[np.float64]

MOST_FREQUENCIES = 10_000
"""Most frequencies of a sweep; a verdict takes some 20 s for as many."""

_LEAST_SAMPLES = 64
_LEAST_FREQUENCIES = 5


def _column(values: ArrayLike, name: str, where: str) -> Floats:
    column = np.asarray(values, dtype=float)
    if column.ndim != 1:
        raise InputError(f"{where}: {name}", column.shape, "it must be one column of numbers")
    bad = np.flatnonzero(~np.isfinite(column))
    if bad.size:
        raise InputError(
            f"{where}: {name}, data row {int(bad[0]) + 1}",
            float(column[bad[0]]),
            "every value must be a finite number; take the row out or capture again",
        )
    return read_only(column)


def _ascending(column: Floats, other: Floats, name: str, second: str, where: str) -> None:
    steps = np.diff(column)
    if np.all(steps > 0):
        return
    if np.all(np.diff(other) > 0):
        raise InputError(
            f"{where}: {name}",
            "not ascending, while the other column is",
            f"the columns look swapped: {name} must come first and {second} after it",
        )
    row = int(np.flatnonzero(steps <= 0)[0]) + 2
    raise InputError(
        f"{where}: {name}, data row {row}",
        float(column[row - 1]),
        f"{name} must ascend from row to row; sort the rows or take the repeated one out",
    )


@checked
@dataclass(frozen=True, slots=True, eq=False)
class SquareWaveCapture:
    """A record of the unit's output while a square wave goes through the network into it.

    Attributes
    ----------
    time_s : numpy.ndarray of float, shape (samples,)
        Time of each sample [s], ascending, not necessarily evenly spaced; any start.
    volts : numpy.ndarray of float, shape (samples,)
        Output [V]; offset and polarity do not matter.
    name : str
        How messages call it, such as the name of the file.

    Raises
    ------
    InputError
        When a value is not finite, time does not ascend, the columns look swapped, or there
        are fewer than 64 samples.
    """

    time_s: Floats
    volts: Floats
    name: str = "capture"

    def __post_init__(self) -> None:
        time = _column(self.time_s, "time_s", self.name)
        volts = _column(self.volts, "volts", self.name)
        if time.shape != volts.shape:
            raise InputError(
                self.name, (time.size, volts.size), "time_s and volts must be of equal length"
            )
        if time.size < _LEAST_SAMPLES:
            raise InputError(
                self.name,
                f"{time.size} samples",
                f"at least {_LEAST_SAMPLES} are needed, 2,000 or more are good",
            )
        _ascending(time, volts, "time_s", "volts", self.name)
        if np.ptp(volts) == 0:
            raise InputError(
                f"{self.name}: volts",
                f"{volts[0]:g} V throughout",
                "there is no signal; check the unit's supply, the leads and the input range",
            )
        object.__setattr__(self, "time_s", time)
        object.__setattr__(self, "volts", volts)


@checked
@dataclass(frozen=True, slots=True, eq=False)
class SweepCapture:
    """Levels of the unit's output at several frequencies, constant EMF into the network.

    Attributes
    ----------
    frequency_hz : numpy.ndarray of float, shape (frequencies,)
        Frequencies [Hz], above 0, ascending.
    level_db : numpy.ndarray of float, shape (frequencies,)
        Level [dB] re any reference.
    phase_deg : numpy.ndarray of float, shape (frequencies,), or None
        Phase [degrees], output re generator; a constant delay and inverted polarity do not matter.
    name : str
        How messages call it, such as the name of the file.

    Raises
    ------
    InputError
        When a value is not finite, frequencies do not ascend above 0 Hz, the columns look
        swapped, or there are fewer than 5 frequencies or more than `MOST_FREQUENCIES`.
    """

    frequency_hz: Floats
    level_db: Floats
    phase_deg: Floats | None = None
    name: str = "sweep"

    def __post_init__(self) -> None:
        frequency = _column(self.frequency_hz, "frequency_hz", self.name)
        level = _column(self.level_db, "level_db", self.name)
        if frequency.shape != level.shape:
            raise InputError(
                self.name,
                (frequency.size, level.size),
                "frequency_hz and level_db must be of equal length",
            )
        if frequency.size < _LEAST_FREQUENCIES:
            raise InputError(
                self.name,
                f"{frequency.size} frequencies",
                f"at least {_LEAST_FREQUENCIES} are needed; three per octave of the band are good",
            )
        if frequency.size > MOST_FREQUENCIES:
            raise InputError(
                self.name,
                f"{frequency.size:,} frequencies",
                f"up to {MOST_FREQUENCIES:,} are judged: write every n-th, or fewer per octave",
            )
        _ascending(frequency, level, "frequency_hz", "level_db", self.name)
        if frequency[0] <= 0:
            raise InputError(
                f"{self.name}: frequency_hz", float(frequency[0]), "it must be above 0 Hz"
            )
        object.__setattr__(self, "frequency_hz", frequency)
        object.__setattr__(self, "level_db", level)
        if self.phase_deg is not None:
            phase = _column(self.phase_deg, "phase_deg", self.name)
            if phase.shape != frequency.shape:
                raise InputError(
                    self.name, (frequency.size, phase.size), "phase_deg must be as long"
                )
            object.__setattr__(self, "phase_deg", phase)


Capture = SquareWaveCapture | SweepCapture
"""What a unit is judged by."""

Captures: TypeAlias = Capture | Sequence[Capture]
"""One capture of a unit, or several."""


def capture_sequence(captures: Captures) -> tuple[Capture, ...]:
    """Return captures as a tuple, one by itself too.

    Parameters
    ----------
    captures : SquareWaveCapture, SweepCapture or sequence of them
        Captures of the same unit.

    Returns
    -------
    tuple of SquareWaveCapture or SweepCapture
        At least one.

    Raises
    ------
    InputError
        When there is none.
    """
    several = tuple(captures) if isinstance(captures, Sequence) else (captures,)
    if not several:
        raise InputError("captures", (), "at least one capture is needed")
    return several
