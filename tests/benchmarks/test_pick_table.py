"""One table of the pick's speed: what it takes, what a user would otherwise write, and growth.

Run by hand: ``pytest -s -o addopts="" tests/benchmarks/test_pick_table.py``.  The yardstick is
scipy's differential evolution over the candidates of the first form in the same run.  It proves
nothing and looks at nine frequencies and the level alone, not at the impedances.  It is given as
many seconds as the table says, and its best error stands beside that of the pick.
"""

from __future__ import annotations

import pickle
import time
import warnings
from concurrent.futures import Executor, ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import pytest
from scipy.optimize import differential_evolution

from antecurve.curves.model import Curve
from antecurve.job import Job, default_job
from antecurve.networks.topology import Element, ElementKind
from antecurve.pick.model import NEPER_DB
from antecurve.pick.objective import ErrorOverBand
from antecurve.pick.search import PickResult, pick
from antecurve.pick.search_passes import Search
from antecurve.synthesis.exact import form_names

_PATIENCE_SECONDS = 60.0  # most that differential evolution is given
_SPEED_UP = 0.85  # of what two processes of plain numpy gain: 1.7 where nobody else uses the cores
_MOST_WORK = 1.1  # times what one thread takes, summed over processors
_LIMIT_DB = 0.2  # of that pass: below the best, so that none is found


def _with_forms(*forms: str) -> Job:
    job = default_job()
    return replace(job, network=replace(job.network, forms=forms))


def _three_zeros() -> Job:
    curve = Curve("three zeros", (3180e-6, 400e-6, 50e-6), (1000e-6, 120e-6, 3.18e-6))
    return replace(_with_forms("foster-1"), curve=curve)


def _picked(job: Job) -> tuple[float, PickResult]:
    start = time.perf_counter()
    result = pick(job)
    return time.perf_counter() - start, result


def _evolved(job: Job, *, seconds: float, goal_db: float) -> tuple[float, float]:
    """Seconds and best error [dB] of differential evolution over one network's candidates.

    It goes by a few frequencies, as a user would; what it found is told over the whole band.
    """
    search = Search(job, None, None, None, None)
    space = search.spaces[0]
    level = job.target.level_tolerance_db / NEPER_DB
    sizes = np.array([len(p.values) for p in space.candidates])
    whole_band = ErrorOverBand(space.model)
    start, best = time.perf_counter(), np.inf

    def built(numbers: np.ndarray) -> np.ndarray:
        return space.values(np.minimum(numbers.T.astype(np.int64), sizes - 1))

    def missed_level(rows: np.ndarray) -> np.ndarray:
        return np.maximum(np.abs(rows[:, -1]) - level, 0.0)

    def cost(numbers: np.ndarray) -> np.ndarray:
        rows = space.model.rows(built(numbers))
        return np.ptp(rows[:, :-1], axis=1) / 2.0 + 10.0 * missed_level(rows)

    seed = 0
    while time.perf_counter() - start < seconds and best * NEPER_DB > goal_db:
        seed += 1
        evolved = differential_evolution(
            cost, [(0, n) for n in sizes], seed=seed, polish=False, vectorized=True,
            updating="deferred", maxiter=1000, popsize=30,
            callback=lambda *_, **__: time.perf_counter() - start > seconds,
        )  # fmt: skip
        values = built(evolved.x[:, None])
        if missed_level(space.model.rows(values))[0] <= 0.0:
            best = min(best, float(whole_band(values)[0]))
    return time.perf_counter() - start, best * NEPER_DB


class _Counting(ThreadPoolExecutor):
    """An executor that notes how many bytes the arguments of each task are."""

    def __init__(self, workers: int, sent: list[int]) -> None:
        super().__init__(workers)
        self._sent = sent

    def submit(self, function, /, *args, **more):  # type: ignore[no-untyped-def]
        self._sent.append(len(pickle.dumps((function, args))))
        return super().submit(function, *args, **more)


_WORK = {
    "default job, four forms, 6 parts": lambda: default_job(),
    "all forms": lambda: _with_forms(*form_names()),
    "cascade, 7 parts": lambda: _with_forms("cascade-long-first"),
    "RC shunt": lambda: _with_forms("rc-shunt-foster-1"),
    "three zeros, foster-1, 8 parts": _three_zeros,
}


def test_table() -> None:
    print(
        f"\n{'work':34} {'combinations':>12} {'this s':>7} {'dB':>8} {'proved':>6} "
        f"{'evolution s':>11} {'dB':>8} {'ratio':>6}"
    )
    for name, job_of in _WORK.items():
        job = job_of()
        seconds, result = _picked(job)
        error = result.search.objective_db
        plain, evolved_db = _evolved(
            job, seconds=min(_PATIENCE_SECONDS, 10.0 * seconds), goal_db=1.001 * error
        )
        print(
            f"{name:34} {result.search.combinations:12.2g} {seconds:7.2f} {error:8.5f} "
            f"{'yes' if result.search.proved else 'no':>6} {plain:11.1f} {evolved_db:8.5f} "
            f"{plain / seconds:6.1f}"
        )
        assert evolved_db > error * (1.0 - 2e-5)  # what either error is off by (`resolution`)


def test_growth_with_candidates() -> None:
    print(f"\n{'resistors':10} {'combinations':>12} {'seconds':>8}")
    for series in ("E12", "E24", "E48", "E96", "E192"):
        job = _with_forms("foster-1")
        seconds, result = _picked(replace(job, resistors=replace(job.resistors, series=series)))
        print(f"{series:10} {result.search.combinations:12.2g} {seconds:8.2f}")
        assert result.search.proved


def _bridged() -> Job:
    """A bridged T of six positions, which can't make the curve."""
    lines = ("R1 in a", "R2 a out", "C3 a 0", "C4 in out", "R5 out 0", "R6 in out")
    words = [line.split() for line in lines]
    elements = tuple(
        Element(ref, ElementKind.RESISTOR if ref[0] == "R" else ElementKind.CAPACITOR, (one, two))
        for ref, one, two in words
    )
    job = default_job()
    return replace(
        job,
        network=replace(job.network, forms=(), elements=elements),
        resistors=replace(job.resistors, series="E192"),
    )


class _Passed(NamedTuple):
    """What a pass took [s] of time and, in this process, of its processor; what it found."""

    seconds: float
    processor_seconds: float
    combinations: float
    within: int


def _passed(executor: Executor) -> _Passed:
    """One pass over a network's combinations within a limit."""
    search = Search(_bridged(), None, None, executor, None)
    start, processor = time.perf_counter(), time.process_time()
    result = search.run(_LIMIT_DB / NEPER_DB)
    assert result.complete
    return _Passed(
        time.perf_counter() - start,
        time.process_time() - processor,
        search.combinations,
        len(result.contenders),
    )


def _multiplied(turns: int) -> float:
    """Seconds that plain numpy takes for matrices that fit into a core's own cache."""
    matrix = np.random.default_rng(1).random((128, 128)) / 128.0
    start = time.perf_counter()
    for _ in range(turns):
        matrix = np.tanh(matrix @ matrix) + 0.001
    return time.perf_counter() - start


def _machine_speed_up(turns: int = 10_000) -> float:
    """What two processes that know nothing of each other get done at once, over what one does."""
    with ProcessPoolExecutor(2) as pool:
        list(pool.map(_multiplied, (10, 10)))  # starts both
        single = pool.submit(_multiplied, turns).result()
        both = max(pool.map(_multiplied, (turns, turns)))
        single = (single + pool.submit(_multiplied, turns).result()) / 2.0
    return 2.0 * single / both


@pytest.mark.filterwarnings("default")  # the cluster's own warnings are none of ours
def test_two_workers_of_dask() -> None:
    """A pass of a minute, shared out to one thread and to two processes in the same tasks.

    Whole picks take a few seconds.  So the pass is one that shows of a network that no
    combination is within a limit.  A task is sent the job, the limit and its share of the boxes;
    what that comes to is printed.  The first cut, some 3 s, stays with the process that asks.
    The machine's speed changes from minute to minute: one thread is timed before and after.  On
    cores that others use two workers gain no more than two processes of plain numpy do.
    """
    distributed = pytest.importorskip("dask.distributed")
    dask = pytest.importorskip("dask")
    sent: list[int] = []
    with _Counting(1, sent) as one:
        alone = _passed(one)
    # Samples of a worker's stack, a hundred a second, take a seventh of its processor.
    unobserved = dask.config.set({"distributed.worker.profile.enabled": False})
    with warnings.catch_warnings(), unobserved:
        warnings.simplefilter("ignore")
        client = distributed.Client(n_workers=2, threads_per_worker=1, dashboard_address=None)
    with client:
        client.submit(pick, _with_forms("foster-1")).result()  # starts the workers
        before = sum(client.run(time.process_time).values())
        together = _passed(client.get_executor())
        workers = sum(client.run(time.process_time).values()) - before
        possible = _machine_speed_up()
    with _Counting(1, []) as one:
        again = _passed(one)
    single = (alone.seconds + again.seconds) / 2.0
    busy = (alone.processor_seconds + again.processor_seconds) / 2.0
    everywhere = together.processor_seconds + workers
    print(
        f"\n{alone.combinations:.1e} combinations: one thread {alone.seconds:.1f} and "
        f"{again.seconds:.1f} s, two workers {together.seconds:.1f} s: "
        f"{single / together.seconds:.2f}; two processes of plain numpy {possible:.2f}\n"
        f"processors: {busy:.1f} s in one thread; {everywhere:.1f} s with two "
        f"workers, {workers:.1f} s of it theirs: {everywhere / busy:.2f}\n"
        f"{len(sent)} tasks, {np.median(sent) / 1e3:.0f} kB each, {max(sent) / 1e3:.0f} kB at most"
    )
    assert together.within == alone.within
    assert everywhere / busy < _MOST_WORK
    assert single / together.seconds > _SPEED_UP * possible
