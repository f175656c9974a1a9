"""From the best combination to the result, or to the reason why there is none."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from antecurve.networks.topology import ElementKind
from antecurve.parts.position import PickedNetwork
from antecurve.pick.branch_and_bound import Space
from antecurve.pick.comparison import compared
from antecurve.pick.exact_values import NEAR, nearest_exact
from antecurve.pick.limits import limit_values
from antecurve.pick.model import NEPER_DB
from antecurve.pick.objective import FLOOR
from antecurve.pick.result import PickResult, SearchReport
from antecurve.pick.rounding import flattened
from antecurve.pick.search_passes import Search
from antecurve.pick.shortlist import Contender, shortlist
from antecurve.results import Later
from antecurve.synthesis.exact import form_names, free_parameters
from antecurve.threads import single_threaded_linear_algebra

__all__ = ["finished", "report", "with_exact"]

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]
Item = TypeVar("Item")
_Nearest = tuple[float, str, Indices, Floats]  # squared distance, form, combination, exact values

_EXACT_SECONDS = 2.0  # by judgement: values of an RC shunt take a second, others less
_EXACT = 1e-6  # Np: an error above it is more than rounding, and the values are not exact
_FAR = 0.05  # mean square of ln(exact/picked): values a quarter off are no longer near


def with_exact(contender: Contender, *, deadline: float | None = None) -> PickedNetwork:
    """Make a network with parts of a combination, and find the nearest exact values.

    Parameters
    ----------
    contender : Contender
        The combination.
    deadline : float or None, optional
        Value of `time.perf_counter` after which the nearest of those found so far are taken, but
        not before 2 s.

    Returns
    -------
    PickedNetwork
        Each position with its exact value at the level and impedance at which the exact
        network is nearest; branches that can be exchanged stand as in the exact network.
        Without exact values only where the network can't make the curve.

    Notes
    -----
    An interruption from the keyboard leaves it 2 s, so that the pick is not lost; a second ends it.
    """
    try:
        return _with_exact(contender, deadline)
    except KeyboardInterrupt:
        return _with_exact(contender, time.perf_counter())


def _with_exact(contender: Contender, deadline: float | None) -> PickedNetwork:
    if deadline is not None:
        deadline = max(deadline, time.perf_counter() + _EXACT_SECONDS)
    space, indices = contender.space, contender.indices
    model = space.model
    if model.job.network.elements is not None:
        return _with_own_exact(space, indices)
    near = NEAR * len(indices)
    alike = _alike(space)
    best: _Nearest | None = None
    # The two sections may be picked in the order of the other cascade: one descent tells.
    for forms, until in ((space.forms, 0.0), (alike, 0.0)) if alike else ():
        best = _nearer(best, _nearest_of(space, indices, forms, until))
        if best is not None and best[0] <= near:
            break
    else:
        best = _nearer(best, _nearest_of(space, indices, space.forms, deadline))
    if best is None or best[0] > _FAR * len(indices):
        # Values that are nearer may make the curve without being the form's own.
        other = _with_own_exact(space, indices)
        if best is None or other.positions[0].exact is not None:
            return other
    _, form, arranged, values = best
    picked = space.picked(arranged)
    named = form if form in space.forms else space.forms[0]
    picked = replace(picked, topology=replace(picked.topology, form=named))
    return _filled(space, picked, values)


def _alike(space: Space) -> list[str]:
    """The cascade that is the same network with its two sections exchanged, if it is one."""
    if "section_ratio" not in free_parameters(space.forms[0]):
        return []
    return [
        form
        for form in form_names()
        if form not in space.forms and "section_ratio" in free_parameters(form)
    ]


def _nearer(one: _Nearest | None, other: _Nearest | None) -> _Nearest | None:
    """Of two the one at the smaller distance."""
    known = [nearest for nearest in (one, other) if nearest is not None]
    return min(known, key=lambda nearest: nearest[0], default=None)


def _nearest_of(
    space: Space, indices: Indices, forms: Sequence[str], deadline: float | None
) -> _Nearest | None:
    """The nearest exact values of some forms, with branches in every order."""
    model = space.model
    best: _Nearest | None = None
    for arranged in _arrangements(space, indices):
        values = space.values(arranged[None])
        level = float(limit_values(model.topology, model.job, values).level_db[0])
        gain = model.job.gain * 10.0 ** (level / 20.0)
        for form in forms:
            nearest = nearest_exact(
                form, model.topology, model.job, np.log(values[0]), gain=gain, deadline=deadline
            )
            if nearest is not None and (best is None or nearest[0] < best[0]):
                best = (nearest[0], form, arranged, np.exp(nearest[1]))
        late = deadline is not None and time.perf_counter() > deadline
        if late or (best is not None and best[0] <= NEAR * len(indices)):
            break
    return best


def _with_own_exact(space: Space, indices: Indices) -> PickedNetwork:
    """A network with values near the pick that make the curve, if there are, however found."""
    picked = space.picked(indices)
    logs = flattened(space, np.log(space.values(indices[None])), keep_level=True)
    if float(space.error(np.exp(logs))[0]) > _EXACT:
        return picked
    return _filled(space, picked, np.exp(logs[0]))


def _filled(space: Space, picked: PickedNetwork, values: Floats) -> PickedNetwork:
    """The network with exact values in its positions, both legs of a balanced one."""
    exact: list[float] = []
    for candidates, value in zip(space.candidates, values, strict=True):
        share = value if candidates.legs == 1 else value * _leg_share(candidates.kind)
        exact += [float(share)] * candidates.legs
    positions = tuple(replace(p, exact=v) for p, v in zip(picked.positions, exact, strict=True))
    return replace(picked, positions=positions)


def _leg_share(kind: ElementKind) -> float:
    """What one leg of a balanced network has of an unbalanced network's value."""
    return 0.5 if kind is ElementKind.RESISTOR else 2.0


def _arrangements(space: Space, indices: Indices) -> list[Indices]:
    """The combination with branches in every order."""
    arrangements = [indices]
    for known in arrangements:
        for exchange in space.grids.exchanges:
            other = known[list(exchange.order)]
            if not any(np.array_equal(other, f) for f in arrangements):
                arrangements.append(other)
    return arrangements


def report(search: Search, objective_db: float, complete: bool, claim: str = "") -> SearchReport:
    """State what a search examined and proves.

    Parameters
    ----------
    search : Search
        The search.
    objective_db : float
        Objective of the pick [dB].
    complete : bool
        Whether the pick is proved.
    claim : str, optional
        What is proved, where it is not simply that no combination's centred error is smaller.

    Returns
    -------
    SearchReport
        The report.
    """
    bound = search.lower * NEPER_DB
    if not claim and complete and objective_db <= FLOOR * NEPER_DB:
        claim = (
            "no combination's nominal centred error is smaller by more than "
            f"{FLOOR * NEPER_DB:g} dB, below which the search does not go"
        )
    elif not claim and complete:
        claim = "no other combination of these parts does better (proved)"
    elif not claim and bound > 0.0:
        claim = (
            f"the search ended early; no combination's centred error is below {bound:.3g} dB, "
            f"{max(0.0, objective_db - bound):.3g} dB less than the pick's"
        )
    elif not claim:
        claim = (
            f"the search ended early; no lower bound was proved {_within_budget(search)}, so a "
            "better combination may exist. With fewer candidates, such as a coarser series, it may "
            "come to an end"
        )
    return SearchReport(
        objective_db, complete, min(bound, objective_db), search.combinations,
        search.evaluated, search.seconds, claim,
    )  # fmt: skip


def _within_budget(search: Search) -> str:
    """Until when a search that ended early went on."""
    budget = search.job.pick.budget_seconds
    if not search.late:
        return "before the search was stopped"
    return "within the budget" + ("" if budget is None else f" of {budget:g} s")


def finished(search: Search, best: Contender, complete: bool) -> PickResult:
    """Assemble the result of a search.

    Parameters
    ----------
    search : Search
        The search.
    best : Contender
        The pick.
    complete : bool
        Whether it is proved.

    Returns
    -------
    PickResult
        Pick, report and shortlist.
    """
    done = report(search, best.centred_db, complete)
    return PickResult(
        with_exact(best, deadline=search.deadline),
        done,
        # Builds of a dozen networks: most of what follows a search.
        _later(partial(shortlist, best, search.pool)),
        forms=_later(partial(compared, search, best, proved=complete)),
    )


def _later(work: Callable[[], tuple[Item, ...]]) -> Later[Item]:
    """Items that are worked out once they are looked at, with the threads of a search."""

    def worked_out() -> tuple[Item, ...]:
        with single_threaded_linear_algebra(of_scipy=False):
            return work()

    return Later(worked_out)
