"""The study of intervals from two-channel records under hum: 24 of each kind of signal, stored.

Run as a program it judges the records that ``tests/data/signal_hum_coverage.csv`` lacks, adds them
and prints the counts.  Records are drawn as in `signal_coverage`, half as long, with noise 60 to 40
dB below full scale, and hum of 50 or 60 Hz in the output: six lines 50 to 26 dB below its peak and
less, the mains frequency off by 0.1 %.

Power.  Of 72 time constants of a kind fewer than 62 intervals hold the truth by a coverage of 95 %
with a probability of 0.1 % (binomial, were they independent), by one of 80 % with a probability
of 88 %.
"""

from __future__ import annotations

import csv
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
from hum_coverage import RELATIVE
from judge_coverage import COLUMNS, Row, results
from playback_units import CONDITIONS, by_tolerance, drawn_values, known_exactly, random_unit
from signal_coverage import KINDS, QUIET_S, REFUSED, TIME_CONSTANTS, Case, held, read_stored
from two_channel_records import RATE_HZ, two_channel_record

from antecurve.errors import InputError
from antecurve.judge.verdicts import judge_unit
from antecurve.threads import single_threaded_linear_algebra

STORED = Path(__file__).parents[1] / "data" / "signal_hum_coverage.csv"
RECORDS = 24
LEAST_HELD = 62


def judged(case: Case) -> list[Row]:
    """Draw a record with hum and judge it; one row for a refused one."""
    kind, number = case
    rng = np.random.default_rng([50, KINDS.index(kind), number])
    unit, values = random_unit(rng), drawn_values(rng)
    record = two_channel_record(
        unit,
        rng,
        signal=kind,
        values=values,
        seconds=1.5,
        noise_db=rng.uniform(-60.0, -40.0),
        quiet_s=QUIET_S.get(kind, 0.0),
    )
    mains = float(rng.choice([50.0, 60.0])) * (1 + 0.001 * rng.standard_normal())
    levels = 10 ** (rng.uniform(-50, -26) / 20) * RELATIVE * np.exp(rng.normal(0, 0.6, 6))
    time, hum = np.arange(record.volts.size) / RATE_HZ, np.zeros(record.volts.size)
    for multiple, level in enumerate(levels, start=1):
        hum += level * np.sin(2 * np.pi * (multiple * mains * time + rng.uniform()))
    record = replace(record, volts=record.volts + np.abs(record.volts).max() * hum)
    network = by_tolerance() if number % 2 else known_exactly(values)
    try:
        with single_threaded_linear_algebra():
            return results(unit, judge_unit(record, network, conditions=CONDITIONS))
    except InputError as refused:
        print(f"{kind} {number}: {refused}", file=sys.stderr)
        return [(REFUSED, 0.0, 0.0, 0.0, 0.0)]


def stored() -> dict[Case, list[Row]]:
    """Read the stored results by kind and number."""
    return read_stored(STORED)


def main() -> None:
    """Judge what is missing and print how many intervals of each kind hold the truth."""
    known = stored()
    missing = [(kind, n) for n in range(RECORDS) for kind in KINDS if (kind, n) not in known]
    with STORED.open("a", newline="", encoding="utf-8") as file, ProcessPoolExecutor(1) as pool:
        writer = csv.writer(file, lineterminator="\n")
        if not known:
            writer.writerow(("kind", "number", *COLUMNS[1:]))
        for (kind, number), rows in zip(missing, pool.map(judged, missing), strict=True):
            writer.writerows((kind, number, n, *(f"{x:.6g}" for x in cells)) for n, *cells in rows)
            file.flush()
    for kind in KINDS:
        rows = [row for (of, _), own in stored().items() if of == kind for row in own]
        refused = sum(row[0] == REFUSED for row in rows)
        print(kind, held(rows, TIME_CONSTANTS), held(rows, ("deviation_db",)), refused)


if __name__ == "__main__":
    main()
