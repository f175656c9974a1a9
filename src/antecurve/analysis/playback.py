"""Playback of a curve: ideal, or with a fault such as a wrong time constant or an added corner.

The names of the time constants are those of the disc trade, from low frequency to high: bass
shelf (3180 us), turnover (318 us), treble (75 us).  A curve that lacks one can't have it wrong.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

from antecurve.algebra.zero_pole_gain import ZeroPoleGain
from antecurve.checked import checked
from antecurve.curves.construct import time_constant_from_frequency
from antecurve.curves.model import REFERENCE_FREQUENCY_HZ, Curve, zero_pole_gain
from antecurve.errors import InputError
from antecurve.quantities import check_number

__all__ = [
    "IDEAL",
    "Playback",
    "TimeConstants",
    "common_faults",
    "playback_chain",
    "time_constants",
]


class TimeConstants(NamedTuple):
    """The named time constants of a published curve [s]; ``None`` for those it lacks."""

    bass_shelf_s: float | None
    turnover_s: float | None
    treble_s: float | None


@checked
@dataclass(frozen=True, slots=True)
class Playback:
    """Playback by its departure from ideal; unit gain at 1 kHz in any case.

    Attributes
    ----------
    name : str
        Short name.
    bass_shelf_factor, turnover_factor, treble_factor : float
        What the playback time constant is of the published one, 0 or greater.  0 stands for what
        is missing: without bass shelf the bass goes on rising towards DC, without turnover there
        is no bass boost (and no shelf to end it), without treble there is no treble cut.
    low_corner_hz : float or None
        Corner [Hz] of an added first-order high-pass, such as a small coupling capacitor makes.
    high_corner_hz : float or None
        Corner [Hz] of an added first-order low-pass, such as a narrow amplifier makes.
    remark : str
        What the picture on the oscilloscope shows.

    Raises
    ------
    InputError
        When a factor is negative or a corner is not above 0.
    """

    name: str
    bass_shelf_factor: float = 1.0
    turnover_factor: float = 1.0
    treble_factor: float = 1.0
    low_corner_hz: float | None = None
    high_corner_hz: float | None = None
    remark: str = ""

    def __post_init__(self) -> None:
        for field in ("bass_shelf_factor", "turnover_factor", "treble_factor"):
            value = getattr(self, field)
            check_number(value, field=f"fault.{field}", zero=True)
        for field in ("low_corner_hz", "high_corner_hz"):
            value = getattr(self, field)
            if value is not None:
                check_number(value, field=f"fault.{field}", unit="Hz")


IDEAL = Playback("ideal playback", remark="The flat-topped square wave that went in.")
"""Playback without fault."""


def time_constants(curve: Curve) -> TimeConstants:
    """Look up the time constants of a published curve by name.

    Parameters
    ----------
    curve : Curve
        The curve.

    Returns
    -------
    TimeConstants
        Turnover: the longest pole.  Bass shelf: the longest zero, if longer than the turnover.
        Treble: the shortest zero, if shorter than the turnover or if there is no turnover.
    """
    turnover = max(curve.poles_s, default=None)
    shelf = max((z for z in curve.zeros_s if turnover and z > turnover), default=None)
    treble = min((z for z in curve.zeros_s if not turnover or z < turnover), default=None)
    return TimeConstants(shelf, turnover, treble)


def playback_chain(curve: Curve, playback: Playback = IDEAL) -> ZeroPoleGain[complex]:
    """Build playback as a chain with unit gain at 1 kHz.

    Parameters
    ----------
    curve : Curve
        The emphasis curve; playback is the inverse of the published one, its ultrasonic poles
        and the bound towards DC are not undone.
    playback : Playback, optional
        The departure from ideal.

    Returns
    -------
    ZeroPoleGain
        The playback function, magnitude 1 at 1 kHz.

    Raises
    ------
    InputError
        When the playback changes a time constant that the curve lacks.
    """
    published = zero_pole_gain(curve, published=True)
    zeros, poles = list(published.zeros_s), list(published.poles_s)
    at_origin = published.zeros_at_origin
    known = time_constants(curve)
    for label, value, factor, places in (
        ("bass shelf", known.bass_shelf_s, playback.bass_shelf_factor, zeros),
        ("turnover", known.turnover_s, playback.turnover_factor, poles),
        ("treble", known.treble_s, playback.treble_factor, zeros),
    ):
        if factor == 1.0:
            continue
        if value is None:
            raise InputError(
                f"fault.{label}", factor, f"the curve {curve.name!r} has no {label} time constant"
            )
        places.remove(value)
        if factor:
            places.append(value * factor)
    # Emphasis side: what ends the bass boost is a zero, at the origin where nothing does.
    shelf = known.bass_shelf_s
    if not playback.turnover_factor:
        if shelf is None:
            at_origin = max(0, at_origin - 1)
        elif playback.bass_shelf_factor:
            zeros.remove(shelf * playback.bass_shelf_factor)
    elif not playback.bass_shelf_factor:
        at_origin += 1
    # Emphasis side: a high-pass in playback is a pole at the origin and a zero of the emphasis.
    poles_at_origin = published.poles_at_origin
    if playback.low_corner_hz is not None:
        zeros.append(time_constant_from_frequency(playback.low_corner_hz))
        poles_at_origin += 1
    if playback.high_corner_hz is not None:
        zeros.append(time_constant_from_frequency(playback.high_corner_hz))
    emphasis = ZeroPoleGain(tuple(zeros), tuple(poles), at_origin, poles_at_origin)
    inverse = emphasis.inverse()
    magnitude = abs(complex(inverse.response(REFERENCE_FREQUENCY_HZ)))
    return inverse.with_gain_constant(inverse.gain_constant / magnitude)


_TURNOVER_FAULTS = (
    Playback(
        "turnover 20 % low",
        turnover_factor=0.8,
        remark="Bass too strong: the top rises from its start.",
    ),
    Playback(
        "turnover 20 % high",
        turnover_factor=1.2,
        remark="Bass too weak: the top falls from its start.",
    ),
)
_TREBLE_FAULTS = (
    Playback(
        "treble 20 % low",
        treble_factor=0.8,
        remark="Too little treble cut: a spike at the start of each top.",
    ),
    Playback(
        "treble 20 % high",
        treble_factor=1.2,
        remark="Too much treble cut: a rounded corner.",
    ),
    Playback("no treble cut", treble_factor=0.0, remark="A tall spike on every edge."),
)
_NO_BASS_BOOST = Playback(
    "no bass boost",
    turnover_factor=0.0,
    remark="The top falls off as soon as it is reached.",
)
_CORNERS = (
    Playback(
        "low corner at 20 Hz",
        low_corner_hz=20.0,
        remark="Tops tilt towards zero: a coupling capacitor is too small.",
    ),
    Playback(
        "high corner at 20 kHz",
        high_corner_hz=20e3,
        remark="Rounded corners and a slow edge: the bandwidth is too small.",
    ),
)


@checked
def common_faults(curve: Curve) -> tuple[Playback, ...]:
    """List ideal playback and the faults that a bench meets again and again.

    Parameters
    ----------
    curve : Curve
        The curve; only faults of time constants that it has are returned.

    Returns
    -------
    tuple of Playback
        Ideal first.  The selection and the sizes are common practice, no source.
    """
    known = time_constants(curve)
    turnover, treble = known.turnover_s is not None, known.treble_s is not None
    return (
        IDEAL,
        *(_TURNOVER_FAULTS if turnover else ()),
        *(_TREBLE_FAULTS if treble else ()),
        *((_NO_BASS_BOOST,) if turnover else ()),
        *_CORNERS,
    )
