"""The search through an executor of `dask.distributed`: the same pick, proved."""

from __future__ import annotations

import warnings
from dataclasses import replace

import pytest

from antecurve.job import default_job
from antecurve.pick import search_passes
from antecurve.pick.search import pick


@pytest.mark.seldom
@pytest.mark.filterwarnings("default")  # the cluster's own warnings are none of ours
def test_distributed_executor_finds_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    distributed = pytest.importorskip("dask.distributed")  # here: each worker collects
    job = default_job()
    job = replace(
        job,
        network=replace(job.network, forms=("cauer-1",)),
        resistors=replace(job.resistors, series="E24"),
    )
    expected = pick(job)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        client = distributed.Client(
            n_workers=1, threads_per_worker=2, processes=False, dashboard_address=None
        )
    monkeypatch.setattr(search_passes, "_TRIED_SECONDS", 0.0)  # every pass is sent
    with client:
        result = pick(job, executor=client.get_executor())
    assert result.search.proved
    assert result.best == expected.best
    assert result.search.objective_db == expected.search.objective_db
