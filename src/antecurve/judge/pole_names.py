"""Which pole of a fitted unit is which constant.

The playback poles, and those of low end and top that are real, are all simple poles: a fit may
find them in any order.  Each is given the name it is nearest to; a constant that is far off is
as far off by whatever factor, so that one gross fault does not rename the sound constants.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.problem import FitProblem, with_observations
from antecurve.judge.solve import Solution, chi_square, solve_from, still_to_gain, with_own_start
from antecurve.judge.unit_factors import RATE_UNIT, TIME_UNIT
from antecurve.judge.unit_model import UnitModel
from antecurve.judge.unit_parameters import Parameter

__all__ = ["with_named_poles"]

Floats = NDArray[np.float64]

_FAR = 1.2  # ln: a factor of 3.3, beyond which a constant is simply wrong
_USUAL_LOW_HZ = 15.0  # where coupling capacitors usually end (common practice, no source)
_USUAL_HIGH_HZ = 40e3  # where units usually end (common practice, no source)
_LIGHT = 0.3  # of the distance: corners of the ends have no nominal value
_LEAST_RATE = 1e-3 * RATE_UNIT  # a corner of 1 mHz is none
_LEAST_TIME = 0.02 * TIME_UNIT  # nor is one at 8 MHz
_REAL = 1e-9  # imaginary over real part of a root that is real but for rounding
_WORSE = 15.0  # of chi-square: more than any prior has to say about which pole is which
_ROUNDS = 5  # of gain, delay and duty, which are off by little
_CANCELS = 0.1  # ln: a pole and a zero 10 % apart bend a response by 0.4 dB at most
_UNSETTLED = 0.1  # of chi-square, by another step: a third of a standard deviation
_AS_IT_WAS = 1e-6  # a preference for the order there is


@dataclass(frozen=True, slots=True, eq=False)
class _Slot:
    """A name that a pole may have, and how ill it fits a time constant [s]."""

    owner: str
    time: float
    misfit: Callable[[float], float]


def with_named_poles(
    solution: Solution, *, enough: float = math.inf, folded: bool = True
) -> Solution:
    """Name the poles of a fit by the time constants they are nearest to.

    Parameters
    ----------
    solution : Solution
        As fitted.
    enough : float, optional
        Chi-square to reach, as in `solve_from`.
    folded : bool, optional
        Whether the records hold harmonics beyond half their sampling rates.

    Returns
    -------
    Solution
        The same response but for the priors; the one given where exchanging does not preserve it.
    """
    from scipy.optimize import linear_sum_assignment

    model, units = solution.problem.model, solution.units
    if model.level_only:
        return solution
    slots = _slots(model, units)
    cost = np.array([[slot.misfit(other.time) for other in slots] for slot in slots])
    cost[np.diag_indices_from(cost)] -= _AS_IT_WAS
    chosen = linear_sum_assignment(cost)[1]
    if np.array_equal(chosen, np.arange(chosen.size)):
        return solution
    times: dict[str, list[float]] = {}
    for slot, k in zip(slots, chosen, strict=True):
        times.setdefault(slot.owner, []).append(slots[k].time)
    units = _without_cancelled(model, units, times)
    unknowns = solution.unknowns.copy()
    unknowns[: units.size] = _with_times(model, units, times)
    # The delay of the top is in that of a record, and changes with its poles.
    unknowns = with_own_start(solution.problem, unknowns, rounds=_ROUNDS)
    problem = _corrected(solution.problem, unknowns, folded)
    unknowns = with_own_start(problem, unknowns, rounds=_ROUNDS)
    # What is as good as no pole is left out of the exchange, which a record may yet show.
    no_worse = chi_square(solution) + _WORSE
    free = solution.free[: units.size]
    hopeless = chi_square(solution) > enough
    named = solve_from(
        problem, unknowns, free=free, enough=enough if hopeless else max(enough, no_worse)
    )
    settled = still_to_gain(named) < _UNSETTLED
    return named if settled and chi_square(named) < no_worse else solution


def _without_cancelled(model: UnitModel, units: Floats, times: dict[str, list[float]]) -> Floats:
    """The unit without a playback zero that one of the top's poles cancels; that pole goes too."""
    lift = next(k for k, p in enumerate(model.parameters) if p.role == "lift")
    top = times.get("high", [])
    if units[lift] <= 0.0 or not top:
        return units
    zero = math.sqrt(units[lift]) * TIME_UNIT
    nearest = min(top, key=lambda time: abs(math.log(time / zero)))
    if abs(math.log(nearest / zero)) > _CANCELS:
        return units
    top.remove(nearest)
    cleared = units.copy()
    cleared[lift] = 0.0
    return cleared


def _corrected(problem: FitProblem, unknowns: Floats, folded: bool) -> FitProblem:
    """The records less what units as found predict of harmonics passed over."""
    observations = [
        o.corrected(problem.prediction(unknowns, k), folded=folded) or o
        for k, o in enumerate(problem.observations)
    ]
    return with_observations(problem, observations)


def _slots(model: UnitModel, units: Floats) -> list[_Slot]:
    slots = []
    for parameter, x in zip(model.parameters, units, strict=True):
        if parameter.role == "pole":
            slots.append(_Slot(parameter.name, math.exp(x), _distance_from(parameter)))
    low, high = _ends(model, units)
    slots += [_Slot("low", 1.0 / rate, _too_high) for rate in _real_poles(low, _LEAST_RATE)]
    return slots + [_Slot("high", time, _too_low) for time in _real_poles(high, _LEAST_TIME)]


def _ends(model: UnitModel, units: Floats) -> tuple[Floats, Floats]:
    """Coefficients from power 1 on, of 1/s in 1/s and of s in seconds."""
    low = [x * RATE_UNIT**p.power for p, x in zip(model.parameters, units, strict=True) if p.low]
    high = model.top_polynomial(units)
    return np.array(low), np.array([high[0] * TIME_UNIT, high[1] * TIME_UNIT**2])


def _real_poles(coefficients: Floats, least: float) -> list[float]:
    """Numbers q of the factors 1 + q x of a polynomial that are real and not as good as 0."""
    # 1 + c_1 x + ... = prod (1 + q_k x): -q are the roots of y^n + c_1 y^(n-1) + ...
    roots = -np.roots(np.append(1.0, np.trim_zeros(coefficients, "b")))
    real = np.abs(roots.imag) <= _REAL * np.abs(roots)
    return sorted(float(q) for q in roots[real].real if q > least)


def _with_times(model: UnitModel, units: Floats, times: dict[str, list[float]]) -> Floats:
    """The unit with its poles exchanged."""
    named = units.copy()
    low, high = _ends(model, units)
    ends = {
        "low": _exchanged(low, [1.0 / t for t in times.get("low", [])], _LEAST_RATE),
        "high": _exchanged(high, times.get("high", []), _LEAST_TIME),
    }
    for index, parameter in enumerate(model.parameters):
        if parameter.role == "pole":
            named[index] = math.log(times[parameter.name][0])
        elif parameter.low:
            named[index] = ends["low"][parameter.power - 1] / RATE_UNIT**parameter.power
    first, second = ends["high"] / [TIME_UNIT, TIME_UNIT**2]
    for role, value in (("high_1", first**2 - 2.0 * second), ("high_2", second**2)):
        named[[p.role == role for p in model.parameters]] = value
    return named


def _exchanged(coefficients: Floats, poles: list[float], least: float) -> Floats:
    """A polynomial with its real poles replaced by others."""
    whole = np.append(1.0, coefficients)[::-1]
    for old in _real_poles(coefficients, least):
        whole = np.polydiv(whole, [old, 1.0])[0]
    for new in poles:
        whole = np.polymul(whole, [new, 1.0])
    known = whole[::-1][1:]
    return np.append(known, np.zeros(coefficients.size - known.size))


def _distance_from(parameter: Parameter) -> Callable[[float], float]:
    nominal = parameter.nominal
    assert nominal is not None
    return lambda time: min(abs(math.log(time / nominal)), _FAR)


def _too_high(time: float) -> float:
    frequency = 1.0 / (2.0 * math.pi * time)
    return min(_LIGHT * max(0.0, math.log(frequency / _USUAL_LOW_HZ)), _FAR)


def _too_low(time: float) -> float:
    frequency = 1.0 / (2.0 * math.pi * time)
    return min(_LIGHT * max(0.0, math.log(_USUAL_HIGH_HZ / frequency)), _FAR)
