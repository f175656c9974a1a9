"""Functions that are affine in each variable by itself, over boxes: where may all of them be 0?

Over a box such functions lie within the convex hull of what they are at its corners.  Where that
hull, of all functions together, does not hold 0, they have no root in common there: some
combination of them is above 0 in all of the box.  A combination that hangs on one variable alone,
but for a little, tells where that may lie (as interval methods of Newton's kind do; Moore, Kearfott
and Cloud, Introduction to Interval Analysis, SIAM 2009, chapter 8).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["Corners", "Hull"]

Floats = NDArray[np.float64]

_TURNS = 20  # of a plane: more of them cost as much as the boxes that they exclude
_PARTED = 1e-9  # of the sine of an angle: more than rounding
_SPARE = 1e-9  # of a combination's terms, and of a box: more than rounding
_ALIKE = 1e-4  # of singular values: combinations that would blow rounding up are left out


@dataclass(frozen=True, slots=True, eq=False)
class Corners:
    """Bounds of one function at the corners of boxes.

    Attributes
    ----------
    low, high : numpy.ndarray of float, shape (boxes, 1 or 2, ...)
        With an axis for each variable: of 2 where the function has it.
    """

    low: Floats
    high: Floats


class Hull:
    """Several functions at the corners of boxes, each over its mean size.

    Parameters
    ----------
    functions : sequence of Corners
        The functions.
    """

    def __init__(self, functions: Sequence[Corners]) -> None:
        ends = []
        sizes = [_mean_size(function) for function in functions]
        for of_all in ([f.low for f in functions], [f.high for f in functions]):
            flat = (end.reshape(len(end), -1) for end in np.broadcast_arrays(*of_all))
            ends.append(np.stack([e / s for e, s in zip(flat, sizes, strict=True)], axis=2))
        low, high = ends
        self._values, self._rooms = (low + high) / 2.0, (high - low) / 2.0
        count = functions[0].low.ndim - 1
        self._signs = 2.0 * np.indices((2,) * count).reshape(count, -1).T - 1.0
        self._slopes = np.swapaxes(self._values, 1, 2) @ self._signs / len(self._signs)
        straight = self._signs @ np.swapaxes(self._slopes, 1, 2)
        straight += self._values.mean(axis=1, keepdims=True)
        self._bent = self._values - straight

    def may_hold_zero(self) -> NDArray[np.bool_]:
        """Tell in which boxes the functions may all be 0.

        A plane is turned towards the corner that lies furthest behind it, as far as the point of
        their line that is nearest to 0 (Gilbert 1966; Frank and Wolfe 1956).  It need not come to
        an end: a box that no plane was found for is kept.

        Returns
        -------
        numpy.ndarray of bool, shape (boxes,)
            Whether 0 may lie in the hull of the corners.
        """
        sizes = np.linalg.norm(self._values, axis=2, keepdims=True)
        sizes = np.maximum(sizes, np.finfo(float).tiny)
        values, rooms = self._values / sizes, self._rooms / sizes
        keep = np.ones(len(values), dtype=bool)
        open_boxes = np.arange(len(values))
        normals = values.mean(axis=1)
        for _ in range(_TURNS):
            if not len(open_boxes):
                break
            distance = values @ normals[:, :, None] - rooms @ np.abs(normals)[:, :, None]
            box, worst = np.arange(len(open_boxes)), distance[:, :, 0].argmin(axis=1)
            furthest = distance[box, worst, 0]
            parted = furthest > _PARTED * np.linalg.norm(normals, axis=1)
            keep[open_boxes[parted]] = False
            towards = values[box, worst] - np.sign(normals) * rooms[box, worst] - normals
            square = np.maximum((towards * towards).sum(axis=1), np.finfo(float).tiny)
            share = -(normals * towards).sum(axis=1) / square
            normals = normals + np.clip(share, 0.0, 1.0)[:, None] * towards
            values, rooms, normals, open_boxes = (
                a[~parted] for a in (values, rooms, normals, open_boxes)
            )
        return keep

    def narrowed(self, low: Floats, high: Floats) -> tuple[Floats, Floats, NDArray[np.bool_]]:
        """Narrow boxes to where combinations of the functions may be 0.

        Parameters
        ----------
        low, high : numpy.ndarray of float, shape (boxes, variables)
            Ends of the boxes, ln of the variables.

        Returns
        -------
        low, high : numpy.ndarray of float, shape (boxes, variables)
            What may be left of them.
        keep : numpy.ndarray of bool, shape (boxes,)
            In which of them anything is left.
        """
        weights = 1.0 / (np.abs(self._bent).mean(axis=1) + self._rooms.mean(axis=1) + _SPARE)
        weights /= weights.max(axis=1, keepdims=True)
        combined = np.linalg.pinv(self._slopes * weights[:, :, None], rcond=_ALIKE)
        combined = np.swapaxes(combined * weights[:, None, :], 1, 2)  # functions by variables
        values = self._values @ combined
        rooms = (self._rooms + _SPARE * np.abs(self._values)) @ np.abs(combined)
        begin, end = np.zeros_like(low), np.ones_like(low)
        for variable in range(low.shape[1]):
            at_low = self._signs[:, variable] < 0.0
            for line in (
                values[:, :, variable] - rooms[:, :, variable],
                -values[:, :, variable] - rooms[:, :, variable],
            ):
                first, last = _not_above_zero(line[:, at_low], line[:, ~at_low])
                begin[:, variable] = np.maximum(begin[:, variable], first)
                end[:, variable] = np.minimum(end[:, variable], last)
        keep = np.all(begin <= end + _SPARE, axis=1)
        begin, end = np.clip(begin - _SPARE, 0.0, 1.0), np.clip(end + _SPARE, 0.0, 1.0)
        one, two = np.exp(low), np.exp(high)
        new_low, new_high = (np.log(one + share * (two - one)) for share in (begin, end))
        return np.maximum(low, new_low), np.minimum(high, new_high), keep

    def moved_by_variable(self) -> Floats:
        """Tell along which variable halving helps most.

        Returns
        -------
        numpy.ndarray of float, shape (boxes, variables)
            How far the functions change with each, times how far they are from affine for it.
            Either alone takes up to three times the boxes, of networks whose other does the work.
        """
        sums = []
        for variable in range(self._signs.shape[1]):
            shape = (len(self._bent), 2**variable, 2, -1, self._bent.shape[2])
            sides = self._bent.reshape(shape)
            sums.append(np.abs(sides[:, :, 1] - sides[:, :, 0]).mean(axis=(1, 2)).sum(axis=1))
        return np.asarray(np.stack(sums, axis=1) * np.abs(self._slopes).sum(axis=1))


def _not_above_zero(one: Floats, two: Floats) -> tuple[Floats, Floats]:
    """Shares of a way on which the lowest of some lines is 0 or below: the first and the last.

    The lines go from one to two, of shape (boxes, lines); the first is beyond the last where none
    comes to 0.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        crossing = one / (one - two)
    falling, rising = (
        np.where(two <= 0.0, crossing, np.inf),
        np.where(one <= 0.0, crossing, -np.inf),
    )
    first = np.where((one > 0.0).all(axis=1), falling.min(axis=1), 0.0)
    last = np.where((two > 0.0).all(axis=1), rising.max(axis=1), 1.0)
    return first, last


def _mean_size(function: Corners) -> Floats:
    """Mean size over the corners, as a column."""
    ends = (np.abs(end).reshape(len(end), -1) for end in (function.low, function.high))
    mean = np.maximum(*ends).mean(axis=1)
    return np.asarray(np.maximum(mean, np.finfo(float).tiny)[:, None])
