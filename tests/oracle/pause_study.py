"""Dead zones in square-wave records of few periods and samples: said, left open, or neither.

Run as a program (``python tests/oracle/pause_study.py``) it judges good units from 200 and 23 Hz,
each once without a dead zone and once with one of 10 %.  Where a pass leaves one open it draws
the capture that it names too.  Writes ``tests/data/pause_study.csv`` and prints a table.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import astuple, dataclass, fields
from pathlib import Path

import numpy as np
from playback_units import CONDITIONS, drawn_values, known_exactly
from unfit_units import Defect, dead_zone, unfit_capture
from unit_shapes import BenchSetup, ShapedUnit

from antecurve.judge.conformity import Decision
from antecurve.judge.square_wave import SquareWaveCapture
from antecurve.judge.verdict import Verdict
from antecurve.judge.verdicts import judge_unit
from antecurve.threads import single_threaded_linear_algebra

STORED = Path(__file__).parents[1] / "data" / "pause_study.csv"
PERIODS = (2.3, 2.5, 2.6, 4.3, 8.2)
SAMPLES = (4_000, 6_000, 10_000, 20_000)
SEEDS = 4
ZONE = 0.1
_ADVISED = re.compile(
    r"Capture ([\d.]+) Hz over (\d+) periods at ([\d,]+) samples a second: one of 10 % then shows"
)


@dataclass(frozen=True)
class Row:
    """What verdicts on one unit say: a zone, an open one, another way to a pass.

    ``linear`` and ``zone`` are ``said``, ``open``, ``pass`` or the decision; ``linear_again`` and
    ``zone_again`` are the same with the capture that a pass names, empty where none is named.
    """

    periods: float
    samples: int
    seed: int
    linear: str
    zone: str
    linear_again: str
    zone_again: str


@dataclass(frozen=True)
class _Drawn:
    """A good unit on its bench."""

    unit: ShapedUnit
    values: np.ndarray
    bits: int
    seed: tuple[int, ...]

    def verdict(self, share: float, *squares: tuple[float, float, int]) -> Verdict:
        """Judge it by square waves: frequency [Hz], periods, samples."""
        defect = Defect("dead zone", dead_zone(share)) if share else Defect("linear")
        rng = np.random.default_rng([13, 91, *self.seed])
        captures: list[SquareWaveCapture] = [
            unfit_capture(
                self.unit, defect, BenchSetup(bits=self.bits), rng,
                square_hz=hz, periods=periods, samples=samples, values=self.values,
            )
            for hz, periods, samples in squares
        ]  # fmt: skip
        with single_threaded_linear_algebra():
            return judge_unit(captures, known_exactly(self.values), conditions=CONDITIONS)


def _drawn(*seed: int) -> _Drawn:
    """Constants within half a percent, a top that keeps within the limit."""
    rng = np.random.default_rng([13, 90, *seed])
    off = np.exp(0.005 * rng.standard_normal(3))
    top, high = (
        ("one pole", (10 ** rng.uniform(5.0, 5.6),)),
        ("two poles", tuple(10 ** rng.uniform(5.2, 5.6, 2))),
        ("resonant top", (10 ** rng.uniform(5.1, 5.5), rng.uniform(0.5, 1.0))),
    )[seed[-1] % 3]
    low = (float(rng.uniform(0.5, 2.0)),)
    constants = (3180e-6 * off[0], 318e-6 * off[1], 75e-6 * off[2])
    unit = ShapedUnit(*map(float, constants), "one corner", top, low, high)
    return _Drawn(unit, drawn_values(rng), int(rng.choice([8, 8, 12])), seed)


def said(verdict: Verdict) -> str:
    """What a verdict says of a dead zone."""
    if any("dead zone about zero" in text for text in verdict.findings):
        return "said"
    left_open = verdict.edges or any("pass over the edges" in text for text in verdict.findings)
    return "open" if left_open and verdict.decision is Decision.PASS else verdict.decision.value


def judged(periods: float, samples: int, seed: int) -> Row:
    """Judge a unit with and without a dead zone, and again as advised."""
    slow = (23.0, 4.3, 4000)
    drawn = _drawn(round(10 * periods), samples, seed)
    pair = [drawn.verdict(share, (200.0, periods, samples), slow) for share in (0.0, ZONE)]
    advised = next(filter(None, (_ADVISED.search(v.edges) for v in pair)), None)
    again = ["", ""]
    if advised is not None:
        hz, count, rate = (float(text.replace(",", "")) for text in advised.groups())
        square = (hz, count, round(rate * count / hz))
        again = [said(drawn.verdict(share, square, slow)) for share in (0.0, ZONE)]
    return Row(periods, samples, seed, *map(said, pair), *again)


def stored_rows() -> list[Row]:
    """Read the rows of the study."""
    with STORED.open(newline="", encoding="utf-8") as file:
        lines = list(csv.reader(file))[1:]
    return [Row(float(p), int(n), int(seed), *words) for p, n, seed, *words in lines]


def table(rows: Sequence[Row]) -> str:
    """The counts as a Markdown table."""
    head = (
        "samples", "units", "zone said", "zone left open", "zone missed", "other verdict",
        "linear, said", "linear, left open", "as advised, zone missed", "as advised, linear open",
    )  # fmt: skip
    lines = [f"| {' | '.join(head)} |", "|---" + "|--:" * (len(head) - 1) + "|"]
    for samples in SAMPLES:
        own = [r for r in rows if r.samples == samples]
        zones = [r.zone for r in own]
        again = [r for r in own if r.zone_again]
        counts = (
            len(own),
            zones.count("said"),
            zones.count("open"),
            zones.count("pass"),
            len(own) - sum(zones.count(word) for word in ("said", "open", "pass")),
            sum(r.linear == "said" for r in own),
            sum(r.linear == "open" for r in own),
        )
        missed = sum(r.zone_again == "pass" for r in again), len(again)
        opened = sum(r.linear_again == "open" for r in again), len(again)
        cells = [*map(str, counts), *("{} of {}".format(*pair) for pair in (missed, opened))]
        lines.append(f"| {samples:,} | {' | '.join(cells)} |")
    return "\n".join(lines)


def main() -> None:
    """Judge what the file lacks, store all and print the table."""
    rows = stored_rows() if STORED.exists() else []
    there = {(r.periods, r.samples, r.seed) for r in rows}
    with STORED.open("a", newline="", encoding="utf-8") as file:
        writer = csv.writer(file, lineterminator="\n")
        if not there:
            writer.writerow(f.name for f in fields(Row))
        for samples in SAMPLES:
            for periods in PERIODS:
                for seed in range(SEEDS):
                    if (periods, samples, seed) not in there:
                        rows.append(judged(periods, samples, seed))
                        writer.writerow(astuple(rows[-1]))
                        file.flush()
    print(table(rows))


if __name__ == "__main__":
    main()
