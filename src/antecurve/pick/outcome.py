"""From the best combination to the result, or to the reason why there is none."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import NoCombinationError
from antecurve.job import Job
from antecurve.networks.topology import ElementKind
from antecurve.parts.position import PickedNetwork
from antecurve.pick.branch import Space
from antecurve.pick.comparison import compared
from antecurve.pick.exact_values import nearest_exact, sampled_exact
from antecurve.pick.limits import LimitValues, limit_values, within_limits
from antecurve.pick.model import NEPER_DB
from antecurve.pick.objective import FLOOR
from antecurve.pick.proof import Search
from antecurve.pick.result import PickResult, SearchReport
from antecurve.pick.rounding import flattened, rounded
from antecurve.pick.shortlist import Contender, shortlist
from antecurve.quantities import format_quantity

__all__ = ["finished", "no_combination", "report", "with_exact"]

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

_EXACT = 1e-6
_FAR = 0.05
_ANY_IMPEDANCE = (1.0, 1e7)


def with_exact(contender: Contender) -> PickedNetwork:
    """Return a combination as a network with parts and the exact values nearest to it.

    Parameters
    ----------
    contender : Contender
        The combination.

    Returns
    -------
    PickedNetwork
        Each position with its exact value at the level and impedance at which the exact
        network is nearest; branches that can trade places stand as in the exact network.
        Without exact values only where the network can't make the curve.
    """
    space, indices = contender.space, contender.indices
    model = space.model
    if model.job.network.elements is not None:
        return _with_own_exact(space, indices)
    best: tuple[float, str, Indices, Floats] | None = None
    for arranged in _arrangements(space, indices):
        values = space.values(arranged[None])
        level = float(limit_values(model.topology, model.job, values).level_db[0])
        gain = model.job.gain * 10.0 ** (level / 20.0)
        for form in space.forms:
            found = nearest_exact(form, model.topology, model.job, np.log(values[0]), gain=gain)
            if found is not None and (best is None or found[0] < best[0]):
                best = (found[0], form, arranged, np.exp(found[1]))
    if best is None or best[0] > _FAR * len(indices):
        # Values that are nearer may make the curve without being the form's own.
        other = _with_own_exact(space, indices)
        if best is None or other.positions[0].exact is not None:
            return other
    _, form, arranged, values = best
    picked = space.picked(arranged)
    named = replace(picked, topology=replace(picked.topology, form=form))
    return _filled(space, named, values)


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
    for place, value in zip(space.places, values, strict=True):
        share = value if place.legs == 1 else value * _leg_share(place.kind)
        exact += [float(share)] * place.legs
    positions = tuple(replace(p, exact=v) for p, v in zip(picked.positions, exact, strict=True))
    return replace(picked, positions=positions)


def _leg_share(kind: ElementKind) -> float:
    """What one leg of a balanced network has of an unbalanced network's value."""
    return 0.5 if kind is ElementKind.RESISTOR else 2.0


def _arrangements(space: Space, indices: Indices) -> list[Indices]:
    """The combination with branches in every order."""
    found = [indices]
    for known in found:
        for exchange in space.grids.exchanges:
            other = known[list(exchange.order)]
            if not any(np.array_equal(other, f) for f in found):
                found.append(other)
    return found


def report(search: Search, objective_db: float, complete: bool, claim: str = "") -> SearchReport:
    """Return what a search examined and proves.

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
        claim = "no combination has a smaller nominal centred error"
    elif not claim and bound > 0.0:
        claim = f"the search ended early; no combination's centred error is below {bound:.3g} dB"
    elif not claim:
        claim = (
            "the search ended early and reached no lower bound above 0 dB: a better combination "
            "may exist; a longer pick.budget_seconds or fewer candidates prove more"
        )
    return SearchReport(
        objective_db, complete, min(bound, objective_db), search.combinations,
        search.evaluated, search.seconds, claim,
    )  # fmt: skip


def finished(search: Search, best: Contender, complete: bool) -> PickResult:
    """Return the result of a search.

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
        with_exact(best),
        done,
        shortlist(best, search.pool),
        forms=compared(search, best),
    )


def no_combination(search: Search, complete: bool) -> NoCombinationError:
    """Return the error that says which limit leaves nothing, and by how much.

    Parameters
    ----------
    search : Search
        A search that found nothing.
    complete : bool
        Whether it is proved that there is nothing.

    Returns
    -------
    NoCombinationError
        To be raised.
    """
    if complete:
        sure = "no combination meets it"
    elif search.lower > 0.0:
        sure = f"no combination with an error up to {search.lower * NEPER_DB:.3g} dB meets it"
    else:
        sure = "no combination was found that meets it"
    shortfalls: list[tuple[float, str, str]] = []
    for space, starts in zip(search.spaces, search.starts, strict=True):
        logs = _over_all_impedances(space, starts)
        if not len(logs):
            continue
        # Exact networks that all miss a limit show that no choice of parts is to blame.
        exact = np.exp(logs)
        found = limit_values(space.model.topology, search.job, exact)
        meets = within_limits(found, search.job)
        if meets.any():
            outside = _outside(space, logs[meets])
            within = exact[_in_range(space, logs)]
            # Where parts within the ranges make the curve, the limit that stops them is named.
            exact = within if outside else space.values(rounded(space, logs[meets]))
            if outside and not _shortfalls(space, exact):
                return NoCombinationError(outside[0], f"{sure}: {outside[1]}")
        shortfalls += _shortfalls(space, exact)
    if not shortfalls:
        return NoCombinationError(
            "target and network limits",
            f"{sure} with the candidate parts; widen the ranges or the level tolerance",
        )
    _, name, text = min(shortfalls)
    return NoCombinationError(name, f"{sure}: {text}")


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
                f"{span[1]}, the parts reach from {reach[0]} to {reach[1]}; widen the range",
            )
    return None


def _in_range(space: Space, logs: Floats) -> NDArray[np.bool_]:
    """Which exact networks have all their values within reach of the parts."""
    low = np.array([grid[0] for grid in space.grids.grids])
    high = np.array([grid[-1] for grid in space.grids.grids])
    return np.asarray(np.all((logs >= low) & (logs <= high), axis=1))


def _shortfalls(space: Space, values: Floats) -> list[tuple[float, str, str]]:
    """For each limit the least it is missed by where the others are met."""
    job = space.model.job
    found = limit_values(space.model.topology, job, values)
    wanted = job.network
    met = np.full(len(values), -1.0)
    level = (np.abs(found.level_db) - job.target.level_tolerance_db) / NEPER_DB
    output = entry = met
    if wanted.output_resistance_max is not None:
        output = np.log(found.output_ohm / wanted.output_resistance_max)
    if wanted.input_impedance_min is not None:
        entry = np.log(wanted.input_impedance_min / found.input_ohm)
    misses = np.stack([level, output, entry])
    result: list[tuple[float, str, str]] = []
    for row, (name, text) in enumerate(
        (
            ("target.level", _level_text),
            ("network.output_resistance_max", _output_text),
            ("network.input_impedance_min", _input_text),
        )
    ):
        others = np.all(np.delete(misses, row, axis=0) <= 1e-9, axis=0) & (misses[row] > 0)
        if others.any():
            place = int(np.flatnonzero(others)[np.argmin(misses[row][others])])
            result.append((float(misses[row][place]), name, text(found, place, job)))
    return result


def _level_text(found: LimitValues, place: int, job: Job) -> str:
    return (
        f"with the other limits met the nearest seen is {found.level_db[place]:+.3g} dB off the "
        f"level at 1 kHz, allowed is {job.target.level_tolerance_db:g} dB; change the level or its "
        "tolerance"
    )


def _output_text(found: LimitValues, place: int, job: Job) -> str:
    limit = job.network.output_resistance_max or math.inf
    return (
        f"with the other limits met the smallest found is "
        f"{format_quantity(float(found.output_ohm[place]), 'ohm')}, "
        f"allowed is {format_quantity(limit, 'ohm')}; raise the limit or lower the level"
    )


def _input_text(found: LimitValues, place: int, job: Job) -> str:
    limit = job.network.input_impedance_min or 0.0
    return (
        f"with the other limits met the largest found is "
        f"{format_quantity(float(found.input_ohm[place]), 'ohm')}, "
        f"asked for is {format_quantity(limit, 'ohm')}; lower the limit or the level"
    )
