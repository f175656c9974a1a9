"""What is made of the best combination: its exact values, and that it is not lost."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from antecurve.curves.catalogue import named_curve
from antecurve.job import default_job
from antecurve.pick import outcome
from antecurve.pick.search import pick
from antecurve.pick.search_passes import Search
from antecurve.synthesis.exact import exact_network


def test_an_interrupt_among_the_exact_values_keeps_the_pick(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    job = default_job()
    job = replace(
        job,
        network=replace(job.network, forms=("foster-1",)),
        capacitors=replace(job.capacitors, parts_per_position=1),
    )
    undisturbed, nearest, calls = pick(job), outcome.nearest_exact, []

    def interrupted_once(*args: Any, **options: Any) -> Any:
        calls.append(args)
        if len(calls) == 1:
            raise KeyboardInterrupt
        return nearest(*args, **options)

    monkeypatch.setattr(outcome, "nearest_exact", interrupted_once)
    kept = pick(job)
    assert kept.search.proved
    assert kept.best.to_dict() == undisturbed.best.to_dict()


def test_a_cascade_picked_in_the_other_order_has_exact_values_near_its_parts() -> None:
    """Both orders are one network; without ultrasonic pole no values make the curve otherwise."""
    job = default_job()
    network = replace(job.network, forms=("cascade-long-first",))
    job = replace(job, curve=named_curve("disc"), network=network)
    space = (search := Search(job, None, None, None, None)).spaces[0]
    exact = exact_network(
        "cascade-short-first", job.curve, loading=job.loading, gain=job.gain, shunt_resistance=464.0
    ).network
    assert exact.topology.elements == space.model.topology.elements
    picked = outcome.with_exact(search.near(space, np.log(exact.values)[None])[0])
    assert picked.topology.form == "cascade-long-first"
    assert picked.exact_network is not None
    # Candidates are at most a step of their series apart, of E96 3 %, of two capacitors less.
    assert np.abs(np.log(picked.exact_network.values / picked.network.values)).max() < 0.1
