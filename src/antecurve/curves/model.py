"""The emphasis curve by its time constants, its response, and its inverse.

.. math:: E(s) = s^{a} \\, \\prod_i (1 + s z_i) \\, / \\, \\bigl( s^{b} \\prod_j (1 + s p_j) \\bigr)

with all time constants in seconds.  A `Curve` holds the published time constants and, apart
from them, the two limits that make a curve buildable: ultrasonic poles, and a bound towards DC
for curves that rise there.  Both views are always at hand: the job's curve, limits included,
and the published time constants alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from antecurve.algebra.zero_pole_gain import ZeroPoleGain
from antecurve.arrays import frequencies
from antecurve.checked import checked
from antecurve.errors import InputError
from antecurve.quantities import TIME_CONSTANTS, format_quantity

__all__ = [
    "FLAT",
    "REFERENCE_ANGULAR_FREQUENCY",
    "REFERENCE_FREQUENCY_HZ",
    "Curve",
    "inverse_response",
    "level_db",
    "response",
    "zero_pole_gain",
]

REFERENCE_FREQUENCY_HZ = 1000.0
"""Frequency at which levels are 0 dB [Hz] (IEC 60098 gives the disc curve re 1 kHz)."""
REFERENCE_ANGULAR_FREQUENCY = 2.0 * math.pi * REFERENCE_FREQUENCY_HZ
"""The same in rad/s."""


FLAT = "flat"
"""Name of the curve without time constants, as a position of a switch may have it."""
_MOST_AT_ORIGIN = 2  # 12 dB an octave towards DC
_MOST_TIME_CONSTANTS = 12  # more than any published curve has, and than a network could be made for


@checked
@dataclass(frozen=True, slots=True)
class Curve:
    """An emphasis curve: published time constants, and the limits put upon them.

    Attributes
    ----------
    name : str
        Name in the catalogue, or ``own``.
    zeros_s, poles_s : tuple of float
        Published time constants [s] of the emphasis (recording side), each greater than 0.
    ultrasonic_poles_s : tuple of float
        Time constants [s] of the poles that keep the gain finite above the audio band.
    zeros_at_origin, poles_at_origin : int
        Powers of s in numerator and denominator: a curve without bass shelf has a zero at
        the origin, a curve that rises towards DC a pole there.
    low_end_bound_s : float or None
        Time constant [s] that replaces one pole at the origin, so that the rise ends.
    source, remark : str
        Where the numbers are published, and what to know about them.
    year : int or None
        Year of the publication.

    Raises
    ------
    InputError
        When a time constant is not finite and greater than 0, or there is none at all.
    """

    name: str
    zeros_s: tuple[float, ...]
    poles_s: tuple[float, ...]
    ultrasonic_poles_s: tuple[float, ...] = ()
    zeros_at_origin: int = 0
    poles_at_origin: int = 0
    low_end_bound_s: float | None = None
    source: str = ""
    remark: str = ""
    year: int | None = None

    def __post_init__(self) -> None:
        for field in ("zeros_s", "poles_s", "ultrasonic_poles_s"):
            values = tuple(sorted((float(v) for v in getattr(self, field)), reverse=True))
            for value in values:
                TIME_CONSTANTS.check(value, field=f"curve.{field}")
            object.__setattr__(self, field, values)
        count = len(self.zeros_s) + len(self.poles_s) + len(self.ultrasonic_poles_s)
        if count > _MOST_TIME_CONSTANTS:
            raise InputError(
                "curve",
                f"{count:,} time constants",
                f"zeros and poles together may be {_MOST_TIME_CONSTANTS} at most; leave some out",
            )
        if not (self.zeros_s or self.poles_s or self.name == FLAT):
            raise InputError("curve", self.name, "it must have at least one time constant")
        for field in ("zeros_at_origin", "poles_at_origin"):
            count = getattr(self, field)
            if type(count) is not int or not 0 <= count <= _MOST_AT_ORIGIN:
                raise InputError(
                    f"curve.{field}",
                    count,
                    f"it must be a whole number from 0 to {_MOST_AT_ORIGIN}",
                )
        bound = self.low_end_bound_s
        if bound is not None:
            TIME_CONSTANTS.check(bound, field="curve.low_end_bound_s")
        if bound is not None and self.poles_at_origin < 1:
            raise InputError(
                "curve.low_end_bound",
                format_quantity(1.0 / (2.0 * math.pi * bound), "Hz"),
                f"the curve {self.name!r} does not rise towards DC, so leave the bound out",
            )


def zero_pole_gain(curve: Curve, *, published: bool = False) -> ZeroPoleGain[float]:
    """Write the curve as a rational function by its time constants.

    Parameters
    ----------
    curve : Curve
        The curve.
    published : bool, optional
        Whether to leave out ultrasonic poles and the bound towards DC.

    Returns
    -------
    ZeroPoleGain
        The job's curve, or the published time constants alone.
    """
    if published:
        return ZeroPoleGain(
            curve.zeros_s, curve.poles_s, curve.zeros_at_origin, curve.poles_at_origin
        )
    poles = list(curve.poles_s) + list(curve.ultrasonic_poles_s)
    at_origin = curve.poles_at_origin
    if curve.low_end_bound_s is not None:
        poles.append(curve.low_end_bound_s)
        at_origin -= 1
    return ZeroPoleGain(
        curve.zeros_s, tuple(sorted(poles, reverse=True)), curve.zeros_at_origin, at_origin
    )


@checked
def response(
    curve: Curve, frequency_hz: ArrayLike, *, published: bool = False
) -> NDArray[np.complex128]:
    """Compute E(j 2 pi f), normalised so that its magnitude is 1 at 1 kHz.

    Parameters
    ----------
    curve : Curve
        The curve.
    frequency_hz : array_like, shape (...)
        Frequencies [Hz], greater than 0.
    published : bool, optional
        Whether to leave out ultrasonic poles and the bound towards DC.

    Returns
    -------
    numpy.ndarray of complex, shape (...)
        The response; its magnitude at 1 kHz is 1, its phase is the curve's own.

    Raises
    ------
    InputError
        When a frequency is not finite and greater than 0.

    Examples
    --------
    >>> disc = Curve("disc", zeros_s=(3180e-6, 75e-6), poles_s=(318e-6,))
    >>> round(float(20 * np.log10(abs(response(disc, 10e3)))), 3)
    13.734
    """
    frequency = frequencies(frequency_hz)
    emphasis = zero_pole_gain(curve, published=published)
    return emphasis.response(frequency) / abs(emphasis.response(REFERENCE_FREQUENCY_HZ))


@checked
def inverse_response(
    curve: Curve, frequency_hz: ArrayLike, *, published: bool = True
) -> NDArray[np.complex128]:
    """Compute ideal playback, 1/E, with magnitude 1 at 1 kHz.

    By default the inverse of the published curve: a playback unit does not undo ultrasonic
    poles.  Parameters, returns and errors as in `response`.

    Parameters
    ----------
    curve : Curve
        The emphasis curve.
    frequency_hz : array_like, shape (...)
        Frequencies [Hz], greater than 0.
    published : bool, optional
        Whether to leave out ultrasonic poles and the bound towards DC.

    Returns
    -------
    numpy.ndarray of complex, shape (...)
        The response of ideal playback.

    Raises
    ------
    InputError
        When a frequency is not finite and greater than 0.
    """
    return np.asarray(1.0 / response(curve, frequency_hz, published=published))


@checked
def level_db(
    curve: Curve, frequency_hz: ArrayLike, *, published: bool = False
) -> NDArray[np.float64]:
    """Compute the level of the curve in dB re 1 kHz.

    Parameters
    ----------
    curve : Curve
        The curve.
    frequency_hz : array_like, shape (...)
        Frequencies [Hz], greater than 0.
    published : bool, optional
        Whether to leave out ultrasonic poles and the bound towards DC.

    Returns
    -------
    numpy.ndarray of float, shape (...)
        Level [dB], 0 at 1 kHz.

    Raises
    ------
    InputError
        When a frequency is not finite and greater than 0.
    """
    return np.asarray(20.0 * np.log10(np.abs(response(curve, frequency_hz, published=published))))
