"""A pass shared out: to threads, or to the workers of an executor, on other machines as well."""

from __future__ import annotations

import os
import pickle
import threading
import time
from collections import deque
from collections.abc import Callable
from concurrent.futures import Executor, Future, ThreadPoolExecutor, wait
from functools import lru_cache

import numpy as np

from antecurve.pick.boxes import Boxes, joined
from antecurve.pick.branch_and_bound import Exhausted, Space, exhaust
from antecurve.pick.model import NetworkModel
from antecurve.threads import single_threaded_linear_algebra

__all__ = ["exhaust_by", "exhaust_in_threads"]

_TASKS = 96  # of a search of a minute half a second each: what ends early takes another
_AHEAD = 32  # tasks at a time, more than most machines have processors; later ones know of earlier
_SHARES = 4  # always as many, so that what is found does not depend on the machine
_WORTH_SHARING = 20_000  # boxes: fewer take half a second, and small shares cost more each
_KEPT = 4  # networks that a worker keeps ready, as many as a job has side by side
_WAIT_SECONDS = 0.05  # between two looks at how far the threads are


def exhaust_in_threads(
    space: Space,
    boxes: Boxes,
    *,
    limit: float,
    keep_all: bool,
    watch: Callable[[float, int, int], bool],
    deadline: float | None,
) -> Exhausted:
    """Find the combinations in boxes within an error limit, by threads where there are many boxes.

    Parameters
    ----------
    space, boxes, limit, keep_all, deadline : optional
        See `exhaust_by`.
    watch : callable
        Called with the limit, the combinations evaluated and the boxes open, in this thread.

    Returns
    -------
    Exhausted
        See `exhaust_by`.

    Notes
    -----
    The boxes are dealt out to a fixed number of shares that know nothing of each other.
    """
    if len(boxes) < _WORTH_SHARING:
        return exhaust(space, boxes, limit=limit, keep_all=keep_all, watch=watch, deadline=deadline)
    shares = [boxes.where(slice(i, None, _SHARES)) for i in range(_SHARES)]
    now = [(limit, 0, len(share)) for share in shares]
    stop = threading.Event()

    def examine(number: int) -> Exhausted:
        def look(best: float, evaluated: int, open_boxes: int) -> bool:
            now[number] = (best, evaluated, open_boxes)
            return stop.is_set()

        return exhaust(
            space, shares[number], limit=limit, keep_all=keep_all, watch=look, deadline=deadline
        )

    with ThreadPoolExecutor(os.cpu_count()) as pool:
        futures = [pool.submit(examine, number) for number in range(len(shares))]
        open_futures = set(futures)
        try:
            while open_futures and not stop.is_set():
                open_futures = wait(open_futures, timeout=_WAIT_SECONDS).not_done
                best, evaluated, open_boxes = zip(*now, strict=True)
                if watch(min(best), sum(evaluated), sum(open_boxes)):
                    stop.set()
        except KeyboardInterrupt:
            stop.set()
    results = [future.result() for future in futures]
    return _together(results, limit, len(space.candidates), not stop.is_set())


def exhaust_by(
    executor: Executor,
    space: Space,
    boxes: Boxes,
    *,
    limit: float,
    keep_all: bool,
    watch: Callable[[float, int, int], bool],
    deadline: float | None,
) -> Exhausted:
    """Find the combinations in boxes within an error limit, by the workers of an executor.

    Parameters
    ----------
    executor : concurrent.futures.Executor
        The workers.
    space : Space
        The combinations.
    boxes : Boxes
        Where to look.
    limit : float
        Largest centred error [Np].
    keep_all : bool
        Whether to list all combinations within the limit.
    watch : callable
        Called with the limit, the combinations evaluated and the tasks open.
    deadline : float or None
        Value of `time.perf_counter` at which to stop.

    Returns
    -------
    Exhausted
        As `antecurve.pick.branch_and_bound.exhaust` returns it.  An interruption from the keyboard
        ends the search with what was found so far.

    Notes
    -----
    A task is sent the job, what its candidates are made of, its boxes and the limit, pickled, as
    some executors look into all that they are handed; it returns the best combinations it met.
    A worker makes the network ready once.  A task's limit is the best of all tasks but the last
    few before it, whichever the workers: what is found does not depend on them.  The deadline is
    told as time of day, so machines that share a search have to agree about it.
    """
    while 0 < len(boxes) < 4 * _TASKS and np.any(boxes.sizes > 1.0):
        wide = boxes.sizes > 1.0
        sides = space.grids.logs(boxes.last) - space.grids.logs(boxes.first)
        boxes = joined(boxes.where(~wide), space.grids.halved(boxes.where(wide), sides[wide]))
    ends_at = None if deadline is None else time.time() + deadline - time.perf_counter()
    model, best = space.model, limit
    network = pickle.dumps((model.topology, model.job, space.candidates, space.grids.exchanges))
    waiting: deque[Future[Exhausted]] = deque()
    results: list[Exhausted] = []
    try:
        for number in range(_TASKS + _AHEAD):
            if number >= _AHEAD:
                results.append(waiting.popleft().result())
                best = min(best, results[-1].limit)
                watch(best, sum(r.evaluated for r in results), _TASKS - len(results))
            if number < _TASKS:
                share = pickle.dumps(boxes.where(slice(number, None, _TASKS)))
                waiting.append(executor.submit(_task, network, share, best, keep_all, ends_at))
    except KeyboardInterrupt:
        results += [f.result() for f in waiting if not f.cancel() and f.done()]
    return _together(results, limit, len(space.candidates), len(results) == _TASKS)


@single_threaded_linear_algebra(of_scipy=False)
def _task(
    network: bytes, share: bytes, limit: float, keep_all: bool, ends_at: float | None
) -> Exhausted:
    """One share of a pass, run by an executor."""
    deadline = None if ends_at is None else time.perf_counter() + ends_at - time.time()
    boxes = pickle.loads(share)
    return exhaust(_space(network), boxes, limit=limit, keep_all=keep_all, deadline=deadline)


@lru_cache(maxsize=_KEPT)
def _space(network: bytes) -> Space:
    """The network that a task is about."""
    topology, job, candidates, exchanges = pickle.loads(network)
    return Space(NetworkModel(topology, job), candidates, exchanges)


def _together(results: list[Exhausted], limit: float, count: int, whole: bool) -> Exhausted:
    indices = np.concatenate([np.zeros((0, count), dtype=np.int64), *[r.indices for r in results]])
    errors = np.concatenate([np.zeros(0), *[r.errors for r in results]])
    order = np.argsort(errors, kind="stable")
    return Exhausted(
        indices[order],
        errors[order],
        min([limit, *[r.limit for r in results]]),
        whole and all(r.complete for r in results),
        sum(r.evaluated for r in results),
    )
