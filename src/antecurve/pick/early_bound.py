"""A lower bound for a search that ended early.

The first pass of a search takes the limit of its pick, and says nothing until it has examined the
last box of the last network.  A pass with half the limit leaves fewer boxes, and ends sooner.  One
that is examined to the end and meets no combination is a lower bound.
"""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from antecurve.pick.branch_and_bound import Space, exhaust
from antecurve.pick.monotone_bounds import monotone_cut
from antecurve.pick.objective import resolution
from antecurve.pick.steps import MANY_POSITIONS, boxes_within
from antecurve.pick.synthesised_cut import synthesised_cut

if TYPE_CHECKING:
    from antecurve.pick.search_passes import Search

__all__ = ["BOUND_SECONDS", "raise_bound"]

Shares = tuple[float, ...]

BOUND_SECONDS = 1.0
"""Time [s] for a bound: each form of the default job is bounded in a tenth of it."""
_SHARES: Shares = (1.0 / 32.0, 1.0 / 2.0)  # of the limit: a small bound first, then one that tells
_FEW_SHARES: Shares = (1.0 / 2.0,)  # of few positions every limit takes about as long


def raise_bound(search: Search, limit: float) -> None:
    """Raise the lower bound of a search that ended early.

    Parameters
    ----------
    search : Search
        The search; its bound, that of each network and its count of combinations are set anew.
    limit : float
        Error limit of the pass that did not end [Np]; bounds are shares of it.

    Notes
    -----
    It looks at the time between its steps.  An interruption from the keyboard ends it.
    """
    until = time.perf_counter() + BOUND_SECONDS
    try:
        for number, space in enumerate(search.spaces):
            # The least of all networks is the bound: none may take the time of the others.
            networks = len(search.spaces) - number
            now = time.perf_counter()
            known = max(search.lower, search.lower_of.get(number, 0.0))
            raised = _bound(search, space, limit, known, now + (until - now) / networks)
            if raised > known:
                search.lower_of[number] = raised
    except KeyboardInterrupt:
        pass
    bounds = [search.lower_of.get(number, 0.0) for number in range(len(search.spaces))]
    search.lower = max(search.lower, min(bounds))


def _bound(search: Search, space: Space, limit: float, known: float, until: float) -> float:
    """What no combination of one network is below, as far as it is proved in time [Np]."""
    many = len(space.candidates) >= MANY_POSITIONS
    for share in _SHARES if many else _FEW_SHARES:
        within = share * limit
        if within <= known:
            continue
        boxes = (
            boxes_within(space, within, deadline=until)
            if many
            else synthesised_cut(space.model, space.grids, limit=within)
        )
        if boxes is None:
            boxes = monotone_cut(space.model, space.grids, limit=within, deadline=until)
        result = exhaust(space, boxes, limit=within, deadline=until)
        search.evaluated += result.evaluated
        if not result.complete:
            break
        least = float(result.errors.min(initial=within))
        known = max(known, least - resolution(least))
    return known
