"""The pick: the best combination of candidate parts for a job."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import NoCombinationError, UnattainableError
from antecurve.job import Job
from antecurve.networks.deviation import error_range
from antecurve.networks.topology import ElementKind, Topology
from antecurve.pick.candidates import Candidates, candidates
from antecurve.pick.drawer import Drawer
from antecurve.pick.limits import limit_values, within_limits
from antecurve.pick.model import NEPER_DB, NetworkModel
from antecurve.pick.parts import PickedNetwork
from antecurve.pick.result import PickProgress, PickResult, SearchReport, ShortlistEntry
from antecurve.pick.rounding import improve, round_networks
from antecurve.synthesis.exact import exact_network

if TYPE_CHECKING:
    from concurrent.futures import Executor

__all__ = ["PickProgress", "PickResult", "SearchReport", "ShortlistEntry", "pick"]

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]


def pick(
    job: Job,
    *,
    drawer: Drawer | None = None,
    progress: Callable[[PickProgress], None] | None = None,
    executor: Executor | None = None,
    budget_seconds: float | None = None,
) -> PickResult:
    """Return the best combination of parts for a job.

    Parameters
    ----------
    job : Job
        What is wanted, and which parts may be used.
    drawer : Drawer or None, optional
        Parts on hand.
    progress : callable, optional
        Called with a `PickProgress` now and then.
    executor : concurrent.futures.Executor or None, optional
        Runs parts of a very large search.
    budget_seconds : float or None, optional
        Time after which the best so far is returned, unproved [s].

    Returns
    -------
    PickResult
        The pick, what the search proved, and alternatives.

    Raises
    ------
    NoCombinationError
        When the candidate space is empty or no combination meets the limits.
    UnattainableError
        When none of the forms can make the curve.
    """
    start = time.perf_counter()
    stock = {
        ElementKind.RESISTOR: candidates(ElementKind.RESISTOR, job.resistors, drawer),
        ElementKind.CAPACITOR: candidates(ElementKind.CAPACITOR, job.capacitors, drawer),
    }
    best: tuple[float, Topology, Indices, tuple[Candidates, ...]] | None = None
    combinations = 0.0
    evaluated = 0
    failure: UnattainableError | None = None
    for form in job.network.forms:
        try:
            starts, topology = _starts(form, job)
        except UnattainableError as error:
            failure = error
            continue
        places = tuple(stock[e.kind] for e in topology.elements)
        combinations += math.prod(float(len(p.values)) for p in places)
        value, indices, count = _quick(topology, job, places, starts)
        evaluated += count
        if indices is not None and (best is None or value < best[0]):
            best = (value, topology, indices, places)
    if best is None:
        if failure is not None and not combinations:
            raise failure
        raise NoCombinationError("limits", "no combination found that meets all limits")
    _, topology, indices, places = best
    picked = PickedNetwork(
        topology,
        tuple(
            p.position(e, int(i))
            for p, e, i in zip(places, topology.elements, indices, strict=True)
        ),
    )
    picked = with_exact(picked, job)
    objective = error_range(
        picked.network, job.curve, band_hz=job.target.band_hz, loading=job.loading
    ).centred_db
    report = SearchReport(
        objective, False, 0.0, combinations, evaluated, time.perf_counter() - start
    )
    return PickResult(picked, report)


def _starts(form: str, job: Job) -> tuple[Floats, Topology]:
    """Logarithms of exact networks over level and impedance, all of the commonest topology."""
    tolerance = job.target.level_tolerance_db
    gains = job.gain * 10.0 ** (np.linspace(-tolerance, tolerance, 5) / 20.0)
    low, high = job.resistors.value_range
    high = min(high, 3.0 * (job.network.output_resistance_max or math.inf))
    found: dict[Topology, list[Floats]] = {}
    failure: UnattainableError | None = None
    for level in np.geomspace(min(low, high), high, 48):
        for gain in gains:
            try:
                exact = exact_network(
                    form, job.curve, loading=job.loading, gain=float(gain),
                    impedance_level=float(level),
                )  # fmt: skip
            except UnattainableError as error:
                failure = error
                continue
            found.setdefault(exact.network.topology, []).append(exact.network.values)
    if not found:
        assert failure is not None
        raise failure
    topology = max(found, key=lambda t: len(found[t]))
    return np.log(np.array(found[topology])), topology


def _quick(
    topology: Topology, job: Job, places: tuple[Candidates, ...], starts: Floats
) -> tuple[float, Indices | None, int]:
    """The best of rounded exact networks and their neighbours, limits respected."""
    model = NetworkModel(topology, job)
    grids = tuple(np.log(p.values) for p in places)
    order = tuple(int(i) for i in np.argsort([len(g) / np.ptp(g) for g in grids]))
    rounded = round_networks(model, grids, starts, order=order).indices
    sizes = np.array([len(g) for g in grids])
    evaluated = 0
    best, chosen = math.inf, None
    for _ in range(3):
        values = np.stack([p.values[i] for p, i in zip(places, rounded.T, strict=True)], axis=1)
        rows = model.rows(values)[:, :-1]
        evaluated += len(values)
        objective = np.ptp(rows, axis=1) / 2.0
        objective[~within_limits(limit_values(topology, job, values), job)] += 10.0
        ranking = np.argsort(objective, kind="stable")[:12]
        if objective[ranking[0]] < min(best, 9.0):
            best, chosen = float(objective[ranking[0]]), rounded[ranking[0]]
        rounded = improve(rounded[ranking], sizes)
    return best * NEPER_DB, chosen, evaluated


def with_exact(picked: PickedNetwork, job: Job) -> PickedNetwork:
    """Return a picked network with the exact values nearest to it filled in.

    Parameters
    ----------
    picked : PickedNetwork
        A network of a built-in form.
    job : Job
        Curve and loading.

    Returns
    -------
    PickedNetwork
        Each position with its exact value at the level and impedance at which the exact
        network is nearest, by least squares over the logarithms; unchanged where the form has
        no exact network of this topology.
    """
    picked_log = np.log([p.value for p in picked.positions])

    def exact(parameters: Floats) -> Floats | None:
        gain, level = np.exp(parameters)
        if not 0 < gain < 1:
            return None
        try:
            found = exact_network(
                picked.topology.form, job.curve, loading=job.loading, gain=float(gain),
                impedance_level=float(level),
            )  # fmt: skip
        except UnattainableError:
            return None
        if found.network.topology != picked.topology:
            return None
        return np.log(found.network.values)

    own = limit_values(picked.topology, job, np.exp(picked_log)[None]).level_db[0]
    point = np.array([math.log(job.gain) + own / NEPER_DB, picked_log[-1]])
    now = exact(point)
    if now is None:
        return picked
    for _ in range(8):
        columns = [exact(point + step) for step in 1e-6 * np.eye(2)]
        if any(c is None for c in columns):
            break
        slopes = np.stack([(c - now) / 1e-6 for c in columns if c is not None], axis=1)
        step = np.linalg.lstsq(slopes, picked_log - now, rcond=None)[0]
        after = exact(point + step)
        if after is None:
            break
        point, now = point + step, after
        if np.max(np.abs(step)) < 1e-10:
            break
    positions = tuple(
        replace(p, exact=float(v)) for p, v in zip(picked.positions, np.exp(now), strict=True)
    )
    return replace(picked, positions=positions)
