"""Shared passes find what one thread finds, whoever runs them, and end when they are told to."""

from __future__ import annotations

import pickle
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest

from antecurve.job import default_job
from antecurve.pick import sharing
from antecurve.pick.boxes import Boxes
from antecurve.pick.branch_and_bound import Exhausted, Space, exhaust
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


class _Immediate(Executor):
    """Runs a task as it is handed over, by way of its pickled form."""

    def __init__(self) -> None:
        self.sent: list[int] = []

    def submit(self, function, /, *args):  # type: ignore[no-untyped-def]
        pickled = pickle.dumps((function, args))
        self.sent.append(len(pickled))
        function, args = pickle.loads(pickled)
        done: Future[object] = Future()
        done.set_result(function(*args))
        return done


def test_what_is_found_does_not_depend_on_the_executor(
    work: tuple[Space, Boxes, float], monkeypatch: pytest.MonkeyPatch
) -> None:
    space, boxes, limit = work
    monkeypatch.setattr(sharing, "_TASKS", 6)
    monkeypatch.setattr(sharing, "_AHEAD", 2)
    limits: list[list[float]] = []

    def examined(executor: Executor) -> Exhausted:
        limits.append([])
        return sharing.exhaust_by(
            executor, space, boxes, limit=2.0 * limit, keep_all=False,
            watch=lambda now, *_: bool(limits[-1].append(now)), deadline=None,
        )  # fmt: skip

    one = examined(_Immediate())
    with ThreadPoolExecutor(3) as pool:
        other = examined(pool)
    assert one.complete and other.complete
    np.testing.assert_array_equal(one.indices, other.indices)
    np.testing.assert_array_equal(one.errors, other.errors)
    assert one.evaluated == other.evaluated
    assert limits[0] == limits[1] == sorted(limits[0], reverse=True)
    assert limits[0][-1] < 2.0 * limit  # later tasks knew of what earlier ones had found


def test_a_task_is_sent_little(
    work: tuple[Space, Boxes, float], monkeypatch: pytest.MonkeyPatch
) -> None:
    space, boxes, limit = work
    monkeypatch.setattr(sharing, "_TASKS", 4)
    executor = _Immediate()
    sharing.exhaust_by(
        executor, space, boxes, limit=limit, keep_all=False, watch=lambda *_: False, deadline=None
    )
    stocks = {id(p): p for p in space.candidates}.values()
    arrays = sum(p.values.nbytes + p.first.nbytes for p in stocks)
    assert max(executor.sent) < 0.2 * (arrays + (boxes.first.nbytes + boxes.last.nbytes) / 4)


def test_pickled_boxes_and_candidates_are_what_they_were(work: tuple[Space, Boxes, float]) -> None:
    space, boxes, _ = work
    again = pickle.loads(pickle.dumps(boxes))
    np.testing.assert_array_equal(again.first, boxes.first)
    np.testing.assert_array_equal(again.last, boxes.last)
    none = pickle.loads(pickle.dumps(boxes.where(slice(0, 0))))
    assert none.first.shape == (0, boxes.first.shape[1]) and none.first.dtype == np.int64
    whole = space.candidates[0]
    for stock in (whole, whole.balanced(), whole.singles()):
        same = pickle.loads(pickle.dumps(stock))
        assert (same.kind, same.parts, same.legs) == (stock.kind, stock.parts, stock.legs)
        for name in ("quantity", "values", "first", "second", "joined"):
            np.testing.assert_array_equal(getattr(same, name), getattr(stock, name))
    assert pickle.loads(pickle.dumps(whole)) is pickle.loads(pickle.dumps(whole))
