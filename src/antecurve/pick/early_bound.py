"""A lower bound for a search that ended early.

The first pass of a search takes the limit of its pick, and says nothing until it has examined the
last box of the last network.  A pass with half the limit leaves fewer boxes, and ends sooner.  One
that is examined to the end and meets no combination is a lower bound.
"""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from antecurve.pick.boxes import Boxes
from antecurve.pick.branch_and_bound import Space, exhaust
from antecurve.pick.model import NEPER_DB, NetworkModel
from antecurve.pick.monotone_bounds import monotone_cut
from antecurve.pick.objective import resolution
from antecurve.pick.paired_cut import paired_cut
from antecurve.pick.root_ranges import TimeIsOverError
from antecurve.pick.steps import MANY_POSITIONS, boxes_within, few_boxes
from antecurve.pick.synthesised_cut import synthesised_cut

if TYPE_CHECKING:
    from antecurve.pick.search_passes import Search

__all__ = ["bound_seconds", "network_bound", "raise_bound"]

Shares = tuple[float, ...]

_BOUND_SECONDS = 1.0  # each form of the default job is bounded in a tenth of it
_BOUND_SHARE = 1.0 / 12.0  # of a longer budget: narrow limits of an RC shunt of four poles take 2 s
_MOST_SHARE = 0.25  # of any budget: by judgement, the search itself matters more
_LEAST_SECONDS = 8.0  # for the smallest limits of all networks, each of which takes 0.1 to 4 s
_LEAST_OWN_SECONDS = 3.0  # of networks that are no ladders, where windows alone tell
_SMALLEST = 1e-6 / NEPER_DB  # half a second; where no ladder lacks a pole of it, two
_SMALLEST_WHOLE = 1e-7 / NEPER_DB  # of many positions without pairs, where 1e-6 dB takes ten
_SMALLEST_MESHED = tuple(db / NEPER_DB for db in (1e-12, 1e-9))
"""Of networks that are no ladder: smaller limits leave equations less room, 1e-12 rounds."""
_SMALL = tuple(db / NEPER_DB for db in (1e-5, 1e-4, 1e-3))  # of many positions, half a second each
_SHARES: Shares = (1.0 / 32.0, 1.0 / 2.0)  # of the limit: a small bound first, then one that tells
_FEW_SHARES: Shares = (1.0 / 2.0,)  # of few positions every limit takes about as long


def bound_seconds(budget_seconds: float | None, *, own: bool = False) -> float:
    """Compute how long a search that ends early may look for a lower bound.

    Parameters
    ----------
    budget_seconds : float or None
        Time for the search [s]; ``None`` without a limit.
    own : bool, optional
        Whether the network is one of the user's own.

    Returns
    -------
    float
        About a second, for a network of the user's own three, or a twelfth of a long budget; of a
        short one a quarter at most [s].
    """
    least = _LEAST_OWN_SECONDS if own else _BOUND_SECONDS
    if budget_seconds is None:
        return least
    return min(max(least, _BOUND_SHARE * budget_seconds), _MOST_SHARE * budget_seconds)


def raise_bound(search: Search, limit: float, *, seconds: float = _BOUND_SECONDS) -> None:
    """Raise the lower bound of a search that ended early.

    Parameters
    ----------
    search : Search
        The search; its bound, that of each network and its count of combinations are set anew.
    limit : float
        Error limit of the pass that did not end [Np]; bounds are shares of it.
    seconds : float, optional
        Time for it [s], `_BOUND_SECONDS` at least.

    Notes
    -----
    It looks at the time between its steps.  Where the time is over before the smallest limit of
    each network, it goes on for 8 s in all by the clock, 3 s for a network that is no ladder of
    fewer than 7 or more than 10 positions.
    An interruption from the keyboard ends it.  What has no bound then has that of
    `antecurve.pick.departure`, which takes no search.
    """
    start = time.perf_counter()
    until = start + max(seconds, _BOUND_SECONDS)
    least = max(_least_seconds(space) for space in search.spaces)
    latest = start + least
    try:
        for number, space in enumerate(search.spaces):
            # The least of all networks is the bound: none may take the time of the others.
            networks = len(search.spaces) - number
            now = time.perf_counter()
            known = max(search.lower, search.lower_of.get(number, 0.0))
            raised, evaluated = network_bound(
                space, limit, known=known, until=now + (until - now) / networks,
                latest=now + (latest - now) / networks,
            )  # fmt: skip
            search.evaluated += evaluated
            if raised > known:
                search.lower_of[number] = raised
    except KeyboardInterrupt:
        pass
    from antecurve.pick.departure import least_departure

    for number, space in enumerate(search.spaces):
        if not search.lower_of.get(number, 0.0):
            search.lower_of[number] = least_departure(space.model, space.grids)
    bounds = [search.lower_of.get(number, 0.0) for number in range(len(search.spaces))]
    search.lower = max(search.lower, min(bounds))


def _least_seconds(space: Space) -> float:
    """Time for the smallest limit of a network [s]."""
    from antecurve.pick.curve_equations import MOST_POSITIONS

    equations = MANY_POSITIONS <= len(space.candidates) <= MOST_POSITIONS
    plain = space.model.ladder is None and not equations
    return _LEAST_OWN_SECONDS if plain else _LEAST_SECONDS


def network_bound(
    space: Space, limit: float, *, known: float, until: float, latest: float | None = None
) -> tuple[float, int]:
    """Bound the error of one network from below, as far as the time allows.

    Parameters
    ----------
    space : Space
        The combinations.
    limit : float
        Error limit of a search that did not end [Np]; bounds are shares of it.
    known : float
        What no combination is below, as far as known [Np].
    until : float
        Value of `time.perf_counter` at which to stop.
    latest : float or None, optional
        The same for the first limit; by default a few seconds from now.

    Returns
    -------
    bound : float
        What no combination is below [Np], `known` at least.
    evaluated : int
        Combinations that were evaluated one by one.
    """
    evaluated = 0
    many = len(space.candidates) >= MANY_POSITIONS
    end = max(until, latest or time.perf_counter() + _LEAST_SECONDS)
    for within in _limits(space.model, limit, many=many):
        if within <= known:
            continue
        boxes = _boxes(space, within, limit, deadline=end)
        result = exhaust(space, boxes, limit=within, deadline=end)
        # Of few positions a limit that tells takes no longer than the smallest.
        end = until if many else max(until, min(end, time.perf_counter() + _BOUND_SECONDS))
        evaluated += result.evaluated
        if not result.complete:
            break
        least = float(result.errors.min(initial=within))
        # What was excluded by bounds alone is not off by what evaluating is.
        known = max(known, least - resolution(least) if result.evaluated else within)
    return known, evaluated


def _boxes(space: Space, within: float, limit: float, *, deadline: float) -> Boxes:
    """Boxes that hold every combination within a share of a limit."""
    model, grids = space.model, space.grids
    boxes = (
        _many_positions(space, within, narrow=within < limit / 4.0, deadline=deadline)
        if len(space.candidates) >= MANY_POSITIONS
        else synthesised_cut(model, grids, limit=within)
    )
    if boxes is None:
        boxes = monotone_cut(model, grids, limit=within, deadline=deadline)
    return boxes


def _limits(model: NetworkModel, limit: float, *, many: bool) -> list[float]:
    """Limits to try one after the other; the smallest is soon examined."""
    shares = [share * limit for share in (_SHARES if many else _FEW_SHARES)]
    smallest = [_SMALLEST, *(_SMALL if many else ())]
    if many and model.ladder is None:
        smallest += _SMALLEST_MESHED
    if many and model.ladder is not None and not few_boxes(model):
        smallest.append(_SMALLEST_WHOLE)
    return sorted(shares + [small for small in smallest if small < shares[0]])


def _many_positions(space: Space, within: float, *, narrow: bool, deadline: float) -> Boxes | None:
    """Boxes of a network of many positions; a narrow limit leaves few pairs that make zeros."""
    if narrow:
        try:
            boxes = paired_cut(space.model, space.grids, limit=within, deadline=deadline)
        except TimeIsOverError:
            return None
        if boxes is not None:
            return boxes
    return boxes_within(space, within, deadline=deadline)
