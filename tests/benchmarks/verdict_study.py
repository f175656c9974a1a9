"""The study of verdicts: seeded units of every shape on disturbed benches, judged and counted.

    python tests/benchmarks/verdict_study.py [--units 2000] [--workers 2] [--file RESULTS.csv]

Each unit is drawn from its seed alone.  Rows are appended as they are made, so that a study that
was stopped goes on where it was; at the end the file is sorted and the table of the counts is
printed.  A file with other columns is of an older study and is begun anew.
"""

from __future__ import annotations

import argparse
import csv
import sys
import time
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "oracle"))

from playback_units import CONDITIONS, LOADING, TOPOLOGY, by_tolerance, drawn_values, picked_network
from unit_shapes import LOW_ENDS, TOPS, BenchSetup, ShapedUnit, capture_of, shaped_unit

from antecurve.analysis.as_built import measured_network
from antecurve.analysis.meter import MeterAccuracy
from antecurve.errors import InputError
from antecurve.judge.network_estimate import NetworkEstimate, estimate_by_tolerance
from antecurve.judge.signal_path import CaptureChain
from antecurve.judge.square_wave import SquareWaveCapture
from antecurve.judge.variance_shares import NETWORK
from antecurve.judge.verdict import Verdict
from antecurve.judge.verdicts import JudgeRequest, judge_unit
from antecurve.threads import single_threaded_linear_algebra

STORED = Path(__file__).parents[1] / "data" / "verdict_study.csv"
ADVISED_HZ = (200.0, 23.0)
LIMIT_DB = 0.5
METER = 0.0025
PROBE_PERCENT = 1.0  # the largest error of a probe that is drawn
CONSTANTS = ("bass_shelf_s", "turnover_s", "treble_s")


@dataclass(frozen=True)
class Trial:
    """One unit on one bench.

    Attributes
    ----------
    seed : int
        All that was drawn follows from it.
    unit : ShapedUnit
        The unit.
    setup : BenchSetup
        The bench.
    measured : bool
        Whether the network's parts were measured.
    captures, references : tuple of SquareWaveCapture
        Records of the unit; with an AC-coupled input one reference each, straight.
    network : NetworkEstimate
        The network as the judge knows it.
    """

    seed: int
    unit: ShapedUnit
    setup: BenchSetup
    measured: bool
    captures: tuple[SquareWaveCapture, ...]
    references: tuple[SquareWaveCapture, ...]
    network: NetworkEstimate


@dataclass(frozen=True)
class Row:
    """The outcome of a trial.

    ``covered`` has one digit for each of `CONSTANTS`.  ``network_share`` is what the network's
    parts make of the variance of an undecided verdict, and ``network_opens`` whether they alone
    leave it undecided; ``seconds`` is CPU time.
    """

    seed: int
    low_end: str
    top: str
    hum: bool
    drift: bool
    probe: bool
    coupled: bool
    measured: bool
    truth_db: float
    decision: str
    deviation_db: float
    uncertainty_db: float
    covered: str
    curve_inside: bool
    network_share: float
    network_opens: bool
    seconds: float


COLUMNS = [f.name for f in fields(Row)]


def drawn_trial(seed: int) -> Trial:
    """Draw a unit, a build of the network and a bench."""
    rng = np.random.default_rng([13, seed])
    unit = shaped_unit(rng, LOW_ENDS[seed % 4], TOPS[seed // 4 % 4])
    hum, drift, probe, coupled, measured = rng.uniform(size=5) < (0.5, 0.3, 0.2, 0.2, 0.5)
    setup = BenchSetup(
        mains_hz=float(rng.choice([50.0, 60.0]) * rng.uniform(0.998, 1.002)),
        hum=float(hum * 10 ** rng.uniform(-3.0, -1.7)),
        drift=float(drift * rng.choice([-1, 1]) * 10 ** rng.uniform(-2.5, -1.0)),
        probe=float(probe * rng.choice([-1, 1]) * rng.uniform(0.002, 0.01)),
        coupling_hz=float(coupled * rng.uniform(3.0, 10.0)),
        hum_phase=tuple(rng.uniform(0, 2 * np.pi, 3)),
    )
    values = drawn_values(rng)
    network = by_tolerance()
    if measured:
        read = {
            ref: value * (1 + METER * rng.uniform(-1, 1))
            for ref, value in zip(TOPOLOGY.refs, values, strict=True)
        }
        picked = measured_network(picked_network(), read, meter=MeterAccuracy(METER, METER))
        network = estimate_by_tolerance(picked, loading=LOADING)
    captures = tuple(
        capture_of(unit, setup, rng, square_hz=f, values=values, samples=10_000) for f in ADVISED_HZ
    )
    references = tuple(
        capture_of(None, setup, rng, square_hz=f, values=None, samples=10_000, name="reference")
        for f in (ADVISED_HZ if coupled else ())
    )
    return Trial(seed, unit, setup, bool(measured), captures, references, network)


def request_of(trial: Trial) -> JudgeRequest:
    """State what the builder knows: the limit, that a probe is used, references where taken."""
    probe = PROBE_PERCENT if trial.setup.probe and not trial.references else 0.0
    return JudgeRequest(
        limit_db=LIMIT_DB,
        chain=CaptureChain(probe_percent=probe),
        reference=trial.references or None,
    )


def judged(seed: int) -> Row:
    """Draw a trial and judge it."""
    trial = drawn_trial(seed)
    start = time.process_time()
    with single_threaded_linear_algebra():
        try:
            verdict = judge_unit(
                trial.captures, trial.network, conditions=CONDITIONS, request=request_of(trial)
            )
        except InputError as refused:
            nothing = {"deviation_db": 0.0, "uncertainty_db": 0.0, "covered": ""}
            open_by = {"network_share": 0.0, "network_opens": False}
            outcome = {"decision": f"refused: {refused}", "curve_inside": True}
            return _row(trial, start, {**outcome, **nothing, **open_by})
    return _row(trial, start, _outcome(trial, verdict))


def _outcome(trial: Trial, verdict: Verdict) -> dict[str, Any]:
    """What a verdict says, beside what is true."""
    deviation = verdict.deviation
    truth = trial.unit.deviation_db(deviation.frequency_hz)
    inside = np.abs(deviation.deviation_db - truth) <= deviation.expanded_uncertainty_db
    covered = ""
    for name in CONSTANTS:
        fitted = {f.name: f for f in verdict.fitted}.get(name)
        if fitted is not None:
            covered += str(int(fitted.low <= getattr(trial.unit, name) <= fitted.high))
    question = verdict.question
    shares = () if question is None else question.shares
    return {
        "decision": verdict.decision.value,
        "deviation_db": float(verdict.deviation_db),
        "uncertainty_db": float(verdict.expanded_uncertainty_db),
        "covered": covered,
        "curve_inside": bool(inside.all()),
        "network_share": sum(s.share for s in shares if s.origin == NETWORK),
        "network_opens": question is not None and question.network_alone_opens,
    }


def _row(trial: Trial, start: float, outcome: dict[str, Any]) -> Row:
    truth = trial.unit.deviation_db(np.geomspace(*CONDITIONS.band_hz, 601))
    return Row(
        seed=trial.seed,
        low_end=trial.unit.low_end,
        top=trial.unit.top,
        hum=trial.setup.hum > 0,
        drift=trial.setup.drift != 0,
        probe=trial.setup.probe != 0,
        coupled=trial.setup.coupling_hz > 0,
        measured=trial.measured,
        truth_db=float(truth[np.argmax(np.abs(truth))]),
        seconds=time.process_time() - start,
        **outcome,
    )


def stored_rows(path: Path) -> dict[int, Row]:
    """Read the rows of a study, by seed; none of one with other columns."""
    if not path.exists():
        return {}
    truths = {"True": True, "False": False}
    kinds = {"int": int, "float": float, "bool": truths.__getitem__, "str": str}
    converted: dict[int, Row] = {}
    with path.open(newline="", encoding="utf-8") as file:
        lines = csv.DictReader(file)
        if lines.fieldnames != COLUMNS:
            return {}
        for line in lines:
            if line[COLUMNS[-1]] is None:  # half a line, of a study that was stopped
                continue
            row = Row(**{f.name: kinds[str(f.type)](line[f.name]) for f in fields(Row)})
            converted[row.seed] = row
    return converted


def run(path: Path, *, units: int, workers: int) -> dict[int, Row]:
    """Judge the seeds that a file lacks and append them to it."""
    rows = stored_rows(path)
    missing = [seed for seed in range(units) if seed not in rows]
    # What is stored, sorted, without half a line of a study that was stopped.
    _store(path, rows)
    with path.open("a", newline="", encoding="utf-8") as file, ProcessPoolExecutor(workers) as pool:
        writer = csv.DictWriter(file, COLUMNS, lineterminator="\n")
        for done, future in enumerate(as_completed(pool.submit(judged, s) for s in missing)):
            row = future.result()
            rows[row.seed] = row
            writer.writerow(_entry(row))
            file.flush()
            print(f"\r{done + 1} of {len(missing)}", end="", file=sys.stderr)
    _store(path, rows)
    return dict(sorted(rows.items()))


def _entry(row: Row) -> dict[str, Any]:
    return {k: f"{v:.6g}" if type(v) is float else v for k, v in asdict(row).items()}


def _store(path: Path, rows: dict[int, Row]) -> None:
    """Write all rows by their seeds, in place of the file as a whole."""
    new = path.with_suffix(".new")
    with new.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(_entry(row) for _, row in sorted(rows.items()))
    new.replace(path)


def summary(rows: Iterable[Row]) -> list[tuple[str, int, int, str]]:
    """Name, count, of how many, and target."""
    every = list(rows)

    def count(
        name: str, of: Callable[[Row], bool], is_so: Callable[[Row], bool], target: str
    ) -> tuple[str, int, int, str]:
        among = [r for r in every if of(r)]
        return name, sum(map(is_so, among)), len(among), target

    def coverage(
        name: str, of: Callable[[Row], bool], target: str = ""
    ) -> tuple[str, int, int, str]:
        digits = "".join(r.covered for r in every if of(r))
        return f"constants inside 95 %, {name}", digits.count("1"), len(digits), target

    return [
        count(
            "false pass, truth beyond the limit by more than 0.05 dB",
            lambda r: abs(r.truth_db) > LIMIT_DB + 0.05,
            lambda r: r.decision == "pass",
            "none",
        ),
        count(
            "false pass, other units beyond the limit",
            lambda r: LIMIT_DB < abs(r.truth_db) <= LIMIT_DB + 0.05,
            lambda r: r.decision == "pass",
            "below 0.1 % of all units",
        ),
        count(
            "false fail",
            lambda r: abs(r.truth_db) <= LIMIT_DB,
            lambda r: r.decision == "fail",
            "below 0.5 %",
        ),
        count(
            "undecided, good by 0.1 dB, parts measured",
            lambda r: abs(r.truth_db) <= LIMIT_DB - 0.1 and r.measured,
            lambda r: r.decision == "undecided",
            "below 10 %",
        ),
        count(
            "undecided, good by 0.1 dB, parts by tolerance",
            lambda r: abs(r.truth_db) <= LIMIT_DB - 0.1 and not r.measured,
            lambda r: r.decision == "undecided",
            "",
        ),
        count(
            "... by something else than the parts alone",
            lambda r: abs(r.truth_db) <= LIMIT_DB - 0.1 and not r.measured,
            lambda r: r.decision == "undecided" and not r.network_opens,
            "below 10 %",
        ),
        coverage("without hum", lambda r: not r.hum, "93 to 97 %"),
        coverage("with hum", lambda r: r.hum, "93 to 97 %"),
        coverage("parts by tolerance", lambda r: not r.measured),
        coverage("parts measured", lambda r: r.measured),
        count("whole curve inside its band", lambda r: True, lambda r: r.curve_inside, "95 %"),
        count("refused", lambda r: True, lambda r: r.decision.startswith("refused"), ""),
    ]


def table(rows: Iterable[Row]) -> str:
    """The counts as a Markdown table, each with its 95 % interval."""
    lines = ["| | count | of | share | 95 % interval | target |", "|---|--:|--:|--:|---|---|"]
    for name, count, total, target in summary(rows):
        if not total:
            continue
        # Clopper and Pearson's interval by the beta distribution.
        low, high = _exact_interval(count, total)
        lines.append(
            f"| {name} | {count} | {total} | {count / total:.1%} | {low:.1%} to {high:.1%} "
            f"| {target} |"
        )
    return "\n".join(lines)


def _exact_interval(count: int, total: int) -> tuple[float, float]:
    from scipy.stats import binomtest

    interval = binomtest(count, total).proportion_ci(0.95)
    return float(interval.low), float(interval.high)


def main() -> None:
    """Run the study and print its table."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--units", type=int, default=2000)
    options.add_argument("--workers", type=int, default=2)
    options.add_argument("--file", type=Path, default=STORED)
    given = options.parse_args()
    rows = run(given.file, units=given.units, workers=given.workers)
    print()
    print(table(rows.values()))


if __name__ == "__main__":
    main()
