"""The study of the intervals of a calibration: simulated builds of three designs, stored.

Run as a program it calibrates the builds that ``tests/data/calibration_coverage.csv`` lacks and
adds them.  Parts are drawn by the job's distribution, or all at 80 to 100 % of their tolerance;
sweeps have 41 levels with a noise of 0.005, 0.02 or 0.05 dB, solved node by node.
"""

from __future__ import annotations

import csv
import sys
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from bench_networks import cards, network_of, position
from nodal import solve_cards
from numpy.typing import NDArray
from playback_units import CONDITIONS, picked_network

from antecurve.judge.calibration import Calibration, calibrate_network
from antecurve.judge.network_estimate import estimate_by_tolerance
from antecurve.judge.sweep import SweepCapture
from antecurve.networks.conditions import Conditions
from antecurve.networks.topology import Loading
from antecurve.parts.position import PickedNetwork

Floats = NDArray[np.float64]

STORED = Path(__file__).parents[1] / "data" / "calibration_coverage.csv"
FREQUENCY = np.geomspace(20, 20e3, 41)
NOISES_DB = (0.005, 0.02, 0.05)
BUILDS = 150
EDGE = 0.8


@dataclass(frozen=True)
class Case:
    """A network with parts, and what it stands between."""

    picked: PickedNetwork
    conditions: Conditions


def _cauer() -> PickedNetwork:
    """The disc curve in the form C || (R + (C || R)): 2 % resistors, 5 % capacitors."""
    return network_of(
        position("C1", ("in", "b"), 1.6e-9, tolerance=0.05),
        position("R1", ("in", "a"), 43e3, tolerance=0.02),
        position("C2", ("a", "b"), 5.6e-9, tolerance=0.05),
        position("R2", ("a", "b"), 470e3, tolerance=0.02),
        position("R3", ("b", "out"), 1500.0, tolerance=0.02),
        position("R4", ("out", "0"), 500.0, tolerance=0.02),
        form="cauer-1",
    )


def _tape() -> PickedNetwork:
    """Zero at 50 us, pole at 3180 us: 5 % resistors, 10 % capacitors, one of two in parallel."""
    return network_of(
        position("C1", ("in", "a"), 47e-9, 22e-9, tolerance=0.1),
        position("R1", ("in", "a"), 47e3, tolerance=0.05),
        position("R2", ("a", "out"), 680.0, tolerance=0.05),
        position("R3", ("out", "0"), 220.0, tolerance=0.05),
        position("C2", ("out", "0"), 22e-9, tolerance=0.1),
    )


_UNITS = {
    "foster": (picked_network(), Loading(50.0, 47e3, 150e-12)),
    "cauer": (_cauer(), Loading(600.0, 100e3, 300e-12)),
    "tape": (_tape(), Loading(10.0, 10e3, 0.0)),
}
CASES = {
    name: Case(picked, Conditions(curve=CONDITIONS.curve, loading=loading))
    for name, (picked, loading) in _UNITS.items()
}


def drawn_values(picked: PickedNetwork, rng: np.random.Generator, *, least: float) -> Floats:
    """A build, each part off by least to 1 of its tolerance in either direction."""

    def drawn(nominal: float, tolerance: float) -> float:
        return nominal * (1 + tolerance * rng.choice([-1, 1]) * rng.uniform(least, 1.0))

    # The joined parts of these networks are capacitors in parallel.
    return np.array(
        [sum(drawn(part.value, part.tolerance) for part in p.parts) for p in picked.positions]
    )


DRAWN = {"within": 0.0, "edge": EDGE}


@dataclass(frozen=True)
class Row:
    """A value of a build [% off nominal], or the error of its correction at a frequency [dB]."""

    design: str
    builds: str
    seed: int
    ref: str
    truth: float
    low: float
    high: float

    @property
    def held(self) -> bool:
        return self.low <= self.truth <= self.high


def level_db(case: Case, values: Floats, frequency: Floats) -> Floats:
    """Level behind the network, solved node by node."""
    solved = solve_cards(cards(case.picked, values, case.conditions.loading), frequency)
    return 20 * np.log10(np.abs(solved))


def calibrated(design: str, builds: str, seed: int) -> list[Row]:
    """Draw a build, sweep it and calibrate the network."""
    case = CASES[design]
    rng = np.random.default_rng([17, seed, [*CASES].index(design), [*DRAWN].index(builds)])
    noise_db = NOISES_DB[seed % len(NOISES_DB)]
    values = drawn_values(case.picked, rng, least=DRAWN[builds])
    swept = level_db(case, values, FREQUENCY) + noise_db * rng.standard_normal(FREQUENCY.size)
    answer = calibrate_network(
        SweepCapture(FREQUENCY, swept),
        estimate_by_tolerance(case.picked, loading=case.conditions.loading),
        conditions=case.conditions,
        level_uncertainty_db=noise_db,
    )
    off = (
        100.0 * (v / case.picked.network.values - 1.0) for v in (values, answer.low, answer.high)
    )
    intervals = [*zip(answer.refs, *off, strict=True), *_corrections(case, answer, values)]
    return [Row(design, builds, seed, ref, *map(float, numbers)) for ref, *numbers in intervals]


def _corrections(
    case: Case, answer: Calibration, values: Floats
) -> Iterator[tuple[str, float, float, float]]:
    """Error of the correction once a decade, and its uncertainty; the curve cancels out."""
    chosen = answer.frequency_hz[::10]
    fitted = answer.estimate.network.values
    true, taken = (level_db(case, v, np.append(chosen, 1000.0)) for v in (values, fitted))
    error = (true[:-1] - true[-1]) - (taken[:-1] - taken[-1])
    for hertz, e, width in zip(chosen, error, answer.correction_uncertainty_db[::10], strict=True):
        yield f"{hertz:.0f} Hz", e, -width, width


def stored() -> list[Row]:
    """Read the stored results."""
    with STORED.open(newline="") as file:
        return [
            Row(
                row["design"],
                row["builds"],
                int(row["seed"]),
                row["ref"],
                *(float(row[c]) for c in ("truth", "low", "high")),
            )
            for row in csv.DictReader(file)
        ]


def main(workers: int) -> None:
    """Calibrate the builds that the file lacks, and add them to it."""
    if not STORED.exists():
        STORED.write_text("design,builds,seed,ref,truth,low,high\n")
    present = {(row.design, row.builds, row.seed) for row in stored()}
    wanted = [(d, b, s) for s in range(BUILDS) for d in CASES for b in DRAWN]
    missing = [key for key in wanted if key not in present]
    with ProcessPoolExecutor(workers) as pool:
        for rows in pool.map(calibrated, *zip(*missing, strict=True), chunksize=4):
            with STORED.open("a") as file:
                for row in rows:
                    numbers = (f"{n:.4f}" for n in (row.truth, row.low, row.high))
                    key = (row.design, row.builds, str(row.seed), row.ref)
                    file.write(",".join([*key, *numbers]) + "\n")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2)
