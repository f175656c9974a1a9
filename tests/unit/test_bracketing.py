"""Dips of a function of one unknown: found where it may touch 0, left alone far from it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from antecurve.synthesis.bracketing import with_dips

POINTS = np.geomspace(0.5, 2.0, 40)
STEP = math.log(POINTS[1] / POINTS[0])


@pytest.mark.parametrize("power", [0.5, 1.0, 2.0])
@pytest.mark.parametrize("beside", [0.3, 0.45, 0.55])
def test_a_function_that_touches_0_between_points_is_seen_to(power: float, beside: float) -> None:
    tip = math.log(POINTS[20]) + beside * STEP

    def at(x: float) -> float:
        return abs((math.log(x) - tip) / STEP) ** power - 0.05

    values = [at(x) for x in POINTS]
    assert min(values) > 0
    abscissae, ordinates = with_dips(POINTS, values, at)
    assert min(ordinates) < 0
    assert abscissae == sorted(abscissae)


def test_rounding_far_from_0_is_not_looked_into() -> None:
    def at(_: float) -> float:
        raise AssertionError

    values = 1.0 + 1e-9 * np.random.default_rng(1).standard_normal(POINTS.size)
    assert with_dips(POINTS, values, at) == (POINTS.tolist(), values.tolist())
