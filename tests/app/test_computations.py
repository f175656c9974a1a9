"""One heavy computation a core; a cancelled or crashed one frees it, and the queue moves on."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))  # as processes of computations find it, too

import heavy_work

from antecurve.app.computations import Computations


@pytest.fixture
def one_core() -> Iterator[Computations]:
    computations = Computations(1)
    yield computations
    computations.close()


def until(met: Callable[[], bool]) -> None:
    end = time.monotonic() + 60.0
    while not met():
        assert time.monotonic() < end
        time.sleep(0.01)


def runs(process: int) -> bool:
    try:
        os.kill(process, 0)
    except ProcessLookupError:
        return False
    return True


def test_the_queue_moves_on_from_each_to_the_next(one_core: Computations, tmp_path: Path) -> None:
    go = tmp_path / "go"
    first, second, third = (
        one_core.start(heavy_work.wait_for, go, topic=name, title=name) for name in "abc"
    )
    until(lambda: first.report == "Waiting.")
    assert [c.state for c in (first, second, third)] == ["running", "waiting", "waiting"]
    assert [one_core.ahead_of(c) for c in (second, third)] == [0, 1]
    # The same topic is not computed twice at once.
    assert one_core.start(heavy_work.wait_for, go, topic="b", title="again") is second
    (begun,) = tmp_path.glob("begun-*")
    process = int(begun.name.partition("-")[2])
    one_core.cancel(first)
    until(lambda: second.state == "running")
    assert first.state == "cancelled" and not runs(process)
    one_core.cancel(third)
    go.touch()
    until(lambda: second.ended)
    assert second.state == "done" and third.state == "cancelled"
    assert second.result not in (process, os.getpid())
    latest = one_core.latest("b")
    assert latest is not None and latest.number == second.number


def test_what_a_page_is_written_from_does_not_change_meanwhile(
    one_core: Computations, tmp_path: Path
) -> None:
    go = tmp_path / "go"
    begun = one_core.start(heavy_work.wait_for, go, topic="a", title="a")
    until(lambda: begun.report == "Waiting.")
    seen, latest = one_core.numbered(begun.number), one_core.latest("a")
    go.touch()
    until(lambda: begun.ended)
    assert seen is not None and latest is not None
    assert (seen.state, latest.state) == ("running", "running")
    one_core.cancel(seen)
    later = one_core.numbered(begun.number)
    assert later is not None and later.state == "done"


def test_a_crash_and_a_refusal_free_their_core(one_core: Computations, tmp_path: Path) -> None:
    (tmp_path / "go").touch()
    crashed = one_core.start(heavy_work.crash, topic="a", title="a")
    failed = one_core.start(heavy_work.fail, topic="b", title="b")
    done = one_core.start(heavy_work.wait_for, tmp_path / "go", topic="c", title="c")
    until(lambda: done.ended)
    assert (crashed.state, failed.state, done.state) == ("failed", "failed", "done")
    assert "unexpectedly" in crashed.message
    assert failed.message == "x: received 1; it is refused"
