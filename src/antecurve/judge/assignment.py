"""Which pole of a fitted unit is which constant.

The playback poles, a first-order low corner and the high corner are all simple poles: a fit may
find them in any order.  Each is given the name it is nearest to; a constant that is far off is
as far off by whatever factor, so that one gross fault does not rename the sound constants.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

from antecurve.judge.fit import Family
from antecurve.judge.solve import Solution
from antecurve.judge.unit_model import HighEnd, LowEnd, Parameter

__all__ = ["identified"]

_FAR = 1.2
_USUAL_LOW_HZ = 15.0
_USUAL_HIGH_HZ = 40e3
_LIGHT = 0.3


def identified(family: Family) -> Family:
    """Return the family with its poles under the names they are nearest to.

    Parameters
    ----------
    family : Family
        As fitted.

    Returns
    -------
    Family
        The same response; chi-square unchanged.
    """
    solution, model = family.solution, family.model
    places = [k for k, p in enumerate(model.parameters) if _is_simple_pole(p, family)]
    times = [_time(model.parameters[k], float(solution.units[k])) for k in places]
    if any(not (0 < t < math.inf) for t in times):
        places = [k for k, t in zip(places, times, strict=True) if 0 < t < math.inf]
        times = [t for t in times if 0 < t < math.inf]

    def cost(order: tuple[int, ...]) -> float:
        moved = sum(a != b for a, b in enumerate(order))
        return 1e-6 * moved + sum(
            _distance(model.parameters[index], times[k])
            for index, k in zip(places, order, strict=True)
        )

    order = min(itertools.permutations(range(len(times))), key=cost)
    if order == tuple(range(len(times))):
        return family
    unknowns = solution.unknowns.copy()
    for index, k in zip(places, order, strict=True):
        parameter = model.parameters[index]
        unknowns[index] = _coordinate(parameter, times[k])
    moved = Solution(solution.problem, unknowns, solution.problem.evaluate(unknowns))
    return replace(family, solution=moved)


def _is_simple_pole(parameter: Parameter, family: Family) -> bool:
    if parameter.role == "low":
        return family.model.low_end is LowEnd.FIRST_ORDER
    if parameter.role == "high":
        return family.model.high_end is HighEnd.FIRST_ORDER
    return parameter.role == "pole"


def _time(parameter: Parameter, coordinate: float) -> float:
    value = parameter.value(coordinate)
    if parameter.role == "pole":
        return value
    return 1.0 / (2.0 * math.pi * value) if value > 0 else math.inf


def _coordinate(parameter: Parameter, time: float) -> float:
    value = time if parameter.role == "pole" else 1.0 / (2.0 * math.pi * time)
    return parameter.coordinate(value)


def _distance(parameter: Parameter, time: float) -> float:
    """How ill a name fits a pole."""
    if parameter.nominal is not None:
        return min(abs(math.log(time / parameter.nominal)), _FAR)
    frequency = 1.0 / (2.0 * math.pi * time)
    if parameter.role == "low":
        return min(_LIGHT * max(0.0, math.log(frequency / _USUAL_LOW_HZ)), _FAR)
    return min(_LIGHT * max(0.0, math.log(_USUAL_HIGH_HZ / frequency)), _FAR)
