"""Shared fixtures: the default design is made once."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from antecurve.pipeline import Design, design
from antecurve.job import default_job

DATA = Path(__file__).parent / "data"
sys.path.insert(0, str(Path(__file__).parent / "oracle"))


@pytest.fixture(scope="session")
def default_design() -> Design:
    return design(default_job())
