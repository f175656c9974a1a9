"""Passes shared out to threads find what one thread finds, and end when they are told to."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from antecurve.job import default_job
from antecurve.pick import sharing
from antecurve.pick.boxes import Boxes
from antecurve.pick.branch_and_bound import Space, exhaust
from antecurve.pick.search_passes import Search
from antecurve.pick.shortlist import tie_limit


@pytest.fixture(scope="module")
def work() -> tuple[Space, Boxes, float]:
    job = default_job()
    search = Search(
        replace(job, network=replace(job.network, forms=("foster-1",))), None, None, None, None
    )
    search.look_around()
    best = search.best()
    assert best is not None
    limit = tie_limit(best)
    space = search.spaces[0]
    return space, search.cut(space, limit), limit


def test_threads_find_what_one_thread_finds(
    work: tuple[Space, Boxes, float], monkeypatch: pytest.MonkeyPatch
) -> None:
    space, boxes, limit = work
    alone = exhaust(space, boxes, limit=limit)
    monkeypatch.setattr(sharing, "_WORTH_SHARING", 0)
    shared = sharing.exhaust_in_threads(
        space, boxes, limit=limit, keep_all=False, watch=lambda *_: False, deadline=None
    )
    assert alone.complete and shared.complete
    np.testing.assert_array_equal(shared.indices[0], alone.indices[0])
    assert shared.errors[0] == alone.errors[0]


def test_an_interruption_ends_the_threads(
    work: tuple[Space, Boxes, float], monkeypatch: pytest.MonkeyPatch
) -> None:
    space, boxes, limit = work
    monkeypatch.setattr(sharing, "_WORTH_SHARING", 0)

    def interrupt(*_: object) -> bool:
        raise KeyboardInterrupt

    ended = sharing.exhaust_in_threads(
        space, boxes, limit=limit, keep_all=False, watch=interrupt, deadline=None
    )
    assert not ended.complete
