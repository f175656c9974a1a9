"""The study of what probabilities of suspects are worth: of what is said with 80 to 95 %, how much
is true.

    nice -n 15 python tests/benchmarks/suspects_calibration.py [--nodes] [--units 300]

goes on where the file of rows ends.  Units are drawn by the stated priors: good, one fault, two;
those whose faults are seen at once are left out.  One capture alone, of few points and with noise,
leaves doubts: 200 or 23 Hz, 400 to 4,000 points, noise of 0.5 to 10 % of the span.  With
``--nodes`` the response itself is known at frequencies of 15 Hz to 100 kHz, to within 0.1 to 5 %:
the ranking by itself, which takes a tenth of the time.
"""

from __future__ import annotations

import argparse
import itertools
import math
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from suspects_study import columns_of, diagnosed, go_on, printed, read_rows

# isort: split
from faulty_units import CIRCUITS, SQUARES_HZ, captured
from playback_units import LOADING, drawn_values
from scipy.optimize import lsq_linear
from unit_circuits import HIGHEST_HZ, LOWEST_HZ

from antecurve.diagnose.hypotheses import (
    PRIOR_GOOD,
    PRIOR_ONE,
    PRIOR_TWO,
    FaultKind,
    Hypothesis,
    single_faults,
)
from antecurve.diagnose.information import real_columns
from antecurve.diagnose.nodal import Drive, NodalModel, ideal_drive, nodal_model
from antecurve.diagnose.ranking import Ranker
from antecurve.diagnose.suspects import suspects_of
from antecurve.diagnose.telling_apart import ideal_information
from antecurve.diagnose.weighing import weigh
from antecurve.quantities import DB_PER_NEPER
from antecurve.threads import single_threaded_linear_algebra

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

DATA = Path(__file__).parents[1] / "data"
RESULTS, NODES_RESULTS = DATA / "suspects_calibration.csv", DATA / "suspects_nodes.csv"
NODES = np.geomspace(15.0, 1e5, 46)
COLUMNS = (
    "seed", "circuit", "kind", "refs", "hidden", "square_hz",
    "points", "noise", "good", "unexplained", "ranked", "alike", "error",
)  # fmt: skip
BAND = np.geomspace(20.0, 20e3, 31)
SEEN_DB = 1.5
"""Rms of what good parts do not imitate: more is seen in any capture, and leaves no doubt."""
HIDDEN_DB = 0.01
"""Rms of what good parts do not imitate, the phase counted: less shows in no capture."""


@dataclass(frozen=True)
class Drawn:
    """A unit drawn by the priors."""

    model: NodalModel
    values: Floats
    kind: str
    refs: tuple[str, ...]
    hidden: bool


def within_tolerance(model: NodalModel, rng: np.random.Generator) -> Floats:
    """Values of a good unit."""
    tolerance = np.array([q.tolerance for q in model.quantities])
    return model.nominal * (1.0 + tolerance * rng.uniform(-1.0, 1.0, tolerance.size))


def faulty(model: NodalModel, good: Floats, fault: Hypothesis, rng: np.random.Generator) -> Floats:
    """The same with a fault, its free value by its prior; a wrong part scatters as a good one."""
    values = good.copy()
    for port, value in fault.fixed:
        values[port] = value * good[port] / model.nominal[port]
    for free in fault.free:
        values[free.port] = free.usual * math.exp(free.spread * rng.standard_normal())
    return values


def drawn_faults(model: NodalModel, rng: np.random.Generator) -> tuple[Hypothesis, ...]:
    """None, one or two faults, by their priors."""
    weights = np.array([PRIOR_GOOD, PRIOR_ONE, PRIOR_TWO])
    count = rng.choice(3, p=weights / weights.sum())
    singles = single_faults(model)
    shares = np.exp([h.log_prior for h in singles])
    first = singles[rng.choice(len(singles), p=shares / shares.sum())]
    if count < 2:
        return (first,)[:count]
    others = [h for h in singles if h.kind is FaultKind.VALUE and not set(h.refs) & set(first.refs)]
    return first, others[rng.integers(len(others))]


def change_of(model: NodalModel, values: Floats) -> Complex:
    """Level and phase over the band against the nominal circuit, both in dB of a neper."""
    response = model.response(np.array([values, model.nominal]), ideal_drive(BAND))
    with np.errstate(divide="ignore"):
        change = np.log(response[0] / response[1])
    return DB_PER_NEPER * (change.real + 1j * np.unwrap(change.imag, period=math.pi))


def not_imitated_db(model: NodalModel, change: Complex, *, phase: bool) -> float:
    """Rms of what good parts, each anywhere within its tolerance, leave of a change [dB].

    Square waves show the phase as well: what bends no level over the band may tilt their tops.
    """
    used = [k for k, q in enumerate(model.quantities) if q.tolerance and 0 < abs(q.nominal) < 1e30]
    slopes = DB_PER_NEPER * model.solved(ideal_drive(BAND)).slopes[used]
    columns = np.vstack([slopes, np.ones(BAND.size)])
    rows = real_columns(columns) if phase else columns.real
    reach = np.append([model.quantities[k].tolerance for k in used], 1e3)
    fit = lsq_linear(rows.T, real_columns(change) if phase else change.real, (-reach, reach))
    return float(np.sqrt(np.mean(fit.fun**2)))


def drawn_unit(rng: np.random.Generator) -> Drawn:
    """Draw units of a circuit until one is not seen at once."""
    model = nodal_model(CIRCUITS[rng.integers(len(CIRCUITS))])
    while True:
        values, faults = within_tolerance(model, rng), drawn_faults(model, rng)
        for fault in faults:
            values = faulty(model, values, fault, rng)
        change = change_of(model, values)
        if np.all(np.isfinite(change)) and not_imitated_db(model, change, phase=False) < SEEN_DB:
            refs = tuple(sorted({r for f in faults for r in f.refs}))
            kind = "+".join(f.kind.value for f in faults) or "good"
            hidden = not_imitated_db(model, change, phase=True) < HIDDEN_DB
            return Drawn(model, values, kind, refs, hidden)


def network_drive(frequency: Floats, values: Floats) -> Drive:
    """One build of the network as an EMF behind an impedance: its arm, and R4 to ground."""
    r1, c1, r2, c2, r3, r4 = values
    s = 2j * np.pi * frequency
    arm = LOADING.source_resistance + r1 / (1.0 + s * r1 * c1) + r2 / (1.0 + s * r2 * c2) + r3
    return Drive(frequency, 1.0 / arm, 1.0 / arm + 1.0 / r4)


def studied(seed: int) -> dict[str, object]:
    """Draw one unit and diagnose it."""
    rng = np.random.default_rng([seed, 19])
    unit, network = drawn_unit(rng), drawn_values(rng)
    bench = {
        "square_hz": float(rng.choice(SQUARES_HZ)),
        "points": round(10 ** rng.uniform(math.log10(400), math.log10(4000))),
        "noise": round(10 ** rng.uniform(math.log10(0.005), -1.0), 4),
    }
    frequency = np.geomspace(LOWEST_HZ, HIGHEST_HZ, 150 * round(math.log10(HIGHEST_HZ / LOWEST_HZ)))
    response = unit.model.response(unit.values, network_drive(frequency, network))
    capture = captured(frequency, response, rng, **bench)
    return drawn_columns(seed, unit) | bench | diagnosed([capture], unit.model.circuit)


def drawn_columns(seed: int, unit: Drawn) -> dict[str, object]:
    """What was drawn."""
    refs = "+".join(unit.refs)
    title = unit.model.circuit.title
    return {"seed": seed, "circuit": title, "kind": unit.kind, "refs": refs, "hidden": unit.hidden}


def studied_at_nodes(seed: int) -> dict[str, object]:
    """Draw one unit whose response is known at nodes, and rank what may be wrong with it."""
    rng = np.random.default_rng([seed, 46])
    unit = drawn_unit(rng)
    noise = round(10 ** rng.uniform(-3.0, math.log10(0.05)), 5)
    drive = ideal_drive(NODES)
    error = rng.standard_normal((2, NODES.size)) * noise
    response = np.log(unit.model.response(unit.values, drive)) + error[0] + 1j * error[1]
    information = ideal_information(response, NODES, deviation=noise)
    with single_threaded_linear_algebra():
        ranker = Ranker(unit.model.solved(drive), information, drive)
        good, unexplained, suspects, *_ = suspects_of(
            weigh(ranker, single_faults(unit.model)), (20.0, 20e3)
        )
    said = columns_of(good, unexplained, suspects)
    return drawn_columns(seed, unit) | {"noise": noise} | said


def statements(rows: pd.DataFrame) -> list[tuple[float, bool]]:
    """Each statement of each diagnosis: its probability, and whether it is true.

    The unit is good, or what is off does not show; these parts, or parts that no capture tells
    from them, are at fault.
    """
    said = []
    for row in rows[rows.error == ""].itertuples():
        good = row.kind == "good" or row.hidden == "True"
        said.append((float(row.good), good))
        pairs = [s.rpartition(":") for s in str(row.ranked).split(";") if s]
        names, chances = [p[0] for p in pairs], [float(p[2]) for p in pairs]
        alike = str(row.alike).split(";")
        told: set[str] = set()
        for name, others in zip(names, alike, strict=False):
            group = {name, *others.split("/")}
            if name not in told:
                told |= group
                share = sum(c for n, c in zip(names, chances, strict=True) if n in group)
                said.append((share, row.refs in group))
    return said


def counted(rows: pd.DataFrame) -> dict[str, tuple[int, int]]:
    """Count what is true of what is said, by its probability."""
    edges = (0.05, 0.2, 0.5, 0.8, 0.95, 1.01)
    said = statements(rows)
    counts = {}
    for low, high in itertools.pairwise(edges):
        true = [t for p, t in said if low <= p < high]
        counts[f"said with {low:.0%} to {min(high, 1.0):.0%}"] = (sum(true), len(true))
    return counts


def main() -> None:
    """Go on with the study, or count it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--units", type=int, default=0)
    parser.add_argument("--nodes", action="store_true")
    given = parser.parse_args()
    path, study = (NODES_RESULTS, studied_at_nodes) if given.nodes else (RESULTS, studied)
    go_on(path, COLUMNS, given.units, study)
    printed(counted(read_rows(path)))


if __name__ == "__main__":
    main()
