"""Lower bounds of searches that end early, against every combination of small catalogues."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from pick_cases import allowed, dense_errors

from antecurve.job import Job, default_job
from antecurve.networks.topology import Element, ElementKind
from antecurve.pick.early_bound import bound_seconds
from antecurve.pick.result import PickProgress
from antecurve.pick.search import pick

R, C = ElementKind.RESISTOR, ElementKind.CAPACITOR
E3 = (1.0, 2.2, 4.7)  # IEC 60063
_LADDER = (
    Element("R1", R, ("in", "a")),
    Element("C1", C, ("in", "a")),
    Element("R2", R, ("a", "out")),
    Element("C2", C, ("a", "out")),
    Element("R3", R, ("out", "0")),
)


def _small(job: Job) -> Job:
    """E3 and single parts, without limits of impedance."""
    return replace(
        job,
        target=replace(job.target, level_tolerance_db=3.0),
        network=replace(job.network, output_resistance_max=None, input_impedance_min=None),
        resistors=replace(
            job.resistors, series="E3", value_range=(100.0, 1e5), parts_per_position=1
        ),
        capacitors=replace(
            job.capacitors, series="E3", value_range=(1e-10, 1e-7), parts_per_position=1
        ),
    )


@pytest.mark.sweep(1)
@pytest.mark.parametrize("form", ["foster-1", "cauer-2", "rc-shunt-foster-1", "own"])
def test_no_combination_is_below_the_bound_of_an_early_stop(form: str) -> None:
    """All combinations of E3 values on a dense grid, which is never above the error of the band."""
    job = _small(default_job())
    chosen = {"elements": _LADDER} if form == "own" else {"forms": (form,)}
    job = replace(job, network=replace(job.network, **chosen))  # type: ignore[arg-type]

    def interrupt(progress: PickProgress) -> None:
        raise KeyboardInterrupt

    picked = pick(job, progress=interrupt, budget_seconds=20.0)
    assert 0.0 < picked.search.lower_bound_db <= picked.search.objective_db
    topology = picked.best.topology
    resistors = [m * 10.0**d for d in (2, 3, 4) for m in E3] + [1e5]
    capacitors = [m * 10.0**d for d in (-10, -9, -8) for m in E3] + [1e-7]
    grids = [resistors if e.kind is R else capacitors for e in topology.elements]
    least = np.inf
    # One part at a time, to save memory.
    for value in grids[0]:
        values = np.stack(np.meshgrid([value], *grids[1:], indexing="ij"), axis=-1)
        values = values.reshape(-1, len(grids))
        values = values[allowed(topology, job, values)]
        if len(values):
            least = min(least, float(dense_errors(topology, job, values, points=9).min()))
    assert picked.search.lower_bound_db <= least + 1e-9


def test_time_for_a_bound_grows_with_the_budget() -> None:
    assert [bound_seconds(budget) for budget in (None, 2.0, 4.0, 12.0, 120.0)] == [
        1.0, 0.5, 1.0, 1.0, 10.0
    ]  # fmt: skip
    assert [bound_seconds(budget, own=True) for budget in (None, 4.0, 20.0)] == [3.0, 1.0, 3.0]
