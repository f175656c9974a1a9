"""The study of the judge's intervals: 400 simulated units, their seeds and results stored.

Run as a program it judges all of them again and rewrites ``tests/data/judge_coverage.csv``.  The
suite judges a few again, compares them with the file, and tests the stored counts.

Power.  With n = 400 units and a coverage of 95 % fewer than 368 intervals hold the truth with a
probability of 0.4 % (binomial): that is alpha of the test of one quantity.  With a coverage of
90 % they are fewer than 368 with a probability of 90 %: that is its power.
"""

from __future__ import annotations

import csv
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
from playback_units import (
    CONDITIONS,
    NOMINAL,
    Unit,
    by_tolerance,
    drawn_values,
    random_unit,
    square_capture,
)

from antecurve.judge.verdict import Verdict
from antecurve.judge.verdicts import judge_unit

STORED = Path(__file__).parents[1] / "data" / "judge_coverage.csv"
UNITS = 400
LEAST_COVERED = 368
CONSTANTS = (*NOMINAL, "low_corner_hz", "high_corner_hz")
FREQUENCIES_HZ = (20.0, 100.0, 5000.0, 20000.0)
COLUMNS = ("seed", "quantity", "truth", "value", "low", "high")
Row = tuple[str, float, float, float, float]


def judged(seed: int) -> tuple[Unit, Verdict]:
    """Draw a unit, a build of the network and an 8-bit record, and judge it by tolerances."""
    rng = np.random.default_rng([5, seed])
    unit, values = random_unit(rng), drawn_values(rng)
    capture = square_capture(unit, rng, values=values)
    return unit, judge_unit(capture, by_tolerance(), conditions=CONDITIONS)


def results(unit: Unit, verdict: Verdict) -> list[Row]:
    """Quantity, truth, best value and 95 % interval.

    Poles at the top that a zero cancels are not told, and not counted.
    """
    rows: list[Row] = []
    told = {fitted.name for fitted in verdict.fitted}
    for name in [name for name in CONSTANTS if name in told]:
        fitted = verdict.value(name)
        rows.append((name, getattr(unit, name), fitted.value, fitted.low, fitted.high))
    d = verdict.deviation
    for frequency in FREQUENCIES_HZ:
        at = int(np.argmin(np.abs(d.frequency_hz - frequency)))
        truth = float(unit.deviation_db(d.frequency_hz[at : at + 1])[0])
        value, reach = float(d.deviation_db[at]), float(d.expanded_uncertainty_db[at])
        name = f"deviation_db at {frequency:.0f} Hz"
        rows.append((name, truth, value, value - reach, value + reach))
    return rows


def stored() -> dict[int, list[Row]]:
    """Read the stored results by seed."""
    units: dict[int, list[Row]] = {}
    with STORED.open(newline="") as file:
        for row in csv.DictReader(file):
            truth, value, low, high = (float(row[name]) for name in COLUMNS[2:])
            units.setdefault(int(row["seed"]), []).append(
                (row["quantity"], truth, value, low, high)
            )
    return units


def _rows(seed: int) -> list[Row]:
    return results(*judged(seed))


def main() -> None:
    """Judge all units, on all cores, and write the file."""
    lines = [",".join(COLUMNS)]
    with ProcessPoolExecutor() as pool:
        for seed, rows in enumerate(pool.map(_rows, range(UNITS), chunksize=4)):
            for name, *numbers in rows:
                lines.append(",".join([str(seed), name, *(f"{n:.9g}" for n in numbers)]))
    STORED.write_text("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
