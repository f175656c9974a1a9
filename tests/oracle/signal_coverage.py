"""The study of intervals from two-channel records: 500 of each kind of signal, stored.

    python tests/oracle/signal_coverage.py [--records 500] [--workers 1]

Run as a program it judges the records that ``tests/data/signal_coverage.csv`` lacks, adds them and
prints the table of the counts.  Each record is drawn from its number alone: a unit, a build of the
network (known exactly for even numbers, by the parts' tolerances for odd ones), where the stimulus
is taken, noise 45 to 25 dB below full scale in the output; 16 bits.  With less noise intervals are
wider than they need be: they end at what an estimate states at least (0.001 dB of a band).

A corner that the record shows from one side alone has an interval that ends at 0 or at infinity
and holds it more often than 95 %; the table counts the intervals that end on both sides.  A band of
the curve holds whole curves: the study stores the largest error over the band, as a multiple of the
uncertainty there.

Power.  Of 1,500 intervals 93 to 97 % hold the truth by a coverage of 95 % with a probability of
99.9 %, by one of 92 % with a probability of 8 % (binomial, were they independent).
"""

from __future__ import annotations

import argparse
import csv
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
from judge_coverage import COLUMNS, Row, results
from playback_units import (
    CONDITIONS,
    NOMINAL,
    Unit,
    by_tolerance,
    drawn_values,
    known_exactly,
    random_unit,
)
from two_channel_records import two_channel_record

from antecurve.errors import InputError
from antecurve.judge.network_estimate import NetworkEstimate
from antecurve.judge.two_channel import STIMULUS_AT, TwoChannelRecord
from antecurve.judge.verdict import Verdict
from antecurve.judge.verdicts import judge_unit
from antecurve.threads import single_threaded_linear_algebra

STORED = Path(__file__).parents[1] / "data" / "signal_coverage.csv"
RECORDS = 500
KINDS = ("square wave", "sine steps", "log sweep", "pink noise", "multitone", "music")
SECONDS = 3.0
QUIET_S = {"sine steps": 0.3, "log sweep": 0.3}  # a sweep may not touch the record's edges
REFUSED = "refused"
WHOLE_CURVE = "whole curve"
TIME_CONSTANTS, CORNERS = tuple(NOMINAL), ("low_corner_hz", "high_corner_hz")
Case = tuple[str, int]


def drawn(case: Case) -> tuple[Unit, TwoChannelRecord, NetworkEstimate]:
    """Draw a unit, a record of it, and what is known of the network."""
    kind, number = case
    rng = np.random.default_rng([16, KINDS.index(kind), number])
    unit, values = random_unit(rng), drawn_values(rng)
    record = two_channel_record(
        unit,
        rng,
        signal=kind,
        stimulus_at=str(rng.choice(STIMULUS_AT)),
        values=values,
        seconds=SECONDS,
        noise_db=rng.uniform(-45.0, -25.0),
        quiet_s=QUIET_S.get(kind, 0.0),
    )
    return unit, record, by_tolerance() if number % 2 else known_exactly(values)


def judged(case: Case) -> list[Row]:
    """Draw a record and judge it; one row for a refused one."""
    kind, number = case
    unit, record, network = drawn(case)
    try:
        with single_threaded_linear_algebra():
            verdict = judge_unit(record, network, conditions=CONDITIONS)
        return [
            *results(unit, verdict),
            (WHOLE_CURVE, _largest_error(unit, verdict), 0.0, 0.0, 1.0),
        ]
    except InputError as refused:
        print(f"{kind} {number}: {refused}", file=sys.stderr)
        return [(REFUSED, 0.0, 0.0, 0.0, 0.0)]


def _largest_error(unit: Unit, verdict: Verdict) -> float:
    """Largest error of the curve over the band, over the uncertainty at its frequency."""
    d = verdict.deviation
    error = np.abs(d.deviation_db - unit.deviation_db(d.frequency_hz))
    # At 1 kHz both are 0 but for rounding.
    return float(np.max(error / np.maximum(d.expanded_uncertainty_db, 1e-9)))


def read_stored(path: Path) -> dict[Case, list[Row]]:
    """Read stored results by kind and number; none where there is no file."""
    records: dict[Case, list[Row]] = {}
    if not path.exists():
        return records
    with path.open(newline="", encoding="utf-8") as file:
        for kind, number, quantity, *cells in list(csv.reader(file))[1:]:
            truth, value, low, high = map(float, cells)
            records.setdefault((kind, int(number)), []).append((quantity, truth, value, low, high))
    return records


def stored() -> dict[Case, list[Row]]:
    """Read the stored results by kind and number."""
    return read_stored(STORED)


def run(records: int, workers: int) -> None:
    """Judge the records that the file lacks, the kinds in turn, and add them to it."""
    known = stored()
    missing = [(kind, n) for n in range(records) for kind in KINDS if (kind, n) not in known]
    with STORED.open("a", newline="", encoding="utf-8") as file, ProcessPoolExecutor(workers) as p:
        writer = csv.writer(file, lineterminator="\n")
        if not known:
            writer.writerow(("kind", "number", *COLUMNS[1:]))
        for (kind, number), rows in zip(missing, p.map(judged, missing), strict=True):
            writer.writerows(
                (kind, number, name, *(f"{x:.6g}" for x in cells)) for name, *cells in rows
            )
            file.flush()


def held(rows: list[Row], names: tuple[str, ...]) -> tuple[int, int]:
    """Count the intervals of some quantities that hold the truth, and all; of corners two-sided."""
    inside = [
        low <= truth <= high
        for name, truth, _, low, high in rows
        if name.startswith(names) and (name not in CORNERS or (low > 0.0 and np.isfinite(high)))
    ]
    return sum(inside), len(inside)


def table(records: dict[Case, list[Row]]) -> str:
    """The counts as a Markdown table: time constants, corners, whole curves."""
    lines = [
        "| signal | records | refused | time constants | corners | whole curve |",
        "|---|--:|--:|--:|--:|--:|",
    ]
    for kind in KINDS:
        every = [rows for (of, _), rows in records.items() if of == kind]
        flat = [row for rows in every for row in rows]
        cells = []
        for names in (TIME_CONSTANTS, CORNERS, (WHOLE_CURVE,)):
            inside, total = held(flat, names)
            cells.append(f"{inside} of {total} ({inside / max(total, 1):.1%})")
        refused = sum(row[0] == REFUSED for row in flat)
        lines.append(f"| {kind} | {len(every)} | {refused} | " + " | ".join(cells) + " |")
    return "\n".join(lines)


def main() -> None:
    """Judge what is missing and print the table."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--records", type=int, default=RECORDS)
    options.add_argument("--workers", type=int, default=1)
    given = options.parse_args()
    run(given.records, given.workers)
    print(table(stored()))


if __name__ == "__main__":
    main()
