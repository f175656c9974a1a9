"""Integrals of normal densities against quadrature and a library's distribution."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from antecurve.diagnose.normal_mass import REACH, log_bounded, log_mass


@pytest.mark.parametrize(("low", "high"), [(-1.0, 2.0), (3.0, 3.5), (-9.0, -8.0), (20.0, 21.0)])
def test_mass_between_ends_is_the_librarys(low: float, high: float) -> None:
    # Either tail by the survival function, which keeps its digits there.
    tail = norm.sf if low > 0.0 else norm.cdf
    exact = math.log(abs(tail(high) - tail(low)))
    assert log_mass(np.array(low), np.array(high)) == pytest.approx(exact, rel=1e-9)


def test_mass_without_ends_is_one() -> None:
    assert log_mass(np.array(-np.inf), np.array(np.inf)) == 0.0


@pytest.mark.parametrize("centre", [0.0, 0.8, -1.9, 4.0])
@pytest.mark.parametrize("deviation", [0.05, 0.4, 0.95])
def test_a_bounded_part_is_the_ratio_of_densities(centre: float, deviation: float) -> None:
    def ratio(part: float) -> float:
        uniform = 1.0 / (2.0 * REACH)
        return float(norm.pdf(part, centre, deviation) * uniform / norm.pdf(part))

    # Of a narrow posterior the integral is all near its middle, or near the end next to it.
    near = min(max(centre, -REACH), REACH)
    total = quad(ratio, -REACH, REACH, points=[near], limit=400, epsabs=0.0, epsrel=1e-8)[0]
    if total > 0.0:
        told = float(log_bounded(np.array(centre), np.array(deviation)))
        assert told == pytest.approx(math.log(total), abs=1e-6)


def test_a_part_of_which_nothing_is_told_changes_nothing() -> None:
    assert log_bounded(np.array(0.1), np.array(1.0)) == 0.0
