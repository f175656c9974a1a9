"""A batch of units: each judged by itself, on all cores, one table at the end."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from antecurve.checked import checked
from antecurve.errors import AntecurveError, NoResultError
from antecurve.judge.capture import Captures
from antecurve.judge.network_estimate import JudgedThrough, NetworkEstimate, estimate_of
from antecurve.judge.verdict import Verdict
from antecurve.judge.verdicts import JudgeRequest, judge_unit
from antecurve.networks.conditions import Conditions, conditions_of
from antecurve.results import Result

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Batch", "BatchEntry", "judge_batch"]

_THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")


@dataclass(frozen=True, slots=True)
class BatchEntry(Result):
    """One unit of a batch.

    Attributes
    ----------
    name : str
        The unit.
    verdict : Verdict or None
        ``None`` when its captures can't be used.
    problem : str
        Why not; empty otherwise.
    """

    _keys: ClassVar = ("unit:name", "problem:reason", "verdict")

    name: str
    verdict: Verdict | None
    problem: str = ""

    @property
    def reason(self) -> str | None:
        """Why there is no verdict; ``None`` where there is one."""
        return self.problem or None


@dataclass(frozen=True, slots=True, repr=False)
class Batch(Result):
    """The verdicts on a batch, in the order given.

    Attributes
    ----------
    entries : tuple of BatchEntry
        One per unit.
    """

    FORMAT: ClassVar = "antecurve-batch-1"
    _keys: ClassVar = ("format:FORMAT", "units:entries")

    entries: tuple[BatchEntry, ...]

    def to_frame(self) -> pd.DataFrame:
        """Tabulate the batch, one row per unit.

        Returns
        -------
        pandas.DataFrame
            Columns: unit, verdict, deviation_db, expanded_uncertainty_db, frequency_hz, one per
            fitted constant, and finding: the gravest, or why there is no verdict.
        """
        import pandas as pd

        rows = []
        for entry in self.entries:
            row: dict[str, object] = {"unit": entry.name, "verdict": "none"}
            verdict = entry.verdict
            if verdict is not None:
                row |= {
                    "verdict": verdict.decision.value,
                    "deviation_db": verdict.deviation_db,
                    "expanded_uncertainty_db": verdict.expanded_uncertainty_db,
                    "frequency_hz": verdict.ruling.frequency_hz,
                    **{f.name: f.value for f in verdict.fitted},
                }
            row["finding"] = entry.problem if verdict is None else verdict.findings[0]
            rows.append(row)
        frame = pd.DataFrame(rows)
        return frame[[c for c in frame.columns if c != "finding"] + ["finding"]]


@checked
def judge_batch(
    units: Mapping[str, Captures],
    design: JudgedThrough,
    *,
    conditions: Conditions | None = None,
    measured: Mapping[str, float] | None = None,
    request: JudgeRequest | None = None,
    workers: int | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Batch:
    """Judge many units through the same network.

    Parameters
    ----------
    units : mapping of str to Capture or sequence of Capture
        Captures by unit; more than one of a unit are fitted jointly.
    design, conditions, measured, request
        As in `judge_unit`.
    workers : int, optional
        Number of processes, by default one per core; 1 for none beside this one.
    progress : callable, optional
        Called with the number of units done and of all.

    Returns
    -------
    Batch
        In the order of `units`; a unit whose captures can't be used has its problem in words.
    """
    conditions = conditions_of(design, conditions)
    asked = request or JudgeRequest()
    network = estimate_of(design, conditions, measured=measured, meter=asked.meter)
    count = min(workers or os.cpu_count() or 1, len(units))
    entries: dict[str, BatchEntry] = {}
    if count <= 1:
        for name, captures in units.items():
            entries[name] = _entry(name, captures, network, conditions, asked)
            if progress is not None:
                progress(len(entries), len(units))
        return Batch(tuple(entries[name] for name in units))
    context = multiprocessing.get_context("spawn")
    with _one_thread_each(), ProcessPoolExecutor(count, mp_context=context) as pool:
        jobs = [
            pool.submit(_entry, name, captures, network, conditions, asked)
            for name, captures in units.items()
        ]
        for job in as_completed(jobs):
            entry = job.result()
            entries[entry.name] = entry
            if progress is not None:
                progress(len(entries), len(units))
    return Batch(tuple(entries[name] for name in units))


@contextlib.contextmanager
def _one_thread_each() -> Iterator[None]:
    """Let each process that starts meanwhile calculate with one thread: the cores are taken."""
    before = {name: os.environ.get(name) for name in _THREADS}
    os.environ.update(dict.fromkeys(_THREADS, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


def _entry(
    name: str,
    captures: Captures,
    network: NetworkEstimate,
    conditions: Conditions,
    request: JudgeRequest,
) -> BatchEntry:
    try:
        verdict = judge_unit(captures, network, conditions=conditions, request=request)
        if not verdict.is_result:
            raise NoResultError(verdict.findings)
        return BatchEntry(name, verdict)
    except AntecurveError as error:
        return BatchEntry(name, None, str(error))
