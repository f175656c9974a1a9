"""What a search found is not lost where its exact values are interrupted."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from antecurve.job import default_job
from antecurve.pick import outcome
from antecurve.pick.search import pick


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
