"""Fitted constants recognised: published settings, the amended low end, a coupled oscilloscope."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from antecurve.curves.catalogue import catalogue, unverified
from antecurve.curves.model import Curve
from antecurve.judge.verdict import FittedValue

__all__ = ["coupling_question", "is_amendment", "recognised_setting"]

_AMENDMENT_HZ = 1.0 / (2.0 * math.pi * 7950e-6)  # IEC 98, amendment 4 (1976)
_AMENDMENT_OFF = 0.1  # of its frequency: a usual capacitor's and resistor's tolerances
_COUPLING_HZ = (4.0, 12.0)  # AC inputs of oscilloscopes: 3.5 to 10 Hz, less with a probe
_CORNERS_QUALITY = 0.5**0.5  # (1 + w/s)^n up to (w/s)^2 has a Q of sqrt((n - 1)/(2 n))
_SETTING_OFF = 0.03  # of a time constant: parts of a sound unit
_FOREIGN = 0.1  # of a time constant: beyond what sound parts are off
_KNOWN = 0.1  # half width of an interval of a constant that can name a curve
_NO_SHELF = 4.0  # times the nominal shelf: the shelf is gone


def recognised_setting(fitted: Sequence[FittedValue]) -> str:
    """Name the curve that a unit plays in place of the one judged.

    Parameters
    ----------
    fitted : sequence of FittedValue
        The constants with their intervals.

    Returns
    -------
    str
        A published curve by its name, another one by turnover and cut; empty where turnover and
        treble are near their nominal values or hardly known.
    """
    values = {f.name: f for f in fitted}
    turnover, treble = values.get("turnover_s"), values.get("treble_s")
    if turnover is None or treble is None or not _known(turnover) or not _known(treble):
        return ""
    if not any(_beyond(v, _SETTING_OFF) for v in (turnover, treble)):
        return ""
    for curve in catalogue():
        if _same_constants(curve, values):
            doubt = " (unverified)" if unverified(curve.name) else ""
            return (
                f"turnover {turnover.value * 1e6:.0f} µs and treble {treble.value * 1e6:.0f} µs "
                f'are those of the curve "{curve.name}"{doubt}: is the unit set to it?'
            )
    if not all(_beyond(v, _FOREIGN) for v in (turnover, treble)):
        return _setting_of_one(turnover, treble)
    cut = 10.0 * math.log10(1.0 + (10e3 * 2.0 * math.pi * treble.value) ** 2)
    return (
        f"the unit plays a curve of {1.0 / (2.0 * math.pi * turnover.value):.0f} Hz, "
        f"{-cut:.1f} dB (turnover, and cut at 10 kHz)"
    )


def _setting_of_one(turnover: FittedValue, treble: FittedValue) -> str:
    """Name the disc curves that a single constant is of, the other one being right."""
    off = [v for v in (turnover, treble) if _beyond(v, _SETTING_OFF)]
    if len(off) != 1:
        return ""
    (value,), is_turnover = off, off[0] is turnover
    names = [
        f'"{curve.name}"'
        for curve, times in ((c, _disc_constants(c)) for c in catalogue())
        if times and value.low <= (times[0] if is_turnover else times[1]) <= value.high
    ]
    if not names:
        return ""
    word = "turnover" if is_turnover else "treble"
    curves = "curve" if len(names) == 1 else "curves"
    return (
        f"{word} {value.value * 1e6:.0f} µs is that of the {curves} {' and '.join(names)}: is the "
        "unit set to it?"
    )


def _disc_constants(curve: Curve) -> tuple[float, float] | None:
    """Turnover and treble of a disc curve; none of another kind of curve."""
    treble = [z for z in curve.zeros_s if z < min(curve.poles_s, default=0.0)]
    if len(curve.poles_s) != 1 or len(treble) != 1 or curve.poles_at_origin:
        return None
    return curve.poles_s[0], treble[0]


def _known(value: FittedValue) -> bool:
    return value.low > 0.0 and 0.5 * math.log(value.high / value.low) < _KNOWN


def _beyond(value: FittedValue, share: float) -> bool:
    """Whether a constant is surely farther off its nominal value than a share of it."""
    assert value.nominal is not None
    return value.low > value.nominal * (1 + share) or value.high < value.nominal * (1 - share)


def _same_constants(curve: Curve, values: Mapping[str, FittedValue]) -> bool:
    """Whether a disc curve has the constants seen, within their intervals and usual parts."""
    constants = _disc_constants(curve)
    if constants is None:
        return False
    longer = [z for z in curve.zeros_s if z > curve.poles_s[0]]
    shelf = values.get("bass_shelf_s")
    if shelf is not None and shelf.nominal is not None:
        if longer and not _holds(shelf, longer[0]):
            return False
        if not longer and shelf.high < _NO_SHELF * shelf.nominal:
            return False
    turnover_s, treble_s = constants
    return _holds(values["turnover_s"], turnover_s) and _holds(values["treble_s"], treble_s)


def _holds(value: FittedValue, constant: float) -> bool:
    return value.low * (1 - _SETTING_OFF) <= constant <= value.high * (1 + _SETTING_OFF)


def is_amendment(value: FittedValue) -> bool:
    """Say whether a low corner is that of the amended disc curve.

    Parameters
    ----------
    value : FittedValue
        The low corner.

    Returns
    -------
    bool
        Whether it is 20 Hz (7950 us) within a tenth.
    """
    return abs(value.value / _AMENDMENT_HZ - 1.0) < _AMENDMENT_OFF


def coupling_question(value: FittedValue, *, quality: float | None) -> str:
    """Ask whether a low corner is the oscilloscope's.

    Parameters
    ----------
    value : FittedValue
        The low corner.
    quality : float or None
        Q of a low end of second order.

    Returns
    -------
    str
        A question where the corner is surely there and as low as that of an AC input, which is
        one corner of first order: beside others it makes no resonance.
    """
    low, high = _COUPLING_HZ
    resonates = quality is not None and quality > _CORNERS_QUALITY
    if resonates or value.low <= 0.0 or not low < value.value < high:
        return ""
    return (
        f"is the oscilloscope AC-coupled? A low corner of {value.value:.2g} Hz may be its own. "
        "Capture with DC coupling, or state it as a corner of the capture chain"
    )
