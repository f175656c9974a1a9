"""The study of suspects: seeded units with one fault, simulated, captured, diagnosed and counted.

    nice -n 15 python tests/benchmarks/suspects_study.py [--units 500] [--file RESULTS.csv]

goes on where the file ends, one row a unit; without ``--units`` it only counts.  Each unit is one
of five circuits, answered by ngspice behind a network whose parts are within tolerance, and is
captured by two square waves with hum and 8 bits (`tests/oracle/faulty_units.py`).
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path

import pandas as pd
from scipy.stats import binomtest

ORACLE = Path(__file__).parents[1] / "oracle"
sys.path.insert(0, str(ORACLE))

from faulty_units import CONDITIONS, drawn_trial  # noqa: E402
from playback_units import by_tolerance  # noqa: E402

from antecurve.diagnose.diagnosis import diagnose_unit  # noqa: E402
from antecurve.diagnose.suspect import Suspect  # noqa: E402
from antecurve.diagnose.unit_circuit import UnitCircuit  # noqa: E402
from antecurve.errors import AntecurveError  # noqa: E402
from antecurve.judge.square_wave import SquareWaveCapture  # noqa: E402

RESULTS = Path(__file__).parents[1] / "data" / "suspects_study.csv"
COLUMNS = ("seed", "circuit", "kind", "refs", "good", "unexplained", "ranked", "alike", "error")


def diagnosed(captures: list[SquareWaveCapture], nominal: UnitCircuit) -> dict[str, object]:
    """Diagnose a unit; the columns of the result."""
    try:
        result = diagnose_unit(captures, by_tolerance(), nominal, conditions=CONDITIONS)
    except AntecurveError as error:
        return {"error": str(error)[:120]}
    return columns_of(result.good_probability, result.unexplained_probability, result.suspects)


def columns_of(good: float, unexplained: float, suspects: tuple[Suspect, ...]) -> dict[str, object]:
    """What a diagnosis says, as columns."""
    return {
        "good": round(good, 5),
        "unexplained": round(unexplained, 5),
        "ranked": ";".join(f"{'+'.join(s.refs)}:{s.probability:.4f}" for s in suspects),
        "alike": ";".join("/".join("+".join(a) for a in s.alike) for s in suspects),
    }


def studied(seed: int) -> dict[str, object]:
    """Draw one unit and diagnose it."""
    with tempfile.TemporaryDirectory() as folder:
        unit, captures = drawn_trial(seed, Path(folder))
    drawn = {"seed": seed, "circuit": unit.nominal.title, "kind": unit.kind}
    return drawn | {"refs": "+".join(unit.refs)} | diagnosed(captures, unit.nominal)


def read_rows(path: Path = RESULTS) -> pd.DataFrame:
    """Read the rows as texts, as they stand."""
    return pd.read_csv(path, dtype=str, keep_default_na=False)


def go_on(
    path: Path, columns: tuple[str, ...], units: int, study: Callable[[int], dict[str, object]]
) -> None:
    """Go on where a file of rows ends, one unit after the other."""
    if not path.exists():
        path.write_text(",".join(columns) + "\n")
    for seed in range(len(read_rows(path)), units):
        row = pd.DataFrame([dict.fromkeys(columns, "") | study(seed)], columns=list(columns))
        row.to_csv(path, mode="a", header=False, index=False)


def printed(counts: dict[str, tuple[int, int]]) -> None:
    """Print counts with their 95 % intervals (Clopper and Pearson, Biometrika 26 (1934) 404)."""
    print("| | count | of | share | 95 % interval |\n|---|--:|--:|--:|---|")
    for name, (count, of) in counts.items():
        if of:
            ends = binomtest(count, of).proportion_ci()
            share = f"{count / of:.1%} | {ends.low:.1%} to {ends.high:.1%}"
            print(f"| {name} | {count} | {of} | {share} |")


def counted(rows: pd.DataFrame) -> dict[str, tuple[int, int]]:
    """Count what the study is about: how many, of how many.

    A faulty unit is right at a rank when the suspect there is the true one, or one that no
    capture can tell from it.  What is said of such a group is the sum over it.
    """
    faulty, good = rows[rows.kind != "good"], rows[rows.kind == "good"]
    exact, first, third, stated = [], [], [], []
    for row in faulty.itertuples():
        pairs = [s.rpartition(":") for s in str(row.ranked).split(";")]
        names, chances = [p[0] for p in pairs], [float(p[2] or 0.0) for p in pairs]
        groups = [{n, *a.split("/")} for n, a in zip(names, str(row.alike).split(";"), strict=True)]
        beside = max(float(row.good or 1.0), float(row.unexplained or 1.0))
        called = beside < chances[0]
        right = [row.refs in g for g in groups]
        exact.append(called and names[0] == row.refs)
        first.append(called and right[0])
        third.append(any(right[:3]))
        together = sum(c for n, c in zip(names, chances, strict=True) if n in groups[0])
        stated.append((together, right[0]))
    likely = [is_right for chance, is_right in stated if 0.8 <= chance < 0.95]
    sure = [is_right for chance, is_right in stated if chance >= 0.95]
    called_good = [float(p or 0.0) > 0.5 for p in good.good]
    columns = {
        "true part first, or one alike": first, "true part itself first": exact,
        "within the first three": third, "good unit called good": called_good,
        "true of what is said with 80 to 95 %": likely,
        "true of what is said with 95 % or more": sure,
        "refused": list(rows.error != ""),
    }  # fmt: skip
    return {name: (sum(map(bool, column)), len(column)) for name, column in columns.items()}


def main() -> None:
    """Go on with the study, or count it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--units", type=int, default=0)
    parser.add_argument("--file", type=Path, default=RESULTS)
    given = parser.parse_args()
    go_on(given.file, COLUMNS, given.units, studied)
    printed(counted(read_rows(given.file)))


if __name__ == "__main__":
    main()
