"""A pass shared out to the workers of an executor, on this machine or on others."""

from __future__ import annotations

import time
from collections.abc import Callable
from concurrent.futures import Executor, as_completed

import numpy as np

from antecurve.job import Job
from antecurve.networks.topology import Topology
from antecurve.pick.boxes import Boxes, joined
from antecurve.pick.branch_and_bound import Exhausted, Space, exhaust
from antecurve.pick.candidates import Candidates
from antecurve.pick.model import NetworkModel
from antecurve.pick.structure import Exchange

__all__ = ["exhaust_by"]

_TASKS = 32  # more than most machines have processors: those that finish early take another


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
    A task is sent the job, the candidates of each position, two whole numbers for each position
    of its boxes, and the limit; it returns the best combinations it met.
    """
    while 0 < len(boxes) < 4 * _TASKS and np.any(boxes.sizes > 1.0):
        wide = boxes.sizes > 1.0
        sides = space.grids.logs(boxes.last) - space.grids.logs(boxes.first)
        boxes = joined(boxes.where(~wide), space.grids.halved(boxes.where(wide), sides[wide]))
    remaining_s = None if deadline is None else deadline - time.perf_counter()
    model, order = space.model, space.grids.exchanges
    futures = [
        executor.submit(
            _task, model.topology, model.job, space.candidates, order,
            boxes.where(slice(i, None, _TASKS)), limit, keep_all, remaining_s,
        )
        for i in range(_TASKS)
    ]  # fmt: skip
    results: list[Exhausted] = []
    try:
        for future in as_completed(futures):
            results.append(future.result())
            watch(
                min(r.limit for r in results),
                sum(r.evaluated for r in results),
                len(futures) - len(results),
            )
    except KeyboardInterrupt:
        for future in futures:
            future.cancel()
    return _together(results, limit, len(space.candidates), len(results) == len(futures))


def _task(
    topology: Topology,
    job: Job,
    candidates: tuple[Candidates, ...],
    exchanges: tuple[Exchange, ...],
    boxes: Boxes,
    limit: float,
    keep_all: bool,
    seconds: float | None,
) -> Exhausted:
    """One share of a pass, run by an executor."""
    space = Space(NetworkModel(topology, job), candidates, exchanges)
    deadline = None if seconds is None else time.perf_counter() + seconds
    return exhaust(space, boxes, limit=limit, keep_all=keep_all, deadline=deadline)


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
