"""Results stay what they were when they were pinned; see `pins`."""

from __future__ import annotations

import os
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
import pins

WITHIN = {"verdicts": 0.05}
"""The ends of a verdict's intervals come from draws along eigenvectors whose signs rounding
decides, and from a search that ends within 1 %: other processors move them by up to 3 %."""


# Of the jobs some in each run; before a change of structure all: ``ANTECURVE_LONG_FORM=1``.
GROUPS = [
    pytest.param(group, marks=[pytest.mark.sweep(4)] if group in pins.JOBS else [])
    for group in pins.GROUPS
]


@pytest.mark.parametrize("group", GROUPS)
def test_results_are_as_pinned(group: str, tmp_path: Path) -> None:
    every_byte = os.environ.get("ANTECURVE_PINS") == "bytes"
    names = set()
    for name, text in pins.group_results(group, tmp_path):
        pinned = (pins.PINNED / group / name).read_text(encoding="utf-8")
        difference = pins.alike(text, pinned, within=WITHIN.get(group, 1e-9))
        assert not difference, f"{group}/{name}: {difference}"
        if every_byte:
            assert pins.settled(text) == pinned, f"{group}/{name}"
        names.add(name)
    assert names == {p.name for p in (pins.PINNED / group).iterdir()}
