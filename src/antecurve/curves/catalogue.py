"""The catalogue of published curves, each with its source."""

from __future__ import annotations

from antecurve.curves.model import Curve
from antecurve.errors import InputError

__all__ = ["catalogue", "named_curve"]

_US = 1e-6

_CURVES: tuple[Curve, ...] = (
    Curve(
        "disc",
        zeros_s=(3180 * _US, 75 * _US),
        poles_s=(318 * _US,),
        source="IEC 60098:1987 (the RIAA characteristic of 1954; BS 1928:1955 fine groove)",
        remark="Fine-groove disc: 50.05 Hz, 500.5 Hz and 2122 Hz.",
    ),
)


def catalogue() -> tuple[Curve, ...]:
    """Return the published curves.

    Returns
    -------
    tuple of Curve
        Each with its source and a remark.
    """
    return _CURVES


def named_curve(name: str) -> Curve:
    """Return a curve of the catalogue.

    Parameters
    ----------
    name : str
        Its name.

    Returns
    -------
    Curve
        The published curve, without limits.

    Raises
    ------
    InputError
        When the catalogue has no such name; the message lists those it has.
    """
    for curve in _CURVES:
        if curve.name == name:
            return curve
    names = ", ".join(c.name for c in _CURVES)
    raise InputError("curve.name", name, f"the catalogue has {names}")
