"""Equations that hold for every network with the zeros and poles of a curve.

H = N/D, and N(-1/T) = 0 for each zero T, D(-1/T) = 0 for each pole that the curve prescribes.  At
one s both are affine in each element by itself.  So are they in R, with R C = T, of a parallel
pair, whose impedance is R/(1 + s T), and in C of a series pair, with s C/(1 + s T).  Over a box
such functions lie within the convex hull of what they are at its corners.  Where that hull, of all
equations of two curves together, does not hold 0, the box holds no networks that make both: some
combination of the equations is above 0 in all of it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import numpy as np
from numpy.typing import NDArray

from antecurve.curves.model import zero_pole_gain
from antecurve.pick.structure import shorting_pairs
from antecurve.switched.exact_bounds import ExactModel, Wanted

__all__ = ["ExactRoots", "may_all_be_zero", "reach_by_variable"]

Floats = NDArray[np.float64]

_TURNS = 20  # of a plane: more of them cost as much as the boxes that they exclude
_PARTED = 1e-9  # of the sine of an angle: more than rounding
_ROUNDED = 1e-10  # of the sum of a polynomial's terms: what is less may be of either sign


class ExactRoots:
    """N and D of one position at the zeros and poles of its curve.

    Parameters
    ----------
    model : ExactModel
        The position by its variables.
    wanted : Wanted
        What it has to make.
    pairs : mapping of tuple of int to float
        Zeros [s] that pairs of a resistor and a capacitor make by themselves.
    """

    def __init__(
        self, model: ExactModel, wanted: Wanted, pairs: Mapping[tuple[int, int], float]
    ) -> None:
        self._model = model
        curve = zero_pole_gain(wanted.curve).lowest_terms()
        made = set(pairs.values())
        self._zeros = tuple(t for t in curve.zeros_s if t not in made)
        self._poles = curve.poles_s
        in_series = shorting_pairs(wanted.network.topology)
        affine = (pair[1 if pair in in_series else 0] for pair in pairs)
        self._inverse = [int(model.columns[i]) for i in affine if model.signs[i] < 0.0]

    def at_corners(self, low: Floats, high: Floats) -> list[Floats]:
        """Evaluate at the corners of boxes.

        Parameters
        ----------
        low, high : numpy.ndarray of float, shape (boxes, variables)
            Ends of the boxes, ln of the variables of both positions.

        Returns
        -------
        list of numpy.ndarray of float, shape (boxes, 1 or 2, ...)
            For each root, with an axis for each variable: of 2 where the position has it.
            Divided by the sum of the terms' sizes at one corner; 0 where rounding decides.
        """
        model, own = self._model, self._model.variables
        corners = np.indices((2,) * len(own)).reshape(len(own), -1).astype(bool)
        logs = np.where(corners, high[:, own, None], low[:, own, None]).swapaxes(1, 2)
        logs = logs.reshape(-1, len(own))
        transfer = model.transfer(np.exp(model.elements(logs)))
        factor = np.exp(logs[:, self._inverse].sum(axis=1))  # affine in 1/v: so is v times it in v
        shape = np.ones(low.shape[1], dtype=int)
        shape[own] = 2
        made = []
        for coefficients, times in (
            (transfer.numerator, self._zeros), (transfer.denominator, self._poles),
        ):  # fmt: skip
            for time in times:
                powers = (-1.0 / time) ** np.arange(coefficients.shape[-1])
                at, sizes = coefficients @ powers, coefficients @ np.abs(powers)
                at = np.where(np.abs(at) > _ROUNDED * sizes, at, 0.0) * factor
                made.append(at.reshape(len(low), *shape))
        return made


def may_all_be_zero(equations: Iterable[Floats]) -> NDArray[np.bool_]:
    """Tell in which boxes the equations may all be 0.

    A plane is turned towards the corner that lies furthest behind it, as far as the point of their
    line that is nearest to 0 (Gilbert 1966; Frank and Wolfe 1956).  It need not come to an end: a
    box that no plane was found for is kept.

    Parameters
    ----------
    equations : iterable of numpy.ndarray of float, shape (boxes, 1 or 2, ...)
        Their values at the corners.

    Returns
    -------
    numpy.ndarray of bool, shape (boxes,)
        Whether 0 may lie in the hull of the corners.
    """
    values = np.stack(
        [e.reshape(len(e), -1) / _mean_size(e) for e in np.broadcast_arrays(*equations)], axis=2
    )
    sizes = np.linalg.norm(values, axis=2)
    keep = np.ones(len(values), dtype=bool)
    open_boxes = np.flatnonzero(sizes.min(axis=1) > 0.0)
    values = values[open_boxes] / sizes[open_boxes, :, None]
    normals = values.mean(axis=1)
    for _ in range(_TURNS):
        if not len(open_boxes):
            break
        distance = (values @ normals[:, :, None])[:, :, 0]
        worst = distance.argmin(axis=1)
        box = np.arange(len(open_boxes))
        parted = distance[box, worst] > _PARTED * np.linalg.norm(normals, axis=1)
        keep[open_boxes[parted]] = False
        towards = values[box, worst] - normals
        square = np.maximum((towards * towards).sum(axis=1), np.finfo(float).tiny)
        share = -(normals * towards).sum(axis=1) / square
        normals = normals + np.clip(share, 0.0, 1.0)[:, None] * towards
        values, normals, open_boxes = values[~parted], normals[~parted], open_boxes[~parted]
    return keep


def reach_by_variable(equations: Iterable[Floats]) -> Floats:
    """Sum up how much each variable by itself changes the equations, over their mean sizes.

    Parameters
    ----------
    equations : iterable of numpy.ndarray of float, shape (boxes, 1 or 2, ...)
        Their values at the corners.

    Returns
    -------
    numpy.ndarray of float, shape (boxes, variables)
        The sums.
    """
    return np.asarray(np.sum([_reach(equation) for equation in equations], axis=0))


def _reach(equation: Floats) -> Floats:
    axes = tuple(range(1, equation.ndim))
    changes = [np.abs(np.diff(equation, axis=axis)).sum(axis=axes) for axis in axes]
    means = np.stack(changes, axis=1) / (equation[0].size / 2.0)
    return np.asarray(means / _mean_size(equation))


def _mean_size(equation: Floats) -> Floats:
    """Mean size over the corners, as a column."""
    flat = np.abs(equation).reshape(len(equation), -1)
    return np.asarray(np.maximum(flat.mean(axis=1), np.finfo(float).tiny)[:, None])
