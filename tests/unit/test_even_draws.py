"""Evenly spread numbers against scipy's own Sobol sequence."""

import numpy as np
import pytest
from scipy.stats import qmc

from antecurve.judge.even_draws import even_draws


@pytest.mark.parametrize("columns", [1, 2, 31, 99, 100, 101])
@pytest.mark.parametrize("count", [1, 2, 1024])
def test_numbers_are_those_of_scipy(count: int, columns: int) -> None:
    """By scipy.stats.qmc.Sobol, to the last bit; its table holds Joe and Kuo's directions."""
    scipys = qmc.Sobol(columns, rng=np.random.default_rng(7)).random(count)
    np.testing.assert_array_equal(even_draws(count=count, columns=columns, seed=7), scipys)
