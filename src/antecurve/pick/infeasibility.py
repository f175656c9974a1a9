"""Why no combination meets the limits: diagnosers that name the limit and by how much it is missed.

Exact networks at any impedance show what parts could do.  Where parts within their ranges do not
reach them, the range is to blame; where even exact networks miss a limit, the limit is.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import NoCombinationError
from antecurve.job import Job
from antecurve.pick.branch_and_bound import Space
from antecurve.pick.exact_values import sampled_exact
from antecurve.pick.limits import LimitValues, limit_values, within_limits
from antecurve.pick.model import NEPER_DB
from antecurve.pick.rounding import rounded
from antecurve.pick.search_passes import Search
from antecurve.quantities import format_quantity

__all__ = ["no_combination"]

Floats = NDArray[np.float64]

_ANY_IMPEDANCE = (1.0, 1e7)  # ohm: every impedance that a curve is made at
_TELLING = 0.01 / NEPER_DB  # by judgement: that no smaller error is met says nothing of a limit
_MET = 1e-9  # logarithms this far beyond a limit are rounding


@dataclass(frozen=True, slots=True)
class _Shortfall:
    """The least that one limit is missed by where the others are met [ln]."""

    amount: float
    limit: str
    text: str


def no_combination(search: Search, complete: bool) -> NoCombinationError:
    """Explain which limit excludes every combination, and by how much.

    Parameters
    ----------
    search : Search
        A search without a feasible combination.
    complete : bool
        Whether it is proved that there is none.

    Returns
    -------
    NoCombinationError
        To be raised.
    """
    certainty = _certainty(search, complete)
    shortfalls: list[_Shortfall] = []
    for space, starts in zip(search.spaces, search.starts, strict=True):
        logs = _over_all_impedances(space, starts)
        if not len(logs):
            continue
        # Exact networks that all miss a limit show that no choice of parts is to blame.
        values = np.exp(logs)
        feasible = within_limits(limit_values(space.model.topology, search.job, values), search.job)
        if feasible.any():
            outside = _outside(space, logs[feasible])
            reachable = values[_in_range(space, logs)]
            # Where parts within the ranges make the curve, the limit that stops them is named.
            values = reachable if outside else space.values(rounded(space, logs[feasible]))
            if outside and not _shortfalls(space, values):
                return NoCombinationError(outside[0], f"{certainty}. {outside[1]}")
        shortfalls += _shortfalls(space, values)
    if not shortfalls:
        return NoCombinationError(
            "target and network limits",
            f"{certainty} with the candidate parts. Widen the ranges or the level tolerance",
        )
    nearest = min(shortfalls, key=lambda s: (s.amount, s.limit, s.text))
    return NoCombinationError(nearest.limit, f"{certainty}. {nearest.text}")


def _certainty(search: Search, complete: bool) -> str:
    """What is proved, as the beginning of the sentence."""
    if complete:
        return "no combination meets it"
    if search.lower > _TELLING:
        return f"no combination with an error up to {search.lower * NEPER_DB:.3g} dB meets it"
    budget = search.job.pick.budget_seconds
    if not search.late or search.deadline is None:
        return "no combination that meets it was found before the search ended"
    if budget is not None:
        return f"no combination that meets it was found within the budget of {budget:g} s"
    allowed = search.deadline - search.start
    return f"no combination that meets it was found within {allowed:.2g} s of search"


def _over_all_impedances(space: Space, starts: Floats) -> Floats:
    """Exact networks of a built-in form at any impedance, whatever the range of the parts."""
    job = space.model.job
    if job.network.elements is not None:
        return starts
    low, high = _ANY_IMPEDANCE
    topology, logs = sampled_exact(space.forms[0], job, low=low, high=high, levels=36)
    return logs if topology.elements == space.model.topology.elements else starts


def _outside(space: Space, starts: Floats) -> tuple[str, str] | None:
    """The range that leaves out every exact value of some position, and what it leaves out."""
    for index, element in enumerate(space.model.topology.elements):
        grid, exact = np.exp(space.grids.grids[index]), np.exp(starts[:, index])
        if exact.min() > 1.5 * grid[-1] or exact.max() < grid[0] / 1.5:
            unit = element.kind.unit
            span = [format_quantity(float(v), unit) for v in (exact.min(), exact.max())]
            reach = [format_quantity(float(v), unit) for v in (grid[0], grid[-1])]
            return (
                f"{element.kind.value}s.range",
                f"{element.ref} of {space.model.topology.form} would have to be {span[0]} to "
                f"{span[1]}; the parts reach from {reach[0]} to {reach[1]}. Widen the range",
            )
    return None


def _in_range(space: Space, logs: Floats) -> NDArray[np.bool_]:
    """Which exact networks have all their values within reach of the parts."""
    low = np.array([grid[0] for grid in space.grids.grids])
    high = np.array([grid[-1] for grid in space.grids.grids])
    return np.asarray(np.all((logs >= low) & (logs <= high), axis=1))


@dataclass(frozen=True, slots=True)
class _Diagnoser:
    """One limit of a job: how far combinations miss it, and what to say of one that does."""

    limit: str
    excess: Callable[[LimitValues, Job], Floats]
    text: Callable[[LimitValues, int, Job], str]


def _shortfalls(space: Space, values: Floats) -> list[_Shortfall]:
    """For each limit the least it is missed by where the others are met."""
    job = space.model.job
    limits = limit_values(space.model.topology, job, values)
    excess = np.stack([diagnoser.excess(limits, job) for diagnoser in _DIAGNOSERS])
    shortfalls: list[_Shortfall] = []
    for row, diagnoser in enumerate(_DIAGNOSERS):
        others_met = np.all(np.delete(excess, row, axis=0) <= _MET, axis=0)
        candidates = np.flatnonzero(others_met & (excess[row] > 0))
        if len(candidates):
            nearest = int(candidates[np.argmin(excess[row][candidates])])
            text = diagnoser.text(limits, nearest, job)
            shortfalls.append(_Shortfall(float(excess[row][nearest]), diagnoser.limit, text))
    return shortfalls


def _level_excess(limits: LimitValues, job: Job) -> Floats:
    return np.asarray((np.abs(limits.level_db) - job.target.level_tolerance_db) / NEPER_DB)


def _level_text(limits: LimitValues, index: int, job: Job) -> str:
    return (
        f"With the other limits met the nearest level is {limits.level_db[index]:+.3g} dB off, "
        f"{job.target.level_tolerance_db:g} dB is allowed. Change level or tolerance"
    )


def _output_excess(limits: LimitValues, job: Job) -> Floats:
    largest = job.network.output_resistance_max
    if largest is None:
        return np.full(len(limits.output_ohm), -1.0)
    return np.asarray(np.log(limits.output_ohm / largest))


def _output_text(limits: LimitValues, index: int, job: Job) -> str:
    largest = job.network.output_resistance_max or math.inf
    return (
        f"With the other limits met the smallest found is "
        f"{format_quantity(float(limits.output_ohm[index]), 'ohm')}, "
        f"allowed is {format_quantity(largest, 'ohm')}. Raise the limit or lower the level"
    )


def _input_excess(limits: LimitValues, job: Job) -> Floats:
    smallest = job.network.input_impedance_min
    if smallest is None:
        return np.full(len(limits.input_ohm), -1.0)
    return np.asarray(np.log(smallest / limits.input_ohm))


def _input_text(limits: LimitValues, index: int, job: Job) -> str:
    smallest = job.network.input_impedance_min or 0.0
    return (
        f"With the other limits met the largest found is "
        f"{format_quantity(float(limits.input_ohm[index]), 'ohm')}, "
        f"asked for is {format_quantity(smallest, 'ohm')}. Lower the limit or the level"
    )


_DIAGNOSERS = (
    _Diagnoser("target.level", _level_excess, _level_text),
    _Diagnoser("network.output_resistance_max", _output_excess, _output_text),
    _Diagnoser("network.input_impedance_min", _input_excess, _input_text),
)
