"""Neighbours of combinations: each once and in order, whatever the number of positions."""

from __future__ import annotations

from itertools import combinations, product

import numpy as np
import pytest

from antecurve.pick.rounding import neighbours_of


@pytest.mark.parametrize("count", [2, 5, 9])
def test_neighbours_are_those_one_away_in_up_to_three_columns(count: int) -> None:
    """Written out one by one; nine columns of 800 are more than an integer of 64 bits counts."""
    sizes = np.full(count, 800)
    sizes[0] = 3
    given = np.random.default_rng(1).integers(0, sizes, (3, count))
    given[1] = given[0]
    given[1, -1] = (given[0, -1] + 1) % 800
    wanted = {tuple(row) for row in given.tolist()}
    for row in given.tolist():
        for columns in combinations(range(count), min(3, count)):
            for steps in product((-1, 0, 1), repeat=len(columns)):
                moved = list(row)
                for column, step in zip(columns, steps, strict=True):
                    moved[column] += step
                if all(0 <= value < size for value, size in zip(moved, sizes, strict=True)):
                    wanted.add(tuple(moved))
    assert [tuple(row) for row in neighbours_of(given, sizes).tolist()] == sorted(wanted)
