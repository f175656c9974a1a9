"""The study of the intervals of a calibration: simulated builds, stored.

Run as a program it calibrates the builds that ``tests/data/calibration_coverage.csv`` lacks and
adds them.  Builds are drawn by the job's distribution, or with every position at 80 to 100 % of
its tolerance; sweeps have 41 levels with a noise of 0.02 or 0.05 dB.

Power.  With n = 300 builds of 6 elements, which hang together as three would by judgement, a
coverage of 95 % is counted within 93 and 97 % with a probability of 99 %, one of 91.5 % with 5 %.
"""

from __future__ import annotations

import csv
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from playback_units import (
    CAPACITOR_TOLERANCE,
    CONDITIONS,
    RESISTOR_TOLERANCE,
    TOPOLOGY,
    VALUES,
    by_tolerance,
    drawn_values,
    network_polynomials,
)

from antecurve.judge.calibration import calibrate_network
from antecurve.judge.sweep import SweepCapture

Floats = NDArray[np.float64]

STORED = Path(__file__).parents[1] / "data" / "calibration_coverage.csv"
FREQUENCY = np.geomspace(20, 20e3, 41)
NOISES_DB = (0.02, 0.05)
BUILDS = 300
COLUMNS = ("builds", "seed", "ref", "truth", "value", "low", "high")
TOLERANCES = np.array(
    [
        CAPACITOR_TOLERANCE if e.ref.startswith("C") else RESISTOR_TOLERANCE
        for e in TOPOLOGY.elements
    ]
)
Row = tuple[str, int, str, float, float, float, float]


def levels_db(values: Floats) -> Floats:
    """Levels of a build at the frequencies of the study, by polynomial arithmetic."""
    top, bottom = network_polynomials(values)
    s = 2j * np.pi * FREQUENCY
    return 20 * np.log10(np.abs(np.polyval(top, s) / np.polyval(bottom, s)))


def edge_values(rng: np.random.Generator) -> Floats:
    """A build with every position at 80 to 100 % of its tolerance."""
    return VALUES * (1 + TOLERANCES * rng.choice([-1, 1], 6) * rng.uniform(0.8, 1.0, 6))


DRAWN = {"within": drawn_values, "edge": edge_values}


def calibrated(builds: str, seed: int) -> list[Row]:
    """Draw a build, sweep it and calibrate the network."""
    rng = np.random.default_rng([17, seed])
    noise_db = NOISES_DB[seed % 2]
    values = DRAWN[builds](rng)
    swept = levels_db(values) + 3.0 + noise_db * rng.standard_normal(FREQUENCY.size)
    answer = calibrate_network(
        SweepCapture(FREQUENCY, swept),
        by_tolerance(),
        conditions=CONDITIONS,
        level_uncertainty_db=noise_db,
    )
    columns = zip(answer.refs, values, answer.values, answer.low, answer.high, strict=True)
    return [(builds, seed, ref, *map(float, numbers)) for ref, *numbers in columns]  # type: ignore[misc]


def stored() -> list[Row]:
    """Read the stored results."""
    with STORED.open(newline="") as file:
        return [
            (row["builds"], int(row["seed"]), row["ref"], *(float(row[c]) for c in COLUMNS[3:]))  # type: ignore[misc]
            for row in csv.DictReader(file)
        ]


def main(workers: int) -> None:
    """Calibrate the builds that the file lacks, and add them to it."""
    if not STORED.exists():
        STORED.write_text(",".join(COLUMNS) + "\n")
    present = {row[:2] for row in stored()}
    missing = [(b, s) for s in range(BUILDS) for b in DRAWN if (b, s) not in present]
    with ProcessPoolExecutor(workers) as pool:
        for rows in pool.map(calibrated, *zip(*missing, strict=True), chunksize=4):
            with STORED.open("a") as file:
                for name, seed, ref, *numbers in rows:
                    file.write(",".join([name, str(seed), ref, *(f"{n:.9g}" for n in numbers)]))
                    file.write("\n")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2)
