"""The pick of the default job against general optimisers over the same candidates."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from pick_cases import allowed, dense_errors
from scipy.optimize import differential_evolution

from antecurve.job import default_job
from antecurve.networks.centred_error import error_range
from antecurve.networks.topology import ElementKind, Topology
from antecurve.pick.candidates import candidates
from antecurve.pick.search import PickResult, pick
from antecurve.synthesis.exact import exact_network

# A coarse grid misses what lies between its points: a few 1e-6 dB.
GRID_DB = 5e-6


@pytest.fixture(scope="module", params=("foster-1", "cauer-2"))
def result(request: pytest.FixtureRequest) -> PickResult:
    job = default_job()
    return pick(replace(job, network=replace(job.network, forms=(request.param,))))


def _topology(result: PickResult) -> Topology:
    job = default_job()
    return exact_network(
        result.best.topology.form, job.curve, loading=job.loading, gain=job.gain,
        shunt_resistance=400.0,
    ).network.topology  # fmt: skip


def _grids(topology: Topology) -> list[np.ndarray]:
    job = default_job()
    stock = {ElementKind.RESISTOR: job.resistors, ElementKind.CAPACITOR: job.capacitors}
    return [candidates(e.kind, stock[e.kind]).values for e in topology.elements]


def test_proved_and_as_reported(result: PickResult) -> None:
    job = default_job()
    assert result.search.proved
    assert 0 <= result.search.objective_db - result.search.lower_bound_db < 1e-6
    again = error_range(result.best.network, job.conditions)
    assert result.search.objective_db == pytest.approx(again.centred_db, abs=1e-9)
    assert result.search.combinations == pytest.approx(481.0**4 * 798.0**2)


@pytest.mark.sweep(1)
def test_no_random_draw_is_better(result: PickResult) -> None:
    """10^6 draws: positions near the exact values of a random level and impedance."""
    job = default_job()
    topology = _topology(result)
    grids = _grids(topology)
    rng = np.random.default_rng(4)
    best = np.inf
    for _ in range(50):
        exact = exact_network(
            topology.form, job.curve, loading=job.loading,
            gain=job.gain * 10 ** (rng.uniform(-0.9, 0.9) / 20),
            shunt_resistance=float(np.exp(rng.uniform(np.log(110), np.log(550)))),
        )  # fmt: skip
        columns = []
        for grid, value in zip(grids, exact.network.values, strict=True):
            index = np.searchsorted(grid, value)
            near = np.clip(index + rng.integers(-3, 3, 20_000), 0, len(grid) - 1)
            columns.append(grid[near])
        values = np.stack(columns, axis=1)
        errors = dense_errors(topology, job, values, points=9)
        chosen = values[errors < result.search.objective_db + 0.02]
        chosen = chosen[allowed(topology, job, chosen)]
        if len(chosen):
            best = min(best, dense_errors(topology, job, chosen, points=481).min())
    assert np.isfinite(best)
    assert result.search.objective_db <= best + GRID_DB


@pytest.mark.sweep(1)
def test_differential_evolution_is_no_better(result: PickResult) -> None:
    job = default_job()
    topology = _topology(result)
    grids = _grids(topology)

    def objective(indices: np.ndarray) -> np.ndarray:
        places = np.atleast_2d(indices.T).astype(int)
        values = np.stack([g[places[:, i]] for i, g in enumerate(grids)], axis=1)
        errors = dense_errors(topology, job, values, points=61)
        return np.asarray(errors + 10.0 * ~allowed(topology, job, values))

    evolved = differential_evolution(
        objective, [(0, len(g) - 1) for g in grids], integrality=[True] * len(grids),
        vectorized=True, updating="deferred", popsize=40, maxiter=150, seed=2, polish=False,
    )  # fmt: skip
    assert result.search.objective_db <= evolved.fun + GRID_DB
