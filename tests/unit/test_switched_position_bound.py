"""The lower bound of a box whose joint search ended early, against every combination."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest
from pick_cases import dense_errors

from antecurve.curves.catalogue import named_curve
from antecurve.job import NetworkRequest, default_job
from antecurve.pick.model import NEPER_DB
from antecurve.switched import joint_pick, joint_proof
from antecurve.switched.joint_search import JointExhausted
from antecurve.switched.joint_space import PositionSpace
from antecurve.switched.position_bound import bound_by_positions
from antecurve.switched.request import BoxJob, SwitchPosition


def _least_db(position: PositionSpace) -> float:
    """Least error of one position over all its parts, on a dense grid: not above the band's."""
    space = position.space
    count = [len(c.values) for c in space.candidates]
    indices = np.stack(np.meshgrid(*map(np.arange, count), indexing="ij"), axis=-1)
    indices = indices.reshape(-1, len(count))
    indices = indices[space.admitted(indices)]
    topology, job = space.model.topology, space.model.job
    return float(dense_errors(topology, job, space.values(indices), points=9).min())


@pytest.mark.seldom
def test_no_position_is_below_the_bound_of_an_early_stop(monkeypatch: pytest.MonkeyPatch) -> None:
    job = default_job()
    small = {"series": "E3", "parts_per_position": 1}
    job = replace(
        job,
        network=NetworkRequest(forms=("foster-1",)),
        target=replace(job.target, level_tolerance_db=6.0, error_limit_db=None),
        resistors=replace(job.resistors, value_range=(1e3, 1e6), **small),
        capacitors=replace(job.capacitors, value_range=(3e-10, 3e-8), **small),
    )
    names = ("disc", "disc-coarse-groove")
    box_job = BoxJob(job, tuple(SwitchPosition(n, named_curve(n)) for n in names))
    monkeypatch.setattr(
        joint_proof, "exhaust_jointly", lambda *_, **__: JointExhausted(None, False, 0)
    )
    # Whether another switch would need fewer positions is not the point.
    monkeypatch.setattr("antecurve.switched.exclusion._EFFORTS", (0,))
    picked = joint_pick.pick_box(box_job)
    search, space = picked.search, picked.best.space
    assert not search.proved
    assert 0.0 < search.lower_bound_db <= search.objective_db
    assert f"at least {search.lower_bound_db:.3g} dB off" in search.claim
    least = max(_least_db(position) for position in space.positions)
    assert search.lower_bound_db <= least + 1e-9
    # Out of time it searches nothing: what is left is what positions do far outside the band.
    goal = search.objective_db / NEPER_DB
    bound, evaluated = bound_by_positions(space, picked.best.pick, goal, until=time.perf_counter())
    assert evaluated == 0 and 0.0 < bound * NEPER_DB <= least + 1e-9
