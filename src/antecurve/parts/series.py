"""Preferred numbers of IEC 60063: E3 to E192."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from antecurve.checked import checked
from antecurve.errors import InputError

__all__ = ["SERIES", "series_values", "significands"]

_E24 = (
    1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0,
    3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5, 8.2, 9.1,
)  # fmt: skip
SERIES = ("E3", "E6", "E12", "E24", "E48", "E96", "E192")
"""The series of IEC 60063."""


def significands(series: str) -> tuple[float, ...]:
    """List the values of one decade, from 1 to below 10.

    Parameters
    ----------
    series : str
        ``E3``, ``E6``, ``E12``, ``E24``, ``E48``, ``E96`` or ``E192``.

    Returns
    -------
    tuple of float
        The preferred numbers.

    Raises
    ------
    InputError
        When there is no such series.

    Notes
    -----
    IEC 60063: E3, E6 and E12 are taken out of E24; E48, E96 and E192 are 10**(i/n) rounded to
    three digits, with the one exception of 9.20 in E192 (the formula gives 9.19).

    Examples
    --------
    >>> significands("E6")
    (1.0, 1.5, 2.2, 3.3, 4.7, 6.8)
    """
    if series not in SERIES:
        raise InputError("series", series, f"the series of IEC 60063 are {', '.join(SERIES)}")
    count = int(series[1:])
    if count <= 24:
        return _E24[:: 24 // count]
    rounded = (round(10 ** (i / count), 2) for i in range(count))
    return tuple(9.2 if value == 9.19 else value for value in rounded)


@checked
def series_values(series: str, *, low: float, high: float) -> NDArray[np.float64]:
    """List the values of a series within a range, ascending.

    Parameters
    ----------
    series : str
        A series of IEC 60063.
    low, high : float
        Smallest and largest value [ohm or F], greater than 0; both ends count.

    Returns
    -------
    numpy.ndarray of float, shape (values,)
        Ascending; empty when the range holds none.

    Raises
    ------
    InputError
        When there is no such series or the range is not finite and above 0.

    Examples
    --------
    >>> series_values("E3", low=10, high=100)
    array([ 10.,  22.,  47., 100.])
    """
    if not (0 < low <= high and math.isfinite(high)):
        raise InputError("range", [low, high], "it must be finite, above 0 and ascending")
    first, last = math.floor(math.log10(low)) - 1, math.ceil(math.log10(high)) + 1
    numbers = significands(series)
    # One rounding per value: the decimal literal of the preferred number, not a product.
    values = np.array([float(f"{m:.2f}e{d}") for d in range(first, last + 1) for m in numbers])
    slack = 1e-9
    return values[(values >= low * (1 - slack)) & (values <= high * (1 + slack))]
