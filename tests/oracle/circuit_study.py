"""The study of verdicts on units answered by ngspice, a general circuit simulator: sixty, stored.

The truth is the simulator's own response of the unit alone.  The network's parts are drawn within
their tolerances and measured with a 0.25 % meter; the records have 8 bits.  Run as a program it
judges all of them again and rewrites ``tests/data/circuit_verdicts.csv``.
"""

from __future__ import annotations

import csv
import tempfile
from concurrent.futures import ProcessPoolExecutor
from dataclasses import astuple, dataclass, fields
from pathlib import Path

import numpy as np
from playback_units import CONDITIONS, LOADING, TOPOLOGY, drawn_values, picked_network
from unit_circuits import (
    Circuit,
    deviation_db,
    feedback_stage,
    recorded,
    simulated_response,
    square_of_response,
    two_stage_passive,
    valve_stage,
)

from antecurve.analysis.as_built import MeterAccuracy, measured_network
from antecurve.judge.network_estimate import estimate_by_tolerance
from antecurve.judge.square_wave import SquareWaveCapture
from antecurve.judge.verdicts import judge_unit

STORED = Path(__file__).parents[1] / "data" / "circuit_verdicts.csv"
ARRANGEMENTS = ("two-stage passive", "feedback", "valve-like")
UNITS = 20  # of each arrangement
METER = 0.0025


@dataclass(frozen=True)
class Judged:
    """A verdict beside the truth.

    Attributes
    ----------
    arrangement, seed
        What was drawn.
    decision
        The verdict's.
    truth_db
        Largest true deviation [dB].
    worst_db, uncertainty_db
        Largest deviation as judged, with its expanded uncertainty [dB].
    beyond_db
        How far the curve as judged is outside its band, at most; below 0 inside [dB].
    """

    arrangement: str
    seed: int
    decision: str
    truth_db: float
    worst_db: float
    uncertainty_db: float
    beyond_db: float


def drawn_circuit(rng: np.random.Generator, arrangement: str) -> Circuit:
    """A unit with parts of 1 or 5 %, and in one of four a part that is 10 to 30 % off."""
    if arrangement == "two-stage passive":
        circuit = two_stage_passive(
            low_corners_hz=(rng.uniform(0.5, 5.0), rng.uniform(0.5, 5.0)),
            high_corner_hz=10 ** rng.uniform(5.0, 5.7),
        )
    elif arrangement == "feedback":
        circuit = feedback_stage(
            gain=10 ** rng.uniform(1.3, 2.3), low_corner_hz=rng.uniform(0.3, 5.0)
        )
    else:
        circuit = valve_stage(
            low_corners_hz=(0.3, rng.uniform(0.5, 6.0), rng.uniform(0.5, 6.0)),
            miller=rng.uniform(50e-12, 200e-12),
        )
    tolerance = rng.choice([0.01, 0.05])
    parts = {k: v * (1 + tolerance * rng.uniform(-1, 1)) for k, v in circuit.parts.items()}
    if rng.uniform() < 0.25:
        wrong = str(rng.choice([k for k in parts if k in ("r1", "r2", "r3", "c1", "c2")]))
        parts[wrong] *= 1 + rng.choice([-1, 1]) * rng.uniform(0.1, 0.3)
    return circuit.changed(**parts)


def capture(
    frequency: np.ndarray, response: np.ndarray, rng: np.random.Generator, *, square_hz: float
) -> SquareWaveCapture:
    """4.3 periods in 5,000 samples."""
    time = (np.arange(5000) / 5000 * 4.3 + rng.uniform()) / square_hz
    clean = square_of_response(frequency, response, square_hz=square_hz, time=time)
    return recorded(clean, rng, time=time - time[0], name=f"square at {square_hz:.0f} Hz")


def judged(seed: int, arrangement: str) -> Judged:
    """Draw a unit, a build and two records, and judge them."""
    rng = np.random.default_rng([60, seed])
    circuit, values = drawn_circuit(rng, arrangement), drawn_values(rng)
    with tempfile.TemporaryDirectory() as folder:
        frequency, response = simulated_response(circuit, values, Path(folder))
        alone = simulated_response(circuit, None, Path(folder))
    captures = [
        capture(frequency, response, rng, square_hz=f * (1 + rng.uniform(-0.002, 0.002)))
        for f in (200.0, 23.0)
    ]
    read = {
        ref: value * (1 + METER * rng.uniform(-1, 1))
        for ref, value in zip(TOPOLOGY.refs, values, strict=True)
    }
    picked = measured_network(picked_network(), read, meter=MeterAccuracy(METER, METER))
    network = estimate_by_tolerance(picked, loading=LOADING)
    verdict = judge_unit(captures, network, conditions=CONDITIONS)
    deviation = verdict.deviation
    truth = deviation_db(*alone, deviation.frequency_hz)
    beyond = np.abs(deviation.deviation_db - truth) - deviation.expanded_uncertainty_db
    return Judged(
        arrangement,
        seed,
        verdict.decision.value,
        float(np.abs(truth).max()),
        verdict.deviation_db,
        verdict.expanded_uncertainty_db,
        float(beyond.max()),
    )


def stored() -> list[Judged]:
    """Read the stored verdicts."""
    with STORED.open(newline="") as file:
        return [
            Judged(row["arrangement"], int(row["seed"]), row["decision"],
                   *(float(row[field.name]) for field in fields(Judged)[3:]))
            for row in csv.DictReader(file)
        ]  # fmt: skip


def main() -> None:
    """Judge all units, on all cores, and write the file."""
    arrangements = [name for name in ARRANGEMENTS for _ in range(UNITS)]
    seeds = [*range(UNITS)] * len(ARRANGEMENTS)
    with ProcessPoolExecutor() as pool, STORED.open("w", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(field.name for field in fields(Judged))
        for one in pool.map(judged, seeds, arrangements):
            writer.writerow(f"{v:.9g}" if isinstance(v, float) else v for v in astuple(one))


if __name__ == "__main__":
    main()
