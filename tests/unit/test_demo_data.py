"""The maker of the demo data still makes what is stored."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from antecurve.pipeline import Design

DEMO = Path(__file__).parents[2] / "data"


@pytest.fixture(scope="module")
def maker() -> ModuleType:
    """The program that makes the folder `data`."""
    spec = importlib.util.spec_from_file_location("demo_maker", DEMO / "make_demo_data.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize(
    ("name", "file"), [("JOB", "bench.toml"), ("BOX", "box.toml"), ("UNIT_B", "unit-b.toml")]
)
def test_jobs_are_those_stored(maker: ModuleType, name: str, file: str) -> None:
    assert getattr(maker, name) == (DEMO / file).read_text(encoding="utf-8")


def test_the_drawer_is_the_one_stored(maker: ModuleType) -> None:
    made = maker.drawer(np.random.default_rng(maker.SEED))
    assert made == (DEMO / "drawer.csv").read_bytes()


def test_a_unit_in_order_makes_a_square_wave(maker: ModuleType, default_design: Design) -> None:
    """Behind ideal playback a square wave is square again: two levels about the offset."""
    made = maker.square_wave(
        default_design.picked.network,
        default_design.job,
        maker.UNITS["unit-a"],
        np.random.default_rng(1),
        frequency_hz=1000.0,
        points=400,
    )
    volts = np.array([float(row.split(",")[1]) for row in made.decode().splitlines()[1:]])
    size = np.abs(volts - 0.02)  # the offset that the maker adds
    # Noise of 4 mV and steps of 8 bits; edges take a few of the points.
    assert np.mean(np.abs(size / np.median(size) - 1.0) < 0.04) > 0.95
