"""A high corner beyond what the captures can show.

A corner above half the sampling rate shows in a record by the few samples that meet an edge, and
there it can't be told from jitter of the time base, from the edge's delay, its duty and the last
digits of the frequency.  It is not claimed.  Where half the sampling rate is near the end of the
band the response within the band hangs on it: then the unit is reported without the corner, and
the uncertainty reaches to the unit with it, as fitted and at half the sampling rate.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from antecurve.judge.capture import Capture
from antecurve.judge.fit import Fit
from antecurve.judge.solve import solve_from

__all__ = ["highest_seen_hz", "without_unseen_corner"]

_NAME = "high_corner_hz"
_NEAR = 2.0  # times the band: what lies beyond moves its end by less than 1 dB


def highest_seen_hz(captures: Sequence[Capture]) -> float:
    """Find the highest frequency that records show by themselves.

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


def without_unseen_corner(fit: Fit, *, highest_hz: float, band_end_hz: float) -> Fit:
    """Report no high corner beyond what the captures show.

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
    model, units = reported.model, reported.solution.units
    if not highest_hz < float(model.high_corner_hz(units)) < math.inf:
        return fit
    problem, index = reported.solution.problem, model.index(_NAME)
    assert index is not None
    free = reported.solution.free[: units.size] & ~np.array([p.high for p in model.parameters])
    fixed_corners = []
    for coordinate in (0.0, model.parameters[index].coordinate(highest_hz)):
        start = reported.solution.unknowns.copy()
        start[: units.size] = model.without_end(units, _NAME)
        start[index] = coordinate
        fixed_corners.append(replace(reported, solution=solve_from(problem, start, free=free)))
    # What the edges say of the corner rules out none of them.
    families = (fixed_corners[0], *fit.families[:1], fixed_corners[1], *fit.families[1:])
    return replace(fit, families=families)
