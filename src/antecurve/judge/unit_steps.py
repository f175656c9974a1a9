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

from antecurve.judge.unit_factors import SHARPEST_PAIR
from antecurve.judge.unit_model import UnitModel

__all__ = ["bounds_beside", "from_steps", "step_bounds", "step_slopes", "to_steps"]

Floats = NDArray[np.float64]


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
    turned = jacobian.copy(order="K")
    for first, second in _pairs(model):
        by_square = 2.0 * stepped[second] * jacobian[:, second]
        turned[:, second] = by_square - SHARPEST_PAIR * jacobian[:, first]
    return turned
