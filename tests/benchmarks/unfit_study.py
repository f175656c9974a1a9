"""Both error rates of the tests for what no linear unit does.

    python tests/benchmarks/unfit_study.py [--records 2000] [--seeds 20] [--file RESULTS.csv]

Linear units of every shape on disturbed benches must not be said to oscillate, to clip or to
move; units that are not fit to ship should be.  Each record is drawn from its seed alone; rows are
appended as they are made, so that a study that was stopped goes on where it was.  Prints the rates
of both errors as a Markdown table.
"""

from __future__ import annotations

import argparse
import csv
import sys
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import astuple, dataclass, fields
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "oracle"))

from scipy.stats import binomtest
from unfit_records import (
    DEFECTS,
    TWO_LEVELS,
    defective_record,
    level_findings_by_truth,
    linear_record,
    record_findings_by_truth,
)

from antecurve.judge.observation import ResidualFinding, ResidualKind

STORED = Path(__file__).parents[1] / "data" / "unfit_study.csv"
CAPTURES = {
    "200 Hz, 4.3 periods, 10,000 samples": (200.0, 10_000, 4.3),
    "200 Hz, 4.3 periods, 32,000 samples": (200.0, 32_000, 4.3),
    "23 Hz, 4.3 periods, 10,000 samples": (23.0, 10_000, 4.3),
    "23 Hz, 12 periods, 10,000 samples": (23.0, 10_000, 12.0),
}
LEVELS = "200 Hz at two levels"
LINEAR = "linear"


@dataclass(frozen=True)
class Row:
    """What is said of a record; `said` holds the kinds of finding that forbid a pass."""

    unit: str
    capture: str
    seed: int
    said: str

    @property
    def kinds(self) -> set[str]:
        """The kinds, those about the record alone left out."""
        return set(filter(None, self.said.split("+"))) - {ResidualKind.HIDDEN_EDGES.value}


def judged(unit: str, capture: str, seed: int) -> Row:
    """Draw a record, or two, and test it."""
    findings: Iterable[ResidualFinding]
    if capture == LEVELS:
        findings = level_findings_by_truth(unit, seed)
    elif unit == LINEAR:
        findings = record_findings_by_truth(*linear_record(seed)[:2])
    else:
        square_hz, samples, periods = CAPTURES[capture]
        record = defective_record(unit, seed, square_hz=square_hz, samples=samples, periods=periods)
        findings = record_findings_by_truth(*record)
    kinds = sorted({f.kind.value for f in findings if f.forbids_pass})
    return Row(unit, capture, seed, "+".join(kinds))


def cases(records: int, seeds: int) -> list[tuple[str, str, int]]:
    """All that the study holds."""
    linear = [(LINEAR, "any", seed) for seed in range(records)]
    single = [(unit, capture, s) for unit in DEFECTS for capture in CAPTURES for s in range(seeds)]
    return linear + single + [(unit, LEVELS, s) for unit in TWO_LEVELS for s in range(seeds)]


def stored_rows(path: Path = STORED) -> list[Row]:
    """Read the rows of a study."""
    if not path.exists():
        return []
    with path.open(newline="", encoding="utf-8") as file:
        return [
            Row(line["unit"], line["capture"], int(line["seed"]), line["said"])
            for line in csv.DictReader(file)
        ]


def run(path: Path, *, records: int, seeds: int) -> list[Row]:
    """Judge the cases that a file lacks and append them to it."""
    rows = stored_rows(path)
    there = {(r.unit, r.capture, r.seed) for r in rows}
    missing = [case for case in cases(records, seeds) if case not in there]
    new = not path.exists()
    with path.open("a", newline="", encoding="utf-8") as file, ProcessPoolExecutor() as pool:
        writer = csv.writer(file, lineterminator="\n")
        if new:
            writer.writerow(f.name for f in fields(Row))
        for row in pool.map(judged, *zip(*missing, strict=True)) if missing else ():
            rows.append(row)
            writer.writerow(astuple(row))
            file.flush()
    return rows


def share(count: int, total: int) -> str:
    """A share with its 95 % interval after Clopper and Pearson."""
    low, high = binomtest(count, total).proportion_ci(0.95)
    return f"{count} of {total} | {low:.1%} to {high:.1%}"


def wrongly_said(rows: Iterable[Row]) -> dict[str, tuple[int, int]]:
    """Count what is said of linear units, by its kind and in all: count, of how many."""
    linear = [r for r in rows if r.unit == LINEAR and r.capture != LEVELS]
    by_kind = {k.value: sum(k.value in r.kinds for r in linear) for k in ResidualKind}
    counts = {k: count for k, count in by_kind.items() if count}
    counts["anything"] = sum(bool(r.kinds) for r in linear)
    return {kind: (count, len(linear)) for kind, count in counts.items()}


def missed(rows: Iterable[Row]) -> dict[str, dict[str, tuple[int, int]]]:
    """Count units with a defect of which nothing is said, by defect and capture."""
    counts: dict[str, dict[str, tuple[int, int]]] = {}
    for row in rows:
        if row.unit != LINEAR:
            count, total = counts.setdefault(row.unit, {}).get(row.capture, (0, 0))
            counts[row.unit][row.capture] = (count + (not row.kinds), total + 1)
    return counts


def table(rows: Iterable[Row]) -> str:
    """Both rates as Markdown tables."""
    every = list(rows)
    lines = ["| said of linear units | records | 95 % interval |", "|---|--:|---|"]
    lines += [f"| {kind} | {share(*count)} |" for kind, count in wrongly_said(every).items()]
    captures = [*CAPTURES, LEVELS]
    lines += ["", f"| missed | {' | '.join(captures)} |", "|---|" + "--:|" * len(captures)]
    for unit, counts in missed(every).items():
        cells = ["{} of {}".format(*counts[c]) if c in counts else "" for c in captures]
        lines.append(f"| {unit} | {' | '.join(cells)} |")
    return "\n".join(lines)


def main() -> None:
    """Run the study and print its table."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--records", type=int, default=2000)
    options.add_argument("--seeds", type=int, default=20)
    options.add_argument("--file", type=Path, default=STORED)
    given = options.parse_args()
    print(table(run(given.file, records=given.records, seeds=given.seeds)))


if __name__ == "__main__":
    main()
