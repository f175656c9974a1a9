"""The constants of a fitted unit with their intervals, as the verdict reports them."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.fit import Family
from antecurve.judge.uncertainty import COVERAGE
from antecurve.judge.unit_model import UnitModel
from antecurve.judge.unit_parameters import Parameter
from antecurve.judge.verdict import FittedValue

__all__ = ["fitted_values"]

Floats = NDArray[np.float64]

_UNTOLD = 0.068  # of an end of the band over a corner: 10 lg(1 + 0.068^2) is 0.02 dB
_BEYOND = 5.0  # times what the captures show: there a corner takes 4 % off the highest, 0.17 dB
_BESIDE_CORNERS = ("low_end_", "high_end_")  # their part of an end is in its corner


def fitted_values(
    families: Sequence[Family],
    draws: Sequence[Floats],
    seen_hz: float,
    band_hz: tuple[float, float],
) -> tuple[FittedValue, ...]:
    """Find the constants of the reported shape, with intervals of all allowed ones.

    A high corner that is not seen may be anywhere beyond what the captures show.  The interval of
    the low corner reaches over that of each allowed order: the same phase over the band is that of
    one corner and of two a third lower.  A low corner that takes less than 0.02 dB off the band may
    be of any order, and so anywhere below.  A high corner that takes less off, and whose interval
    begins where it takes more, may be anywhere above.

    Parameters
    ----------
    families : sequence of Family
        Allowed shapes, the reported one first.
    draws : sequence of numpy.ndarray of float, shape (draws, constants)
        Units drawn, one array per shape.
    seen_hz : float
        Highest frequency that the captures show [Hz].
    band_hz : tuple of float
        The band judged [Hz].

    Returns
    -------
    tuple of FittedValue
        Corners by the frequency at which their end is 3 dB down.
    """
    reported = families[0]
    tails = ((1.0 - COVERAGE) / 2.0, (1.0 + COVERAGE) / 2.0)
    counts = [len(units) for units in draws]
    weights = np.repeat([family.odds for family in families], counts)
    orders = np.repeat([int(family.shape.low_end) for family in families], counts)
    constants = []
    for parameter in reported.model.parameters:
        if parameter.name.startswith(_BESIDE_CORNERS):
            continue
        value = float(_physical(reported.model, parameter, reported.solution.units))
        if parameter.role == "lift" and not math.isfinite(value):
            continue
        spread = np.concatenate(
            [
                _physical(family.model, parameter, units)
                for family, units in zip(families, draws, strict=True)
            ]
        )
        apart = orders if parameter.role == "low_1" else np.zeros_like(orders)
        ends = [
            end
            for order in np.unique(apart)
            for end in _quantiles(spread[apart == order], weights[apart == order], tails)
        ]
        if parameter.role == "high_1" and value > seen_hz:
            value, ends = math.inf, [*ends, seen_hz, math.inf]
        if parameter.role == "high_1" and max(ends) > _BEYOND * seen_hz:
            ends = [min(ends), math.inf]
        if parameter.role == "high_1" and min(ends) < band_hz[1] / _UNTOLD < value:
            ends = [min(ends), math.inf]
        if parameter.role == "low_1" and value < _UNTOLD * band_hz[0]:
            ends = [*ends, 0.0]
        # The units drawn lie about the best fit without bounds, from which a bound may keep it.
        ends = [*ends, value]
        unit = "Hz" if parameter.name.endswith("_hz") else "s"
        constants.append(
            FittedValue(parameter.name, parameter.nominal, value, min(ends), max(ends), unit)
        )
    return tuple(constants)


def _quantiles(values: Floats, weights: Floats, shares: Sequence[float]) -> list[float]:
    """Quantiles of values that count by their weights; infinite values among them."""
    order = np.argsort(values, kind="stable")
    below = np.cumsum(weights[order]) / weights.sum()
    return [float(values[order][int(np.searchsorted(below, share))]) for share in shares]


def _physical(model: UnitModel, parameter: Parameter, units: Floats) -> Floats:
    """Values of a constant of units; a corner is where its end is 3 dB down."""
    if parameter.role == "low_1":
        return model.low_corner_hz(units)
    if parameter.role == "high_1":
        return model.high_corner_hz(units)
    index = model.index(parameter.name)
    assert index is not None
    return np.asarray(np.vectorize(parameter.value, otypes=[float])(units[..., index]))
