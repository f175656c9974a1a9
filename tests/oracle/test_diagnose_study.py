"""The stored study of suspects: units with one fault, simulated by ngspice, at 8 bits with hum.

`tests/benchmarks/suspects_study.py` made the rows and goes on with them.  Of so few units a share
is known to within its 95 % interval (Clopper and Pearson, Biometrika 26 (1934) 404): a share fails
when all of that lies below what is wanted.  Of 100 units and a wanted share of 90 %, a true share
of 80 % fails in 9 of 10 studies.
"""

from __future__ import annotations

import importlib.util
from pathlib import Path

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


@pytest.fixture(scope="module")
def counts() -> dict[str, tuple[int, int]]:
    path = TESTS / "benchmarks" / "suspects_study.py"
    spec = importlib.util.spec_from_file_location("suspects_study", path)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    counted: dict[str, tuple[int, int]] = module.counted(module.read_rows())
    return counted


@pytest.mark.parametrize("name", WANTED)
def test_shares_reach_what_is_wanted(name: str, counts: dict[str, tuple[int, int]]) -> None:
    count, of = counts[name]
    if of:
        assert binomtest(count, of).proportion_ci().high >= WANTED[name]


def test_no_unit_is_refused(counts: dict[str, tuple[int, int]]) -> None:
    refused, units = counts["refused"]
    assert units >= 80 and refused == 0
