"""A high corner beyond what the captures can show.

A corner above half the sampling rate shows in a record by the few samples that meet an edge, and
there it can't be told from jitter of the time base, from the edge's delay, its duty and the last
digits of the frequency.  It is not claimed.  Where half the sampling rate is near the end of the
band the response within the band hangs on it: then the unit is reported without the corner, and
the uncertainty reaches to the unit with it, as fitted and at half the sampling rate.

Which pole of a fitted unit is which constant.

The playback poles, a first-order low corner and the high corner are all simple poles: a fit may
find them in any order.  Each is given the name it is nearest to; a constant that is far off is
as far off by whatever factor, so that one gross fault does not rename the sound constants.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import replace

from antecurve.judge.capture import Capture
from antecurve.judge.fit import Family, Fit
from antecurve.judge.solve import Solution, solve_from
from antecurve.judge.unit_model import HighEnd, LowEnd, Parameter

__all__ = ["highest_seen_hz", "identified", "without_unseen_corner"]

_NAME = "high_corner_hz"
_NEAR = 2.0  # times the band: what lies beyond moves its end by less than 1 dB


def highest_seen_hz(captures: Sequence[Capture]) -> float:
    """Return the highest frequency that records show by themselves.

    Parameters
    ----------
    captures : sequence of Capture
        Captures, at least one.

    Returns
    -------
    float
        Half the sampling rate of the fastest record [Hz]; infinite where there is a sweep, whose
        levels tell a corner beyond its end.
    """
    return max(c.highest_seen_hz for c in captures)


def without_unseen_corner(fit: Fit, highest_hz: float, band_end_hz: float) -> Fit:
    """Return a fit that reports no high corner beyond what the captures show.

    Parameters
    ----------
    fit : Fit
        The fit.
    highest_hz : float
        From `highest_seen_hz` [Hz].
    band_end_hz : float
        Upper end of the band [Hz].

    Returns
    -------
    Fit
        The same where the corner is seen, or what is seen goes far beyond the band; else with
        the unit without the corner first, then those with it.
    """
    if highest_hz > _NEAR * band_end_hz:
        return fit
    reported = fit.families[0]
    index = reported.model.index(_NAME)
    if index is None:
        return fit
    corner = reported.model.parameters[index].value(float(reported.solution.units[index]))
    if not highest_hz < corner < math.inf:
        return fit
    fixed_corners = []
    for coordinate in (0.0, reported.model.parameters[index].coordinate(highest_hz)):
        start = reported.solution.unknowns.copy()
        start[index] = coordinate
        fixed_corners.append(Family(solve_from(reported.solution.problem, start, fixed=index), 0.0))
    # What the edges say of the corner rules out none of them.
    families = (fixed_corners[0], replace(reported, rise=0.0), fixed_corners[1], *fit.families[1:])
    return replace(fit, families=families)


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
