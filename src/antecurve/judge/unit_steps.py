"""The coordinates that a fit steps in: every unit of the model within plain bounds.

Of the squared magnitude of a pair of poles, 1 + A w^2 + B w^4 with A = b^2 - 2 c and B = c^2, a Q
of 10 at most bounds A from below by -1.99 sqrt(B).  That bound is curved, and its corner at 0
holds a descent for good.  Steps are therefore those of A + 1.99 c and of c, both 0 or above.
What is reported, drawn and compared stays in A and B, in which levels are more nearly linear.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.unit_factors import RATE_UNIT, SHARPEST_PAIR
from antecurve.judge.unit_model import UnitModel

__all__ = ["bounds_beside", "from_steps", "step_bounds", "step_slopes", "to_steps", "valley_step"]

Floats = NDArray[np.float64]

_TOGETHER = 0.3
# Of a step of the playback zero, by which that of the poles may differ; others follow no valley.


def _pairs(model: UnitModel) -> list[tuple[int, int]]:
    """Positions of A and B among the coordinates."""
    roles = [p.role for p in model.parameters]
    kinds = ("low", "high") if model.level_only else ("high",)
    return [(roles.index(f"{kind}_1"), roles.index(f"{kind}_2")) for kind in kinds]


def step_bounds(model: UnitModel) -> Floats:
    """Lay out the lowest and highest coordinates of steps.

    Parameters
    ----------
    model : UnitModel
        The model.

    Returns
    -------
    numpy.ndarray of float, shape (2, parameters)
        In the coordinates of `to_steps`.
    """
    limits = np.array([[p.lowest, p.highest] for p in model.parameters]).T
    for _, second in _pairs(model):
        limits[1, second] = math.sqrt(limits[1, second])
    return limits


def bounds_beside(model: UnitModel, coordinates: Floats) -> Floats:
    """Lay out the lowest and highest coordinates of units beside one, of which B is the same.

    Parameters
    ----------
    model : UnitModel
        The model.
    coordinates : numpy.ndarray of float, shape (parameters,)
        The unit.

    Returns
    -------
    numpy.ndarray of float, shape (2, parameters)
        The bounds of the steps, in the unit's own coordinates.
    """
    limits = step_bounds(model)
    for first, second in _pairs(model):
        limits[0, first] = -SHARPEST_PAIR * math.sqrt(max(float(coordinates[second]), 0.0))
        limits[1, second] = limits[1, second] ** 2
    return limits


def to_steps(model: UnitModel, coordinates: Floats) -> Floats:
    """Find the coordinates that a fit steps in.

    Parameters
    ----------
    model : UnitModel
        The model.
    coordinates : numpy.ndarray of float, shape (parameters,)
        The unit.

    Returns
    -------
    numpy.ndarray of float, shape (parameters,)
        The same but for the pairs of poles.
    """
    stepped = coordinates.copy()
    for first, second in _pairs(model):
        stepped[second] = math.sqrt(max(coordinates[second], 0.0))
        stepped[first] = coordinates[first] + SHARPEST_PAIR * stepped[second]
    return stepped


def from_steps(model: UnitModel, stepped: Floats) -> Floats:
    """Find a unit from the coordinates that a fit steps in, the inverse of `to_steps`.

    Parameters
    ----------
    model : UnitModel
        The model.
    stepped : numpy.ndarray of float, shape (parameters,)
        As `to_steps` returns them.

    Returns
    -------
    numpy.ndarray of float, shape (parameters,)
        The unit.
    """
    coordinates = stepped.copy()
    for first, second in _pairs(model):
        coordinates[first] = stepped[first] - SHARPEST_PAIR * stepped[second]
        coordinates[second] = stepped[second] ** 2
    return coordinates


def step_slopes(model: UnitModel, stepped: Floats, jacobian: Floats) -> Floats:
    """Turn derivatives by the unit's coordinates into those by the fit's steps.

    Parameters
    ----------
    model : UnitModel
        The model.
    stepped : numpy.ndarray of float, shape (parameters,)
        As `to_steps` returns them.
    jacobian : numpy.ndarray of float, shape (rows, columns)
        The first columns are those of the unit.

    Returns
    -------
    numpy.ndarray of float, shape (rows, columns)
        Other columns as they are.
    """
    turned = jacobian.copy()
    for first, second in _pairs(model):
        by_square = 2.0 * stepped[second] * jacobian[:, second]
        turned[:, second] = by_square - SHARPEST_PAIR * jacobian[:, first]
    return turned


def valley_step(model: UnitModel, stepped: Floats, step: Floats) -> Floats:
    """Bend a step along the valleys in which poles and zeros trade places.

    What a record shows of a bass shelf of rate r before a low end 1 + a/s + b/s^2 + c/s^3 are the
    coefficients of their product, a + r, b + a r and c + b r.  Of a top it is the sum of powers of
    the squared magnitude, (1 + A w^2 + B w^4)/(1 + L w^2): A - L and B - L (A - L).  A straight
    step holds these to first order; the bent one moves them as the straight one set out to.

    Parameters
    ----------
    model : UnitModel
        The model.
    stepped : numpy.ndarray of float, shape (parameters,)
        Where the step begins.
    step : numpy.ndarray of float, shape (parameters,)
        The straight step; what it holds is held.

    Returns
    -------
    numpy.ndarray of float, shape (parameters,)
        The step to take, which may lead beyond the bounds.
    """
    bent = step.copy()
    if not model.level_only:
        _bend_low_end(model, stepped, step, bent)
    _bend_top(model, stepped, step, bent)
    return bent


def _bend_low_end(model: UnitModel, stepped: Floats, step: Floats, bent: Floats) -> None:
    """Low coefficients beside a bass shelf that moves."""
    roles = [p.role for p in model.parameters]
    shelf = next((roles.index(r) for r in ("shelf", "pole") if r in roles), None)
    if shelf is None or step[shelf] == 0.0:
        return
    before, after = float(stepped[shelf]), float(stepped[shelf] + step[shelf])
    moved = float(step[shelf])
    if roles[shelf] == "pole":
        before, after = math.exp(-before) / RATE_UNIT, math.exp(-after) / RATE_UNIT
        moved *= -before
    # Of the coefficient one power below, 1 for the first: as it was, its step, as it becomes.
    below, below_step, new_below = 1.0, 0.0, 1.0
    for k in (roles.index(role) for role in ("low_1", "low_2", "low_3")):
        if step[k] != 0.0:
            product = stepped[k] + before * below + step[k] + moved * below + before * below_step
            bent[k] = product - after * new_below - stepped[k]
        below, below_step, new_below = stepped[k], step[k], stepped[k] + bent[k]


def _bend_top(model: UnitModel, stepped: Floats, step: Floats, bent: Floats) -> None:
    """The pair of poles beside a playback zero that moves."""
    roles = [p.role for p in model.parameters]
    first, second, lift = (roles.index(role) for role in ("high_1", "high_2", "lift"))
    by_first = step[first] - SHARPEST_PAIR * step[second]
    if step[second] == 0.0 or abs(by_first - step[lift]) >= _TOGETHER * abs(step[lift]):
        return
    root, moved = stepped[second], step[second]
    # B moves in a straight line; away from 0, where its slope is 0, its root does.
    square = root**2 + 2.0 * root * moved + max(moved, 0.0) ** 2
    square += step[lift] * (by_first - step[lift])
    bent[second] = math.sqrt(max(square, 0.0)) - root
    if step[first] != 0.0:
        bent[first] = by_first + SHARPEST_PAIR * bent[second]
