"""Which tests of the suite run: as many as are asked for, each in its turn."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pytest

from long_form import ONE_IN, kept


@dataclass(frozen=True, eq=False)
class Case:
    """What is asked of a collected test."""

    nodeid: str
    mark: Any = None

    def get_closest_marker(self, name: str) -> Any:
        return self.mark if self.mark is not None and self.mark.name == name else None


PLAIN = [Case(f"tests/a.py::test_plain[{k}]") for k in range(3)]
SWEEP = [Case(f"tests/a.py::test_sweep[{k}]", pytest.mark.sweep(2).mark) for k in range(6)]
SELDOM = [
    Case(f"tests/b.py::test_seldom_{k}[{case}]", pytest.mark.seldom.mark)
    for k in range(7)
    for case in "xy"
]


def names(seed: int | None) -> set[str]:
    return {case.nodeid for case in kept([*PLAIN, *SWEEP, *SELDOM], seed)}  # type: ignore[list-item,attr-defined]


@pytest.mark.parametrize("seed", [None, 1, 2])
def test_as_many_run_as_are_asked_for(seed: int | None) -> None:
    chosen = names(seed)
    assert chosen >= {case.nodeid for case in PLAIN}
    assert sum("sweep" in name for name in chosen) == 2
    # Of seven tests a fifth, rounded up, each with all its cases.
    assert sum("seldom" in name for name in chosen) == 2 * -(-7 // ONE_IN)
    assert names(seed) == chosen  # every worker chooses the same


def test_each_runs_in_its_turn() -> None:
    """Two of seven are drawn: that forty seeds miss one of them has a chance of 1e-5."""
    every = set().union(*(names(seed) for seed in range(40)))
    assert every == {case.nodeid for case in (*PLAIN, *SWEEP, *SELDOM)}
