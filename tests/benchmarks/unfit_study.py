"""Both error rates of the tests for what no linear unit does.

    python tests/benchmarks/unfit_study.py [--records 2000] [--seeds 20]

Linear units of every shape on disturbed benches must not be said to oscillate, to clip or to
move; units that are not fit to ship should be.  Prints two Markdown tables.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "oracle"))

from scipy.stats import binomtest
from unfit_records import DEFECTS, defective_record, linear_record, record_findings_by_truth

CAPTURES = ((200.0, 10_000, 4.3), (200.0, 32_000, 4.3), (23.0, 10_000, 4.3), (23.0, 10_000, 12.0))


def interval(count: int, total: int) -> str:
    """A share with its 95 % interval after Clopper and Pearson."""
    low, high = binomtest(count, total).proportion_ci(0.95)
    return f"{count} of {total} ({low:.2%} to {high:.2%})"


def false_alarms(records: int) -> None:
    """Print how many linear units were not let pass."""
    kinds: Counter[str] = Counter()
    for seed in range(records):
        capture, path, drawn = linear_record(seed)
        for finding in record_findings_by_truth(capture, path):
            if finding.forbids_pass:
                kinds[finding.kind.value] += 1
                print(f"seed {seed}: {drawn}: {finding.text}", file=sys.stderr)
    print("| said of linear units | records |\n|---|---|")
    for kind, count in (*kinds.items(), ("anything", kinds.total())):
        print(f"| {kind} | {interval(count, records)} |")


def detections(seeds: int) -> None:
    """Print how many units with a defect were not let pass, by their record."""
    head = [f"{f:g} Hz, {p:g} periods, {n:,} samples" for f, n, p in CAPTURES]
    print("\n| defect | " + " | ".join(head) + " |\n|---|" + "---|" * len(head))
    for name in DEFECTS:
        cells = []
        for square_hz, samples, periods in CAPTURES:
            seen = 0
            for seed in range(seeds):
                capture, path = defective_record(
                    name, seed, square_hz=square_hz, samples=samples, periods=periods
                )
                findings = record_findings_by_truth(capture, path)
                seen += any(f.forbids_pass for f in findings)
            cells.append(f"{seen} of {seeds}")
        print(f"| {name} | " + " | ".join(cells) + " |", flush=True)


def main() -> None:
    """Run both and print their tables."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--records", type=int, default=2000)
    options.add_argument("--seeds", type=int, default=20)
    given = options.parse_args()
    if given.records:
        false_alarms(given.records)
    if given.seeds:
        detections(given.seeds)


if __name__ == "__main__":
    main()
