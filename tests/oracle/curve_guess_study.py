"""The study of guessed curves: how often what is said with so much probability is true.

    python tests/oracle/curve_guess_study.py [--units 3000] [--sweeps 100]

Run as a program it guesses for the units that ``tests/data/curve_guess_study.csv`` lacks, adds
them and prints the counts.  Each unit is drawn from its number alone, by what the guess states as
its priors: any curve of the catalogue, time constants off by 5 % (one standard deviation), ends
that do what corners of 5 Hz and 100 kHz do, and 0.15 dB beside.  The response of most is known to
0.01 to 2 dB an octave, so that curves which are nearly alike stay in doubt.  Some are judged whole:
through a build of the network by a sweep of few points that errs by 0.01 to 0.5 dB.
"""

from __future__ import annotations

import argparse
import csv
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from playback_units import CONDITIONS, CURVE, by_tolerance, drawn_values, network_polynomials
from scipy import signal
from scipy.stats import binomtest

from antecurve.curves.catalogue import catalogue
from antecurve.curves.model import Curve, level_db
from antecurve.judge.curve_guess import guess_unit_curve, ranked_curves
from antecurve.judge.deviation import Deviation
from antecurve.judge.sweep import SweepCapture
from antecurve.threads import single_threaded_linear_algebra

Floats = NDArray[np.float64]
STORED = Path(__file__).parents[1] / "data" / "curve_guess_study.csv"
UNITS, SWEEPS = 3000, 100
COLUMNS = ("seen", "unit", "error_db", "truth", "said", "probability", "true", "fits")
RESPONSE, SWEEP = "response", "sweep"
RANGES = ((0.0, 0.5), (0.5, 0.8), (0.8, 0.95), (0.95, 0.99), (0.99, 1.0 + 1e-12))
WANTED = (0.8, 0.95)
OF_CONSTANT, BESIDE_DB = 0.05, 0.15  # as the guess states them
Case = tuple[str, int]
Row = tuple[str, int, float, str, str, float, bool, bool]


def playback_polynomials(
    curve: Curve, rng: np.random.Generator, *, spread: float, corners_hz: tuple[float, float]
) -> tuple[Floats, Floats]:
    """Numerator and denominator of playback between two corners, its constants off at random."""
    low, high = corners_hz
    top, bottom = np.array([1.0, 0.0]), np.polymul([1.0, 2 * np.pi * low], [0.5 / np.pi / high, 1])
    for time in curve.poles_s:
        top = np.polymul(top, [time * np.exp(spread * rng.standard_normal()), 1.0])
    for time in curve.zeros_s:
        bottom = np.polymul(bottom, [time * np.exp(spread * rng.standard_normal()), 1.0])
    top = np.polymul(top, [1.0] + [0.0] * curve.poles_at_origin)
    return top, np.polymul(bottom, [1.0] + [0.0] * curve.zeros_at_origin)


def sweep_of(
    playback: tuple[Floats, Floats],
    rng: np.random.Generator,
    *,
    points: int = 61,
    noise_db: float = 0.02,
) -> SweepCapture:
    """Levels from 20 Hz to 20 kHz through a build of the network and the unit."""
    frequency = np.geomspace(20, 20e3, points)
    network = network_polynomials(drawn_values(rng))
    top, bottom = (np.polymul(*both) for both in zip(network, playback, strict=True))
    _, through = signal.freqs(top, bottom, 2 * np.pi * frequency)
    level = 20 * np.log10(np.abs(through)) + noise_db * rng.standard_normal(points)
    return SweepCapture(frequency, level)


def drawn_unit(rng: np.random.Generator) -> tuple[Curve, tuple[Floats, Floats]]:
    """Draw a curve and a unit set to it."""
    curve = catalogue()[rng.integers(len(catalogue()))]
    # A corner's effect on the level goes with the square of its distance.
    low, high = 5.0 * np.sqrt(np.abs(rng.standard_normal(2)))
    corners = (low + 0.1, 5.0 * 100e3 / (high + 0.1))
    return curve, playback_polynomials(curve, rng, spread=OF_CONSTANT, corners_hz=corners)


def known_response(playback: tuple[Floats, Floats], rng: np.random.Generator) -> Deviation:
    """The deviation of a unit, with errors of their own at each of ten octaves."""
    nodes, frequency = np.geomspace(20, 20e3, 11), np.geomspace(20, 20e3, 121)
    standard = 10 ** rng.uniform(-2.0, 0.3)
    _, response = signal.freqs(*playback, 2 * np.pi * frequency)
    level = 20 * np.log10(np.abs(response)) + level_db(CURVE, frequency, published=True)
    errors = np.hypot(standard, BESIDE_DB) * rng.standard_normal(nodes.size)
    level = level + np.interp(np.log(frequency), np.log(nodes), errors)
    reach = np.full(frequency.size, 2.0 * standard)
    return Deviation(frequency, level, reach, 0.0 * reach, reach)


def guessed(case: Case) -> Row:
    """Draw a unit and guess what it is set to."""
    seen, number = case
    rng = np.random.default_rng([19, (RESPONSE, SWEEP).index(seen), number])
    curve, playback = drawn_unit(rng)
    if seen == RESPONSE:
        deviation = known_response(playback, rng)
        error_db = float(deviation.expanded_uncertainty_db[0]) / 2.0
        guess = ranked_curves(deviation, CURVE)
    else:
        points, error_db = int(rng.integers(8, 32)), float(10 ** rng.uniform(-2.0, -0.3))
        sweep = sweep_of(playback, rng, points=points, noise_db=error_db)
        with single_threaded_linear_algebra():
            guess = guess_unit_curve(sweep, by_tolerance(), conditions=CONDITIONS)
    best = guess.ranked[0]
    return (
        seen, number, error_db, curve.name, best.names[0], best.probability,
        curve.name in best.names, guess.fits,
    )  # fmt: skip


def stored() -> list[Row]:
    """Read the stored guesses."""
    if not STORED.exists():
        return []
    with STORED.open(newline="", encoding="utf-8") as file:
        return [
            (seen, int(n), float(error), truth, said, float(p), right == "1", fits == "1")
            for seen, n, error, truth, said, p, right, fits in list(csv.reader(file))[1:]
        ]


def run(units: int, sweeps: int) -> None:
    """Guess for the units that the file lacks and add them to it."""
    known = {row[:2] for row in stored()}
    every = [(RESPONSE, n) for n in range(units)] + [(SWEEP, n) for n in range(sweeps)]
    with STORED.open("a", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        if not known:
            writer.writerow(COLUMNS)
        for case in every:
            if case not in known:
                seen, n, error, truth, said, probability, right, fits = guessed(case)
                cells = (seen, n, f"{error:.4g}", truth, said, f"{probability:.6f}")
                writer.writerow((*cells, int(right), int(fits)))
                file.flush()


def counts(rows: list[Row], low: float, high: float) -> tuple[int, int]:
    """Count the guesses said with a probability from one to the other that are true, and all."""
    right = [row[6] for row in rows if low <= row[5] < high]
    return sum(right), len(right)


def table(rows: list[Row]) -> str:
    """The counts as a Markdown table."""
    lines = ["| said | true | of | share | 95 % interval |", "|---|--:|--:|--:|---|"]
    for low, high in RANGES:
        right, total = counts(rows, low, high)
        if total:
            ends = binomtest(right, total).proportion_ci(method="exact")
            said = f"{100 * low:.0f} to {100 * min(high, 1.0):.0f} %"
            lines.append(
                f"| {said} | {right} | {total} | {right / total:.1%} | "
                f"{ends.low:.1%} to {ends.high:.1%} |"
            )
    refused = sum(not row[7] for row in rows)
    return "\n".join([*lines, "", f"Called one that no curve fits: {refused} of {len(rows)}"])


def main() -> None:
    """Guess what is missing and print the table."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--units", type=int, default=UNITS)
    options.add_argument("--sweeps", type=int, default=SWEEPS)
    given = options.parse_args()
    run(given.units, given.sweeps)
    for seen in (RESPONSE, SWEEP):
        print(f"By {seen}:\n\n{table([row for row in stored() if row[0] == seen])}\n")


if __name__ == "__main__":
    main()
