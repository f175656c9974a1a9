"""Roots between points of different sign, against scipy's Brent."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from scipy.optimize import brentq

from antecurve.algebra.bracketed_root import bracketed_root

FUNCTIONS: dict[str, tuple[Callable[[float], float], float, float]] = {
    "a line": (lambda x: 3.0 * x - 1.0, 0.0, 5.0),
    "a cosine": (lambda x: math.cos(x) - x, 0.0, 1.0),
    "decades away": (lambda x: math.log(x) + 20.0, 1e-12, 1e12),
    "backwards": (lambda x: x**3 - 2.0, 5.0, -5.0),
    "nearly a step": (lambda x: math.atan(1e6 * (x - 0.3)), 0.0, 1.0),
    "flat at the root": (lambda x: (x - 0.7) ** 9, 0.0, 1.0),
    "a root of many roots": (lambda x: math.sin(x), 1.0, 10.0),
    "small numbers": (lambda x: x - 3e-12, 0.0, 1e-9),
}


@pytest.mark.parametrize("name", FUNCTIONS)
def test_a_root_is_that_of_brent(name: str) -> None:
    function, first, second = FUNCTIONS[name]
    calls = []

    def counted(x: float) -> float:
        calls.append(x)
        return function(x)

    root = bracketed_root(counted, first=first, second=second)
    if name == "a root of many roots":
        assert math.sin(root) == pytest.approx(0.0, abs=1e-11)
    elif name == "flat at the root":
        assert function(root) == pytest.approx(0.0, abs=1e-30)
    else:
        other = brentq(function, *sorted((first, second)), xtol=1e-300, rtol=1e-12)
        assert root == pytest.approx(other, rel=3e-12)
    assert len(calls) < 120


def test_an_end_may_be_the_root() -> None:
    assert bracketed_root(lambda x: x - 2.0, first=2.0, second=3.0) == 2.0
    assert bracketed_root(lambda x: x - 3.0, first=2.0, second=3.0) == 3.0


def test_one_sign_is_refused() -> None:
    with pytest.raises(ValueError, match="one sign"):
        bracketed_root(lambda x: x * x + 1.0, first=-1.0, second=2.0)
