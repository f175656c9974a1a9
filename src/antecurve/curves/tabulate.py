"""Curves tabulated at the standard third-octave frequencies."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from antecurve.arrays import hold_read_only
from antecurve.checked import checked
from antecurve.curves.catalogue import CatalogueEntry
from antecurve.curves.construct import (
    cut_from_time_constant,
    time_constant_from_cut,
    time_constant_from_frequency,
)
from antecurve.curves.model import Curve, level_db, zero_pole_gain
from antecurve.errors import InputError
from antecurve.results import Result

__all__ = ["CurveTable", "CutRow", "curve_table", "cut_rows", "third_octave_frequencies"]

# One-third octave frequencies as IEC 61260-1:2014 names them.
_NOMINAL = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)


@dataclass(frozen=True, slots=True, eq=False)
class CurveTable(Result):
    """A curve at chosen frequencies.

    Arrays are read-only.

    Attributes
    ----------
    curve : Curve
        The curve.
    frequency_hz : numpy.ndarray of float, shape (frequencies,)
        Frequencies [Hz].
    emphasis_db : numpy.ndarray of float, shape (frequencies,)
        Level of the emphasis [dB], 0 at 1 kHz, limits put on the curve included.
    playback_db : numpy.ndarray of float, shape (frequencies,)
        Level of ideal playback, the inverse of the published curve [dB], 0 at 1 kHz.
    phase_deg : numpy.ndarray of float, shape (frequencies,)
        Phase of the emphasis [degrees].
    """

    _keys: ClassVar = ("*:entry", "frequency_hz", "emphasis_db", "playback_db", "phase_deg")

    curve: Curve
    frequency_hz: NDArray[np.float64]
    emphasis_db: NDArray[np.float64]
    playback_db: NDArray[np.float64]
    phase_deg: NDArray[np.float64]

    def __post_init__(self) -> None:
        hold_read_only(self, "frequency_hz", "emphasis_db", "playback_db", "phase_deg")

    @property
    def entry(self) -> CatalogueEntry:
        """The curve with its source."""
        return CatalogueEntry(self.curve)


def third_octave_frequencies(*, low_hz: float = 20.0, high_hz: float = 20e3) -> NDArray[np.float64]:
    """List the nominal third-octave frequencies in a range.

    Parameters
    ----------
    low_hz, high_hz : float, optional
        Ends of the range [Hz], both included, 0 < low <= high.

    Returns
    -------
    numpy.ndarray of float, shape (frequencies,)
        Nominal midband frequencies [Hz] of IEC 61260-1 and ISO 266.

    Raises
    ------
    InputError
        When the range is not above 0 Hz or is upside down.

    Examples
    --------
    >>> third_octave_frequencies(low_hz=800.0, high_hz=1600.0)
    array([ 800., 1000., 1250., 1600.])
    """
    if not (math.isfinite(high_hz) and 0 < low_hz <= high_hz):
        raise InputError("frequency range", [low_hz, high_hz], "0 Hz < low end <= high end")
    decades = range(math.floor(math.log10(low_hz)), math.floor(math.log10(high_hz)) + 1)
    nominal = np.array([float(f"{n}e{d}") for d in decades for n in _NOMINAL])
    return nominal[(nominal >= low_hz) & (nominal <= high_hz)]


@checked
def curve_table(curve: Curve, frequency_hz: NDArray[np.float64] | None = None) -> CurveTable:
    """Tabulate a curve, by default at third octaves from 20 Hz to 20 kHz.

    Parameters
    ----------
    curve : Curve
        The curve.
    frequency_hz : numpy.ndarray of float, shape (frequencies,), optional
        Frequencies [Hz], greater than 0.

    Returns
    -------
    CurveTable
        Levels of the emphasis and of ideal playback.

    Raises
    ------
    InputError
        When a frequency is not finite and greater than 0.

    Examples
    --------
    >>> from antecurve.curves.catalogue import named_curve
    >>> table = curve_table(named_curve("disc"))
    >>> round(float(table.playback_db[0]), 1)  # 20 Hz
    19.3
    """
    frequency = third_octave_frequencies() if frequency_hz is None else np.array(frequency_hz)
    emphasis = level_db(curve, frequency)
    playback = 0.0 - level_db(curve, frequency, published=True)  # no minus before a zero
    # Each factor by itself, so that the phase never jumps by a full turn.
    time_constants = zero_pole_gain(curve)
    omega = 2.0 * math.pi * frequency
    phase = np.full(
        frequency.shape, 90.0 * (time_constants.zeros_at_origin - time_constants.poles_at_origin)
    )
    for time in time_constants.zeros_s:
        phase += np.degrees(np.arctan(omega * time))
    for time in time_constants.poles_s:
        phase -= np.degrees(np.arctan(omega * time))
    return CurveTable(curve, frequency, emphasis, playback, phase)


_CUTS_DB = tuple(float(cut) for cut in range(1, 25))
_TIMES_US = (15.0, 17.0, 25.0, 35.0, 40.0, 50.0, 70.0, 75.0, 90.0, 100.0, 120.0, 150.0)
"""Usual treble time constants of discs, broadcasting and tape [us]."""


@dataclass(frozen=True, slots=True)
class CutRow(Result):
    """A treble cut in the ways that sources state it.

    Attributes
    ----------
    cut_db : float
        Cut at 10 kHz of the time constant by itself [dB].
    corner_hz : float
        Corner frequency [Hz].
    time_constant_s : float
        Time constant [s].
    """

    cut_db: float
    corner_hz: float
    time_constant_s: float


def cut_rows() -> tuple[CutRow, ...]:
    """Tabulate the cut at 10 kHz against corner frequency and time constant.

    Returns
    -------
    tuple of CutRow
        Every whole decibel from 1 to 24 and the usual time constants, ascending.
    """
    times = [*map(time_constant_from_cut, _CUTS_DB), *(1e-6 * time for time in _TIMES_US)]
    return tuple(
        CutRow(cut_from_time_constant(t), time_constant_from_frequency(t), t) for t in sorted(times)
    )
