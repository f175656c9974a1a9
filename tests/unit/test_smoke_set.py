"""The tests that are run with the lowest and newest versions are there."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).parents[2]


def test_every_test_of_the_smoke_set_is_there() -> None:
    named = re.findall(r"(tests/[\w/]+\.py)(?:::(\w+))?", (ROOT / ".ci" / "versions").read_text())
    assert len(named) >= 4
    missing = [
        f"{path}::{test}"
        for path, test in named
        if f"def {test}" not in (ROOT / path).read_text(encoding="utf-8")
    ]
    assert missing == []
