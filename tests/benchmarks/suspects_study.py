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
from pathlib import Path

import numpy as np
import pandas as pd

ORACLE = Path(__file__).parents[1] / "oracle"
sys.path.insert(0, str(ORACLE))

from faulty_units import CONDITIONS, drawn_trial  # noqa: E402
from playback_units import by_tolerance  # noqa: E402

from antecurve.diagnose.diagnosis import diagnose_unit  # noqa: E402
from antecurve.errors import AntecurveError  # noqa: E402

RESULTS = Path(__file__).parents[1] / "data" / "suspects_study.csv"
COLUMNS = ("seed", "circuit", "kind", "refs", "good", "unexplained", "ranked", "alike", "error")


def diagnosed(seed: int) -> dict[str, object]:
    """Draw one unit and diagnose it."""
    with tempfile.TemporaryDirectory() as folder:
        unit, captures = drawn_trial(seed, Path(folder))
    row: dict[str, object] = dict.fromkeys(COLUMNS, "")
    row |= {"seed": seed, "circuit": unit.nominal.title, "kind": unit.kind,
            "refs": "+".join(unit.refs)}  # fmt: skip
    try:
        result = diagnose_unit(captures, by_tolerance(), unit.nominal, conditions=CONDITIONS)
    except AntecurveError as error:
        return row | {"error": str(error)[:120]}
    suspects = result.suspects
    return row | {
        "good": round(result.good_probability, 5),
        "unexplained": round(result.unexplained_probability, 5),
        "ranked": ";".join(f"{'+'.join(s.refs)}:{s.probability:.4f}" for s in suspects),
        "alike": ";".join("/".join("+".join(a) for a in s.alike) for s in suspects),
    }


def counted(rows: pd.DataFrame) -> dict[str, float]:
    """Count what the study is about.

    A faulty unit is right at a rank when the suspect there is the true one, or one that no
    capture can tell from it.
    """
    rows = rows.fillna("")
    faulty, good = rows[rows.kind != "good"], rows[rows.kind == "good"]
    exact, first, third, stated = [], [], [], []
    for row in faulty.itertuples():
        names = [s.rpartition(":")[0] for s in str(row.ranked).split(";")]
        chances = [float(s.rpartition(":")[2] or 0.0) for s in str(row.ranked).split(";")]
        groups = [{n, *a.split("/")} for n, a in zip(names, str(row.alike).split(";"), strict=True)]
        called = row.good == "" or max(float(row.good), float(row.unexplained)) < chances[0]
        right = [row.refs in g for g in groups]
        exact.append(called and names[0] == row.refs)
        first.append(called and right[0])
        third.append(any(right[:3]))
        # What is said of a group that can't be told apart is the sum over it.
        together = sum(c for n, c in zip(names, chances, strict=True) if n in groups[0])
        stated.append((together, right[0]))
    chance, true = np.array(stated, dtype=float).reshape(-1, 2).T
    within = (chance >= 0.8) & (chance < 0.95)
    return {
        "units": len(rows), "faulty": len(faulty), "good": len(good),
        "refused": int((rows.error != "").sum()),
        "first or alike": float(np.mean(first)), "first exactly": float(np.mean(exact)),
        "within three": float(np.mean(third)),
        "good called good": float((good.good.astype(float) > 0.5).mean()),
        "said 80 to 95 %": int(within.sum()), "true of these": float(true[within].mean()),
        "said 95 % or more": int((chance >= 0.95).sum()),
        "true of those": float(true[chance >= 0.95].mean()),
    }  # fmt: skip


def main() -> None:
    """Go on with the study, or count it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--units", type=int, default=0)
    parser.add_argument("--file", type=Path, default=RESULTS)
    given = parser.parse_args()
    if not given.file.exists():
        given.file.write_text(",".join(COLUMNS) + "\n")
    done = len(pd.read_csv(given.file))
    for seed in range(done, given.units):
        row = pd.DataFrame([diagnosed(seed)], columns=list(COLUMNS))
        row.to_csv(given.file, mode="a", header=False, index=False)
    for name, value in counted(pd.read_csv(given.file)).items():
        print(f"{name:>18}: {value:.4g}")


if __name__ == "__main__":
    main()
