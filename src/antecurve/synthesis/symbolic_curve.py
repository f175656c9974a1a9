"""A curve's time constants as symbols."""

from __future__ import annotations

from dataclasses import dataclass

from antecurve.curves.model import Curve, Factors, factors

__all__ = ["SymbolicCurve", "symbolic_curve"]

_US = 1e6
_DEFAULTS = {
    "half-section": Factors((3180 / _US, 75 / _US), (318 / _US, 3.18 / _US)),
    "cascade": Factors((3180 / _US, 75 / _US), (318 / _US, 3.18 / _US)),
    "output-capacitor": Factors((3180 / _US, 75 / _US), (318 / _US, 3.18 / _US, 0.318 / _US)),
    "rc-shunt": Factors((7950 / _US, 3180 / _US, 75 / _US), (79577 / _US, 318 / _US, 3.18 / _US)),
}


@dataclass(frozen=True, slots=True)
class SymbolicCurve:
    """Names for the time constants of a curve.

    Attributes
    ----------
    found : Factors
        The numbers; only their order counts for the formulas.
    zeros, poles : tuple of str
        Names in the order of the numbers, longest first: T1, T3, ... and T2, T4, ... where
        zeros and poles alternate, a zero first (a zero at the origin counts as T1), else Tz1,
        Tz2, ... and Tp1, Tp2, ...
    given : bool
        Whether the numbers are those of a curve that was asked for.
    """

    found: Factors
    zeros: tuple[str, ...]
    poles: tuple[str, ...]
    given: bool


def symbolic_curve(section: str, curve: Curve | None) -> SymbolicCurve:
    """Return names for a curve's time constants.

    Parameters
    ----------
    section : str
        What the form's arms make: it decides on the curve where none is given (the disc curve
        with one ultrasonic pole, with two, or with a bounded rise towards DC).
    curve : Curve or None
        The curve.

    Returns
    -------
    SymbolicCurve
        The names.
    """
    found = _DEFAULTS[section] if curve is None else factors(curve)
    first = found.zeros_at_origin
    corners = [(t, True) for t in found.zeros_s] + [(t, False) for t in found.poles_s]
    corners.sort(key=lambda corner: -corner[0])
    kinds = [True] * first + [is_zero for _, is_zero in corners]
    if all(is_zero == (place % 2 == 0) for place, is_zero in enumerate(kinds)):
        names = [f"T{place + 1}" for place in range(len(kinds))][first:]
        zeros = [n for n, (_, is_zero) in zip(names, corners, strict=True) if is_zero]
        poles = [n for n, (_, is_zero) in zip(names, corners, strict=True) if not is_zero]
    else:
        zeros = [f"Tz{place + 1}" for place in range(len(found.zeros_s))]
        poles = [f"Tp{place + 1}" for place in range(len(found.poles_s))]
    return SymbolicCurve(found, tuple(zeros), tuple(poles), curve is not None)
