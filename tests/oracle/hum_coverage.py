"""The study of the judge's intervals under hum and drift: 75 simulated units, stored.

Run as a program it judges those that ``tests/data/hum_coverage.csv`` lacks and adds them.

Each unit is captured at 200 Hz and at the low frequency that `clear_frequency` advises, at 8
bits, with hum of 50 or 60 Hz at -50 to -26 dB re the square wave (six lines, their phases anew in
each capture, the mains frequency off by 0.1 %) and an exponential drift of up to 2 % of the swing.

Power.  With n = 75 units and a coverage of 95 % fewer than 66 intervals hold the truth with a
probability of 0.4 % (binomial): alpha of the test of one quantity.  With a coverage of 80 % they
are fewer than 66 with a probability of 95 %: its power.  Of all 375 intervals of constants 349 to
363 hold the truth, 93 to 97 %: were they independent, a coverage of 95 % would be outside with a
probability of 7 %, one of 90 % inside with a probability of 2.5 %.
"""

from __future__ import annotations

import csv
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
from judge_coverage import COLUMNS, Row, results
from playback_units import (
    CONDITIONS,
    Unit,
    by_tolerance,
    drawn_values,
    random_unit,
    square_capture,
)

from antecurve.judge.advice import LOW_SQUARE_HZ, clear_frequency
from antecurve.judge.square_wave import SquareWaveCapture
from antecurve.judge.verdict import Verdict
from antecurve.judge.verdicts import judge_unit

STORED = Path(__file__).parents[1] / "data" / "hum_coverage.csv"
UNITS = 75
LEAST_COVERED = 66
FREQUENCIES_HZ = (200.0, clear_frequency(LOW_SQUARE_HZ))
RELATIVE = np.array([1.0, 0.3, 0.5, 0.15, 0.2, 0.1])  # lines of stray fields and rectifiers


def disturbed(
    clean: SquareWaveCapture,
    rng: np.random.Generator,
    *,
    mains_hz: float,
    levels_v: np.ndarray,
    drift: float = 0.0,
) -> SquareWaveCapture:
    """A record with hum and an exponential drift of a share of its swing, at 8 bits."""
    time, span = clean.time_s, np.ptp(clean.volts)
    volts = clean.volts.copy()
    for multiple, level in enumerate(levels_v, start=1):
        phase = rng.uniform(0, 2 * np.pi)
        volts = volts + level * np.sin(2 * np.pi * multiple * mains_hz * time + phase)
    elapsed = (time - time[0]) / np.ptp(time)
    volts = volts + drift * rng.choice([-1, 1]) * span * np.exp(-elapsed / rng.uniform(0.3, 5.0))
    step = np.ptp(volts) * rng.uniform(1.1, 1.8) / 256
    return SquareWaveCapture(time, np.round(volts / step) * step, name=clean.name)


def judged(seed: int) -> tuple[Unit, float, Verdict]:
    """Draw a unit, a build of the network and its mains, and judge it by tolerances."""
    rng = np.random.default_rng([13, seed])
    unit, values = random_unit(rng), drawn_values(rng)
    nominal = float(rng.choice([50.0, 60.0]))
    mains = nominal * (1 + 0.001 * rng.standard_normal())
    share = 10 ** (rng.uniform(-50, -26) / 20) * RELATIVE * np.exp(rng.normal(0, 0.6, 6))
    clean = [square_capture(unit, rng, values=values, frequency=f, bits=0) for f in FREQUENCIES_HZ]
    levels = share * np.ptp(clean[0].volts) / 2
    captures = [
        disturbed(c, rng, mains_hz=mains, levels_v=levels, drift=rng.uniform(0, 0.02))
        for c in clean
    ]
    return unit, nominal, judge_unit(captures, by_tolerance(), conditions=CONDITIONS)


def told(verdict: Verdict) -> float:
    """The mains frequency that a verdict states flatly; 0 for none."""
    for finding in verdict.findings:
        for mains in (50.0, 60.0):
            if f"hum of {mains:.0f} Hz" in finding:
                return mains
    return 0.0


def _rows(seed: int) -> list[Row]:
    unit, mains, verdict = judged(seed)
    mains_told = told(verdict)
    d, low, high = verdict.deviation, 0.0, 0.0
    truth = unit.deviation_db(d.frequency_hz)
    beyond = float(np.max(np.abs(d.deviation_db - truth) - d.expanded_uncertainty_db))
    whole = ("whole curve beyond its band in dB", 0.0, beyond, low, high)
    return [
        *results(unit, verdict),
        whole,
        ("mains_hz", mains, mains_told, mains_told, mains_told or np.inf),
    ]


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


def main(workers: int) -> None:
    """Judge the units that the file lacks, and add them to it."""
    present = stored() if STORED.exists() else {}
    if not present:
        STORED.write_text(",".join(COLUMNS) + "\n")
    missing = [seed for seed in range(UNITS) if seed not in present]
    with ProcessPoolExecutor(workers) as pool:
        for seed, rows in zip(missing, pool.map(_rows, missing), strict=True):
            with STORED.open("a") as file:
                for name, *numbers in rows:
                    file.write(",".join([str(seed), name, *(f"{n:.9g}" for n in numbers)]) + "\n")


if __name__ == "__main__":
    main(2)
