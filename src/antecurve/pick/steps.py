"""A network of many positions, examined with error limits that grow from very small ones.

With `antecurve.pick.paired_cut` the work grows with the square of the limit or faster: all smaller
limits together take no longer than the last.  The first limit within which a combination is met is
the last.  Each one before it that is examined to the end bounds the network's error.

With `antecurve.pick.synthesised_cut` the work grows about as the limit does, and the first pick is
the best or nearly so: its limit is examined at once.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import replace

from antecurve.pick.boxes import Boxes
from antecurve.pick.branch_and_bound import Exhausted, Space
from antecurve.pick.model import NetworkModel
from antecurve.pick.objective import resolution
from antecurve.pick.paired_cut import paired_cut
from antecurve.pick.root_ranges import TimeIsOverError
from antecurve.pick.structure import shorting_pairs, zero_pairs
from antecurve.pick.synthesised_cut import synthesised_arms, synthesised_cut

__all__ = ["MANY_POSITIONS", "boxes_within", "exhausted_in_steps", "few_boxes"]

MANY_POSITIONS = 7
"""Positions of a network that takes long; one of fewer takes a fifth of a second as it is."""
_FIRST = 16.0  # by judgement: the best is seldom that much better than the first pick
_LEAST_SECONDS = 10.0  # narrow bounds of time constants take one, of the hardest forms ten
_GROWTH = 2.0  # pairs take any from 1.5 to 4 as well


def exhausted_in_steps(
    space: Space,
    limit: float,
    examine: Callable[[Boxes, float], Exhausted],
    *,
    proved: float,
    whole: bool,
    deadline: float | None,
) -> tuple[Exhausted | None, float]:
    """Find the best combinations of a network within an error limit, with growing limits.

    Parameters
    ----------
    space : Space
        The combinations.
    limit : float
        Largest centred error [Np].
    examine : callable
        Examines boxes within a limit.
    proved : float
        What no combination is below, as far as known [Np]: smaller limits are left out.
    whole : bool
        Whether every combination within the limit is wanted, not the best alone.
    deadline : float or None
        Value of `time.perf_counter` at which to stop.

    Returns
    -------
    exhausted : Exhausted or None
        What was found.  ``None`` where the network has few positions or no zero pairs, or where
        none is within the limits for which these are few enough, or where little time remains.
    proved : float
        What no combination is below, as far as now known [Np].
    """
    hurried = deadline is not None and deadline - time.perf_counter() < _LEAST_SECONDS
    if hurried or len(space.candidates) < MANY_POSITIONS:
        return None, proved
    at_once = whole or synthesised_arms(space.model) is not None
    now = limit if at_once else max(limit / _FIRST, proved * _GROWTH)
    evaluated = 0
    while True:
        now = min(now, limit)
        boxes = boxes_within(space, now, deadline=deadline)
        if boxes is None:
            return None, proved
        result = examine(boxes, now)
        evaluated += result.evaluated
        best = float(result.errors.min(initial=now))
        # What ties with the best must be within the limit, too.
        ended = now >= limit or best + 2.0 * resolution(best) < now
        if ended or not result.complete:
            return replace(result, evaluated=evaluated), proved
        proved = max(proved, min(now, best) - resolution(now))
        now *= _GROWTH


def few_boxes(model: NetworkModel) -> bool:
    """Tell whether one of the cuts of `boxes_within` is for a network.

    Parameters
    ----------
    model : NetworkModel
        A ladder.

    Returns
    -------
    bool
        Whether it has a canonical form, or pairs that make zeros.
    """
    pairs = shorting_pairs(model.topology) or zero_pairs(model.topology)
    return bool(pairs) or synthesised_arms(model) is not None


def boxes_within(space: Space, limit: float, *, deadline: float | None) -> Boxes | None:
    """Find few boxes that hold every combination within a limit, by the narrower of two cuts.

    Parameters
    ----------
    space : Space
        The combinations.
    limit : float
        Largest centred error [Np].
    deadline : float or None
        Value of `time.perf_counter` at which to stop.

    Returns
    -------
    Boxes or None
        ``None`` where neither cut is for this network or limit, or the time is over.
    """
    try:
        boxes = synthesised_cut(space.model, space.grids, limit=limit, deadline=deadline)
        if boxes is None:
            boxes = paired_cut(space.model, space.grids, limit=limit, deadline=deadline)
    except TimeIsOverError:
        return None
    return boxes
