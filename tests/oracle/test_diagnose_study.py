"""The stored study of suspects: units with one fault, simulated by ngspice, at 8 bits with hum.

`tests/benchmarks/suspects_study.py` made the rows and goes on with them.  Of so few units a share
is known to within its 95 % interval (Clopper and Pearson, Biometrika 26 (1934) 404): a share fails
when all of that lies below what is wanted.  Of 100 units and a wanted share of 90 %, a true share
of 80 % fails in 9 of 10 studies.
"""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest
from scipy.stats import binomtest

TESTS = Path(__file__).parents[1]
WANTED = {
    "true part first, or one alike": 0.90,
    "within the first three": 0.98,
    "good unit called good": 0.95,
    "true of what is said with 80 to 95 %": 0.75,
    "true of what is said with 95 % or more": 0.95,
}


def study(name: str) -> ModuleType:
    """One of the studies, which are programs."""
    path = TESTS / "benchmarks" / f"{name}.py"
    spec = importlib.util.spec_from_file_location(name, path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def counts() -> dict[str, tuple[int, int]]:
    module = study("suspects_study")
    counted: dict[str, tuple[int, int]] = module.counted(module.read_rows())
    return counted


@pytest.mark.parametrize("name", WANTED)
def test_shares_reach_what_is_wanted(name: str, counts: dict[str, tuple[int, int]]) -> None:
    count, of = counts[name]
    if of:
        assert binomtest(count, of).proportion_ci().high >= WANTED[name]


def test_hardly_a_unit_is_refused(counts: dict[str, tuple[int, int]]) -> None:
    """One of 500 is: its captures are said to be of two units.  More than 1 % is a defect."""
    refused, units = counts["refused"]
    assert units >= 500 and refused <= 0.01 * units


def test_probabilities_are_what_they_say() -> None:
    """Of what is said with 80 to 95 %, 75 to 98 % is true; of the rest its own share, or nearly.

    Units are drawn by the stated priors, their responses known to 0.1 to 5 %
    (`tests/benchmarks/suspects_calibration.py`).
    """
    study("suspects_study")
    module = study("suspects_calibration")
    counts = module.counted(module.read_rows(module.NODES_RESULTS))
    count, of = counts["said with 80% to 95%"]
    # Of 40, a true share of 55 % comes to 75 % or more in 1 study of 100.
    assert of >= 40 and 0.75 <= count / of <= 0.98
    for name, (low, high) in {
        "said with 5% to 20%": (0.05, 0.20),
        "said with 20% to 50%": (0.20, 0.50),
        "said with 50% to 80%": (0.50, 0.80),
        "said with 95% to 100%": (0.95, 1.0),
    }.items():
        ends = binomtest(*counts[name]).proportion_ci(confidence_level=0.99)
        assert ends.low <= high and ends.high >= low
