"""The one constant, or the one part, that explains a unit's deviation by itself.

A gross fault leaves some constants unseen (a flat response has no turnover to measure), so
explanations are compared by the response they give, not by the constants.  One part at a wrong
value moves the three constants along one line, another one in each of the two usual networks:

- two parallel RC pairs in series, as in a feedback path: T1 = R1 C1, T3 = R2 C2 and
  T2 = (C1 + C2) R1 R2/(R1 + R2);
- a series equaliser, R1 before a shunt arm of C1 beside R2 with C2 in series: T2 = R2 C2,
  T1 T3 = R1 C1 R2 C2 and T1 + T3 = R1 C1 + R2 C2 + R1 C2.

Both follow from the impedance of the network (textbook).  A part is named for both, since a
record does not show which of them a unit has.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.unit_model import UnitModel
from antecurve.quantities import DB_PER_NEPER

__all__ = ["Explanation", "explain"]

Floats = NDArray[np.float64]

_PARTS = ("large_resistor", "large_capacitor", "small_resistor", "small_capacitor")
_SERIES = "series_"  # before the name of a part of a series equaliser
_REACH = math.log(300.0)
_TRIES = 97  # steps of 13 %, to start the search for the least from
_LEAST_MISFIT_DB = 0.25  # by judgement: what small errors beside the cause make
_SHARE = 0.08  # of the whole deviation: the same for a large one
# Of the constant's misfit: a part is named only where it explains twice as well.
_PART_MUST_BE = 0.5


@dataclass(frozen=True, slots=True)
class Explanation:
    """One cause that gives the deviation seen.

    Attributes
    ----------
    name : str
        A constant such as ``treble_s``, or a part by its role in two parallel RC pairs in
        series such as ``small_capacitor``, in a series equaliser ``series_small_capacitor``.
    ratio : float
        Its value over the right one; near 0 for a part that is not there.
    misfit_db : float
        Largest difference between the deviation explained and the one seen [dB].
    in_series_equaliser : Explanation or None
        Of a part of two RC pairs, that of a series equaliser that explains as much.
    """

    name: str
    ratio: float
    misfit_db: float
    in_series_equaliser: Explanation | None = None

    @property
    def is_part(self) -> bool:
        """Whether it is a part and not a constant."""
        return self.part in _PARTS

    @property
    def part(self) -> str:
        """Role of a part in its network, such as ``small_capacitor``."""
        return self.name.removeprefix(_SERIES)

    @property
    def of_series_equaliser(self) -> bool:
        """Whether it is a part of a series equaliser."""
        return self.name.startswith(_SERIES)


def _pairs(logs: Floats, index: int, log_ratio: float) -> Floats:
    """Logarithms of T1, T2, T3 with one of R1, C1, R2, C2 multiplied by a ratio."""
    t1, t2, t3 = np.exp(logs)
    ratio = (t2 - t3) / (t1 - t2)  # R2/R1
    parts = np.array([1.0, t1, ratio, t3 / ratio])
    parts[index] *= math.exp(log_ratio)
    r1, c1, r2, c2 = parts
    return np.log([r1 * c1, (c1 + c2) * r1 * r2 / (r1 + r2), r2 * c2])


def _series(logs: Floats, index: int, log_ratio: float) -> Floats:
    """The same for a series equaliser."""
    t1, t2, t3 = np.exp(logs)
    c1 = t1 * t3 / t2  # with R1 = 1
    c2 = t1 + t3 - c1 - t2
    parts = np.array([1.0, c2, t2 / c2, c1])
    parts[index] *= math.exp(log_ratio)
    r1, c2, r2, c1 = parts
    half = (r1 * c1 + r2 * c2 + r1 * c2) / 2.0
    long = half + math.sqrt(half**2 - r1 * c1 * r2 * c2)
    return np.log([long, r2 * c2, r1 * c1 * r2 * c2 / long])


def _causes(model: UnitModel) -> dict[str, Callable[[float], Floats]]:
    """Units without corners, each with one cause at a ratio."""
    nominal = model.start
    logarithmic = [k for k, p in enumerate(model.parameters) if p.logarithmic]
    for index, parameter in enumerate(model.parameters):
        if parameter.low or parameter.high:
            nominal[index] = 0.0
    causes: dict[str, Callable[[float], Floats]] = {}

    def constant(index: int) -> Callable[[float], Floats]:
        def unit(log_ratio: float) -> Floats:
            moved = nominal.copy()
            moved[index] += log_ratio
            return moved

        return unit

    def part(
        network: Callable[[Floats, int, float], Floats], number: int, places: list[int]
    ) -> Callable[[float], Floats]:
        def unit(log_ratio: float) -> Floats:
            moved = nominal.copy()
            moved[places] = network(nominal[places], number, log_ratio)
            return moved

        return unit

    for index in logarithmic:
        causes[model.parameters[index].name] = constant(index)
    names = ["bass_shelf_s", "turnover_s", "treble_s"]
    if [model.parameters[k].name for k in logarithmic] == names:
        for number, name in enumerate(_PARTS):
            causes[name] = part(_pairs, number, logarithmic)
            causes[_SERIES + name] = part(_series, number, logarithmic)
    return causes


def explain(model: UnitModel, units: Floats, frequency_hz: Floats) -> Explanation | None:
    """Find the one cause that explains a unit's constants, corners left aside.

    Parameters
    ----------
    model : UnitModel
        The family.
    units : numpy.ndarray of float, shape (constants,)
        The unit in the fit's coordinates.
    frequency_hz : numpy.ndarray of float, shape (frequencies,)
        Frequencies over which it must explain [Hz].

    Returns
    -------
    Explanation or None
        A constant, or a part where no constant does half as well; ``None`` when nothing by
        itself comes within 0.25 dB or 8 % of the largest deviation.
    """
    from scipy.optimize import minimize_scalar

    seen_unit = units.copy()
    for index, parameter in enumerate(model.parameters):
        if parameter.low or parameter.high:
            seen_unit[index] = 0.0
    seen = model.level(seen_unit, frequency_hz)

    explanations = []
    for name, unit in _causes(model).items():

        def misfit(log_ratio: float, unit: Callable[[float], Floats] = unit) -> float:
            given = model.level(unit(log_ratio), frequency_hz)
            return DB_PER_NEPER * float(np.max(np.abs(given - seen)))

        tries = np.linspace(-_REACH, _REACH, _TRIES)
        near = tries[int(np.argmin([misfit(t) for t in tries]))]
        step = tries[1] - tries[0]
        best = minimize_scalar(misfit, bounds=(near - step, near + step), method="bounded")
        explanations.append(Explanation(name, math.exp(float(best.x)), float(best.fun)))
    nominal = next(iter(_causes(model).values()))(0.0)
    size = DB_PER_NEPER * float(np.max(np.abs(model.level(nominal, frequency_hz) - seen)))
    enough = max(_LEAST_MISFIT_DB, _SHARE * size)
    constant = min((e for e in explanations if not e.is_part), key=lambda e: e.misfit_db)
    parts = sorted((e for e in explanations if e.is_part), key=lambda e: e.misfit_db)
    if constant.misfit_db <= enough and (
        not parts or parts[0].misfit_db >= _PART_MUST_BE * constant.misfit_db
    ):
        return constant
    likely = [e for e in parts if e.misfit_db <= enough]
    in_series = next((e for e in likely if e.of_series_equaliser), None)
    in_pairs = next((e for e in likely if not e.of_series_equaliser), None)
    return in_series if in_pairs is None else replace(in_pairs, in_series_equaliser=in_series)
