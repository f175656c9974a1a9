"""Equations that hold for every network with the zeros and poles of a curve.

H = N/D, and N(-1/T) = 0 for each zero T, D(-1/T) = 0 for each pole that the curve prescribes.  Of
the lowest coefficients N0 - g D0 = 0 and D1 - S D0 = 0, where the gain constant g and the sum S of
the poles are known within bounds.  All of them are affine in each element by itself.  So are they
in R, with R C = T, of a parallel pair, whose impedance is R/(1 + s T), and in C of a series pair,
with s C/(1 + s T).  What follows of that for boxes of values is in `antecurve.switched.exact_hull`.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from antecurve.curves.model import zero_pole_gain
from antecurve.pick.structure import shorting_pairs
from antecurve.switched.exact_bounds import ExactBounds, ExactModel, Wanted
from antecurve.switched.exact_hull import Corners

__all__ = ["ExactRoots"]

Floats = NDArray[np.float64]

_ROUNDED = 1e-10  # of the sum of a polynomial's terms: what is less may be of either sign


class ExactRoots:
    """N and D of one position at the zeros and poles of its curve, and towards DC.

    Parameters
    ----------
    model : ExactModel
        The position by its variables.
    wanted : Wanted
        What it has to make.
    pairs : mapping of tuple of int to float
        Zeros [s] that pairs of a resistor and a capacitor make by themselves.
    bounds : ExactBounds
        Bounds of its gain constant and of the sum of its poles.
    """

    def __init__(
        self, model: ExactModel, wanted: Wanted, pairs: Mapping[tuple[int, int], float],
        bounds: ExactBounds,
    ) -> None:  # fmt: skip
        self._model, self._bounds = model, bounds
        curve = zero_pole_gain(wanted.curve).lowest_terms()
        made = set(pairs.values())
        self._zeros = tuple(t for t in curve.zeros_s if t not in made)
        self._poles = curve.poles_s
        in_series = shorting_pairs(wanted.network.topology)
        affine = (pair[1 if pair in in_series else 0] for pair in pairs)
        self._inverse = [int(model.columns[i]) for i in affine if model.signs[i] < 0.0]

    def at_corners(self, low: Floats, high: Floats) -> list[Corners]:
        """Evaluate at the corners of boxes.

        Parameters
        ----------
        low, high : numpy.ndarray of float, shape (boxes, variables)
            Ends of the boxes, ln of the variables of all positions.

        Returns
        -------
        list of Corners
            For each root, then for the gain constant and the sum of the poles.
        """
        model, own = self._model, self._model.variables
        corners = np.indices((2,) * len(own)).reshape(len(own), -1).astype(bool)
        logs = np.where(corners, high[:, own, None], low[:, own, None]).swapaxes(1, 2)
        logs = logs.reshape(-1, len(own))
        transfer = model.transfer(np.exp(model.elements(logs)))
        factor = np.exp(logs[:, self._inverse].sum(axis=1))  # affine in 1/v: so is v times it in v
        shape = np.ones(low.shape[1], dtype=int)
        shape[own] = 2

        def within(least: Floats, most: Floats, sizes: Floats) -> Corners:
            ends = (least - _ROUNDED * sizes, most + _ROUNDED * sizes)
            return Corners(*((end * factor).reshape(len(low), *shape) for end in ends))

        made = []
        top, bottom = transfer.numerator, transfer.denominator
        for coefficients, times in ((top, self._zeros), (bottom, self._poles)):
            for time in times:
                powers = (-1.0 / time) ** np.arange(coefficients.shape[-1])
                at = coefficients @ powers
                made.append(within(at, at, coefficients @ np.abs(powers)))
        bounds = self._bounds
        first = bounds.bottoms[0]
        for lowest, (least, most) in (
            (top[:, bounds.tops[0]], bounds.gain_constant),
            (bottom[:, first + 1], bounds.sum_of_poles),
        ):
            beside, sizes = bottom[:, first], lowest + most * bottom[:, first]
            made.append(within(lowest - most * beside, lowest - least * beside, sizes))
        return made
