"""Curves from frequencies, from turnover and cut, and by name with limits put on them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from antecurve.checked import checked
from antecurve.curves.model import Curve
from antecurve.errors import InputError
from antecurve.quantities import CORNER_FREQUENCIES, check_number

__all__ = [
    "OWN_CURVE",
    "curve_from_turnover",
    "cut_from_time_constant",
    "time_constant_from_cut",
    "time_constant_from_frequency",
    "with_limits",
]

OWN_CURVE = "own"
"""Name of a curve that the user gives by numbers."""
_CUT_FREQUENCY_HZ = 10e3  # the cut of a disc's treble is stated at 10 kHz


def time_constant_from_frequency(frequency_hz: float) -> float:
    """Convert a frequency to its time constant, T = 1/(2 pi f).

    Parameters
    ----------
    frequency_hz : float
        Corner frequency [Hz], finite, greater than 0.

    Returns
    -------
    float
        Time constant [s].

    Raises
    ------
    InputError
        When the frequency is not finite and greater than 0.

    Examples
    --------
    >>> round(time_constant_from_frequency(50.05) * 1e6)
    3180
    """
    check_number(frequency_hz, field="frequency_hz", unit="Hz")
    return 1.0 / (2.0 * math.pi * frequency_hz)


def time_constant_from_cut(cut_db: float) -> float:
    """Find the treble time constant for a playback cut at 10 kHz.

    A = 10 log10(1 + (10 kHz/f)^2) re low frequency, T = 1/(2 pi f): the cut of the treble
    time constant by itself, as the discs of the turnover-and-cut era are described
    (IASA-TC 04, 5.3.6).  The full disc curve re 1 kHz reads 13.734 dB at 10 kHz; its treble
    time constant by itself 13.656 dB.

    Parameters
    ----------
    cut_db : float
        Cut at 10 kHz [dB], positive for a playback cut, greater than 0.

    Returns
    -------
    float
        Time constant [s].

    Raises
    ------
    InputError
        When the cut is not finite and greater than 0.

    Examples
    --------
    >>> round(time_constant_from_cut(13.6556) * 1e6, 2)
    75.0
    """
    if not (math.isfinite(cut_db) and 0 < cut_db < 100):
        raise InputError(
            "curve.cut_at_10k", cut_db, "the cut must be above 0 dB and below 100 dB, such as 13.7"
        )
    return math.sqrt(10.0 ** (cut_db / 10.0) - 1.0) / (2.0 * math.pi * _CUT_FREQUENCY_HZ)


def cut_from_time_constant(time_constant_s: float) -> float:
    """Compute the cut at 10 kHz [dB] of one treble time constant by itself.

    Parameters
    ----------
    time_constant_s : float
        Time constant [s], greater than 0.

    Returns
    -------
    float
        A = 10 log10(1 + (2 pi 10 kHz T)^2) [dB].

    Examples
    --------
    >>> round(cut_from_time_constant(75e-6), 3)
    13.656
    """
    return 10.0 * math.log10(1.0 + (2.0 * math.pi * _CUT_FREQUENCY_HZ * time_constant_s) ** 2)


@checked
def curve_from_turnover(
    *,
    turnover_hz: float | None,
    cut_db: float | None,
    shelf_hz: float | None = None,
    name: str = OWN_CURVE,
) -> Curve:
    """Make the curve of a disc given as turnover, cut and, if it has one, bass shelf.

    Parameters
    ----------
    turnover_hz : float or None
        Turnover [Hz], greater than 0; ``None`` for a curve flat towards the bass.
    cut_db : float or None
        Playback cut at 10 kHz [dB]; ``None`` or 0 for none.
    shelf_hz : float or None, optional
        Frequency [Hz] of the bass shelf, below the turnover.  Without it the recording falls
        towards DC at 6 dB per octave: a zero at the origin.
    name : str, optional
        Name of the curve.

    Returns
    -------
    Curve
        Poles at the turnover; zeros at the shelf (or the origin) and at the cut.

    Raises
    ------
    InputError
        When a number is out of range, the shelf is not below the turnover, or nothing is given.
    """
    zeros: list[float] = []
    poles: list[float] = []
    at_origin = 0
    if turnover_hz is None:
        if shelf_hz is not None:
            raise InputError("curve.shelf", shelf_hz, "a bass shelf needs a turnover above it")
    else:
        poles.append(_corner(turnover_hz, "curve.turnover"))
        if shelf_hz is None:
            at_origin = 1
        else:
            zeros.append(_corner(shelf_hz, "curve.shelf"))
            if shelf_hz >= turnover_hz:
                raise InputError(
                    "curve.shelf", shelf_hz, f"it must lie below the turnover of {turnover_hz:g} Hz"
                )
    if cut_db:
        zeros.append(time_constant_from_cut(cut_db))
    return Curve(name, tuple(zeros), tuple(poles), zeros_at_origin=at_origin)


def _corner(frequency_hz: float, field: str) -> float:
    CORNER_FREQUENCIES.check(frequency_hz, field=field)
    return time_constant_from_frequency(frequency_hz)


@checked
def with_limits(
    curve: Curve,
    *,
    ultrasonic_poles_hz: Sequence[float] = (),
    low_end_bound_hz: float | None = None,
) -> Curve:
    """Put ultrasonic poles and a bound towards DC on a curve.

    Parameters
    ----------
    curve : Curve
        The published curve.
    ultrasonic_poles_hz : sequence of float, optional
        Frequencies [Hz] of the poles that keep the gain finite.
    low_end_bound_hz : float or None, optional
        Frequency [Hz] below which a curve that rises towards DC stops rising.

    Returns
    -------
    Curve
        The curve to be built.

    Raises
    ------
    InputError
        When a frequency is not above 0 Hz, or a bound is given for a curve that doesn't rise.
    """
    poles = tuple(_corner(f, "curve.ultrasonic_poles") for f in ultrasonic_poles_hz)
    bound = None if low_end_bound_hz is None else _corner(low_end_bound_hz, "curve.low_end_bound")
    return replace(curve, ultrasonic_poles_s=poles, low_end_bound_s=bound)
