"""The value of joined parts: the one place that knows how series and parallel add up.

Resistances add in series, capacitances in parallel; otherwise the reciprocals add.  A relative
change of one part changes the sum by its share of that sum.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import reduce
from operator import add
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import InputError
from antecurve.networks.topology import ElementKind

__all__ = ["JOINS", "joined_value", "joined_weights", "values_add"]

Floats = NDArray[np.float64]
Value = TypeVar("Value", float, Floats)

JOINS = ("single", "series", "parallel")
"""How parts fill a position."""


def values_add(kind: ElementKind, joined: str) -> bool:
    """Tell whether the values of joined parts add up, rather than their reciprocals.

    Parameters
    ----------
    kind : ElementKind
        Resistor or capacitor.
    joined : str
        One of `JOINS`; a single part is a sum of one.

    Returns
    -------
    bool
        True for resistors in series, capacitors in parallel and single parts.

    Raises
    ------
    InputError
        When parts do not join like that.
    """
    if joined not in JOINS:
        raise InputError("joined", joined, "parts join in series or parallel")
    return joined == "single" or (joined == "series") == (kind is ElementKind.RESISTOR)


def joined_value(values: Sequence[Value], *, adds: bool) -> Value:
    """Compute the value of joined parts.

    Parameters
    ----------
    values : sequence of float or of numpy.ndarray
        Values of the parts [ohm or F], above 0, one or more; arrays of one shape for many
        positions or builds at a time.
    adds : bool
        As `values_add` returns it.

    Returns
    -------
    float or numpy.ndarray
        Value of the position [ohm or F], of the same type and shape.
    """
    if len(values) == 1:
        return values[0]
    if adds:
        return reduce(add, values)
    return 1.0 / reduce(add, [1.0 / value for value in values])


def joined_weights(values: Floats, *, adds: bool | NDArray[np.bool_]) -> Floats:
    """Compute the relative change of a position per relative change of each of its parts.

    Parameters
    ----------
    values : numpy.ndarray of float, shape (parts, ...)
        Values of the parts [ohm or F], above 0; infinite for a part that is not there, where
        reciprocals add, and 0 where values add.
    adds : bool, or numpy.ndarray of bool, shape (...)
        As `values_add` returns it.

    Returns
    -------
    numpy.ndarray of float, shape (parts, ...)
        d ln(position) / d ln(part): its share of the sum of values or reciprocals; they add up
        to 1.
    """
    with np.errstate(divide="ignore"):
        terms = np.where(adds, values, 1.0 / values)
    return np.asarray(terms / terms.sum(axis=0))
