"""Shared fixtures: the default design is made once."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from antecurve.job import default_job
from antecurve.pipeline import Design, design

DATA = Path(__file__).parent / "data"
for _folder in ("oracle", "cli"):  # helpers that stand beside the tests
    sys.path.insert(0, str(Path(__file__).parent / _folder))


@pytest.fixture(scope="session")
def default_design() -> Design:
    return design(default_job())
