"""Whether 0 lies in the convex hull of points, many sets of points at a time.

A plane through 0 with all points on one side of it parts them from 0.  Such planes are looked for
by the least of

.. math:: f(n) = \\ln \\sum_c \\exp(-n \\cdot v_c)

over normals n, with points v_c of unit length, by Newton's method: f falls without end where there
is a plane, as -f is within a constant of the least distance n.v_c.  A plane counts by its distances
alone, so that whatever the steps do is harmless.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

__all__ = ["may_hold_zero"]

Floats = NDArray[np.float64]

_TURNS = 25  # by trial: more of them part few sets more
_BACKWARDS = 4  # times that a step is quartered before a set is given up
_DESCENT = 1e-3  # of what the slope promises: less is no descent
_GAIN = 1e-4  # of f: a set that gains less is near its least, and has no plane
_PARTED = 1e-9  # of a normal: more than rounding
_BEND = 0.02  # of the largest: where the sizes of components are taken as round
_RIDGE = 1e-10  # of a Hessian's trace: keeps it invertible
_TINY = 1e-14  # likewise, where all weight is on one point


def may_hold_zero(points: Floats, rooms: Floats) -> NDArray[np.bool_]:
    """Tell of which sets the convex hull may hold 0.

    Parameters
    ----------
    points : numpy.ndarray of float, shape (sets, points, dimensions)
        The points.
    rooms : numpy.ndarray of float, shape (sets, points, dimensions)
        How far each may be off, 0 or greater.

    Returns
    -------
    numpy.ndarray of bool, shape (sets,)
        False where a plane parts all points from 0.  True tells nothing: a plane may not have been
        found.
    """
    keep = np.ones(len(points), dtype=bool)
    sets = np.arange(len(points))
    sizes = np.maximum(np.linalg.norm(points, axis=2, keepdims=True), np.finfo(float).tiny)
    v, rooms = points / sizes, rooms / sizes
    unit = np.eye(points.shape[2])
    moments = np.swapaxes(v, 1, 2) @ v / v.shape[1]
    normals = np.linalg.solve(moments + _PARTED * unit, v.mean(axis=1)[:, :, None])[:, :, 0]
    distances, shares, values = _fallen(v, rooms, normals)
    for _ in range(_TURNS):
        parted = distances.min(axis=1) > _PARTED * np.abs(normals).sum(axis=1)
        keep[sets[parted]] = False
        if parted.all():
            break
        v, rooms, normals, shares, values, sets = (
            a[~parted] for a in (v, rooms, normals, shares, values, sets)
        )
        step, slope = _newton_step(v, rooms, normals, shares, unit)
        normals, distances, shares, new_values, fell = _moved(
            v, rooms, normals, step, values, slope
        )
        stay = fell & (values - new_values > _GAIN)
        v, rooms, normals, distances, shares, values, sets = (
            a[stay] for a in (v, rooms, normals, distances, shares, new_values, sets)
        )
        if not len(sets):
            break
    return keep


def _fallen(v: Floats, rooms: Floats, normals: Floats) -> tuple[Floats, Floats, Floats]:
    """Least distances of all points from planes, their shares of the sum, and f."""
    distances = (v @ normals[:, :, None] - rooms @ np.abs(normals)[:, :, None])[:, :, 0]
    least = distances.min(axis=1, keepdims=True)
    shares = np.exp(least - distances)
    total = shares.sum(axis=1, keepdims=True)
    return distances, shares / total, (np.log(total) - least)[:, 0]


def _newton_step(
    v: Floats, rooms: Floats, normals: Floats, shares: Floats, unit: Floats
) -> tuple[Floats, Floats]:
    """The step of Newton's method, and the slope of f along it."""
    bend = _BEND * np.abs(normals).max(axis=1, keepdims=True) + _TINY
    rounded = np.sqrt(normals**2 + bend**2)
    v = v - (normals / rounded)[:, None, :] * rooms
    weighted = shares[:, :, None] * v
    gradient = -weighted.sum(axis=1)
    hessian = np.swapaxes(weighted, 1, 2) @ v - gradient[:, :, None] * gradient[:, None, :]
    spare = (shares[:, None, :] @ rooms)[:, 0, :] * bend**2 / rounded**3
    hessian = hessian + spare[:, :, None] * unit
    ridge = _RIDGE * np.trace(hessian, axis1=1, axis2=2) + _TINY
    step = -np.linalg.solve(hessian + ridge[:, None, None] * unit, gradient[:, :, None])[:, :, 0]
    return step, (step * gradient).sum(axis=1)


def _moved(
    v: Floats, rooms: Floats, normals: Floats, step: Floats, values: Floats, slope: Floats
) -> tuple[Floats, Floats, Floats, Floats, NDArray[np.bool_]]:
    """Planes after a step that is shortened until f falls; and of which sets it does."""
    distances, shares, new_values = _fallen(v, rooms, normals + step)
    length = np.ones(len(v))
    high = ~(new_values <= values + _DESCENT * slope)
    for _ in range(_BACKWARDS):
        if not high.any():
            break
        length[high] /= 4.0
        shorter = normals[high] + length[high, None] * step[high]
        distances[high], shares[high], new_values[high] = _fallen(v[high], rooms[high], shorter)
        high = ~(new_values <= values + _DESCENT * length * slope)
    return normals + length[:, None] * step, distances, shares, new_values, ~high
