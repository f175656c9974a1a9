"""Planes that part points from 0, against linear programming (scipy, HiGHS)."""

from __future__ import annotations

import numpy as np
from scipy.optimize import linprog

from antecurve.algebra.separation import may_hold_zero


def _distance(points: np.ndarray, rooms: np.ndarray) -> float:
    """Largest least distance from 0 by a plane whose normal has components of 1 at most."""
    count = points.shape[1]
    # A normal is the difference of two that are not negative; their sum bounds its size.
    rows = np.hstack([-(points - rooms), points + rooms, np.ones((len(points), 1))])
    cost = np.append(np.zeros(2 * count), -1.0)
    bounds = [(0.0, 1.0)] * (2 * count) + [(0.0, None)]
    solution = linprog(cost, A_ub=rows, b_ub=np.zeros(len(points)), bounds=bounds)
    return -float(solution.fun)


def test_points_parted_from_0_are_so_by_linear_programming() -> None:
    rng = np.random.default_rng(5)
    points = rng.normal(size=(60, 40, 5)) + rng.uniform(0.0, 2.5, (60, 1, 1))
    points /= np.linalg.norm(points, axis=2, keepdims=True)
    rooms = rng.uniform(0.0, 0.1, (60, 1, 5)) * rng.uniform(size=(60, 40, 5))
    kept = may_hold_zero(points, rooms)
    distance = np.array([_distance(p, r) for p, r in zip(points, rooms, strict=True)])
    assert 15 < np.sum(distance > 1e-3) < 45
    # Linear programming keeps its conditions to 1e-7.
    assert np.all(distance[~kept] > -1e-7)
    assert np.all(~kept[distance > 1e-3])


def test_a_point_at_0_and_points_around_it_are_kept() -> None:
    around = np.array([[1.0, 0.0], [-1.0, 1e-9], [0.0, -1.0]])
    assert may_hold_zero(np.stack([around, np.zeros((3, 2))]), np.zeros((2, 3, 2))).all()
    # Of these a plane parts the points, but not as far as they may be off.
    aside = np.array([[[1.0, 0.1], [-1.0, 0.1]]])
    assert not may_hold_zero(aside, np.zeros_like(aside))[0]
    assert may_hold_zero(aside, np.full_like(aside, 0.11))[0]
