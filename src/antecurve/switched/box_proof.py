"""Proof that no values make several curves: a box of values, halved until every part is excluded.

The logarithms of the values that are free span a box.  In every part either bounds exclude one of
the curves (`antecurve.switched.exact_bounds`) or equations exclude all at once
(`antecurve.switched.exact_roots`).  What remains is halved along a variable with which the
equations both change and bend.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Mapping
from itertools import product

import numpy as np
from numpy.typing import NDArray

from antecurve.curves.model import FLAT
from antecurve.switched.exact_bounds import ExactBounds, ExactModel, Wanted
from antecurve.switched.exact_hull import Hull
from antecurve.switched.exact_roots import ExactRoots

__all__ = ["NothingInCommon", "Ranges"]

Floats = NDArray[np.float64]
Ranges = Mapping[object, tuple[float, float]]
Pairs = tuple[dict[tuple[int, int], float], ...]
_Steps = Generator[tuple[int, float], None, bool]
"""Boxes that each step takes and the share of the space that it excludes; whether it is a proof."""

_BATCH = 2**14  # corners of boxes at a time: goes nearly depth first
_MOST_VARIABLES = 10  # of more the corners are too many
_HEAVY = 6  # variables: boxes of more count by their corners
_LEAST_SHARE = 1e-9  # of the space: of less nothing is expected
_NARROW = 1e-3  # of a logarithm: a box that is left so narrow holds values for all curves


class NothingInCommon:
    """A proof under way that no values make all of some curves: each turn goes on with the last.

    Parameters
    ----------
    positions : tuple of Wanted
        What positions of the switch have to make.
    switched : frozenset of str
        Positions of the network that may have a value of their own in each.
    ranges : mapping of ElementKind to tuple of float
        ln of the least and the largest value.
    fixed : bool
        Whether the form says which pair makes which zero.

    Attributes
    ----------
    proved : bool
        Whether there are no such values.
    ended : bool
        Whether there is nothing left to look into: proved, or nothing will prove it.
    bounded : int
        Boxes so far; those of many variables count by their corners.
    share : float
        Which part of the space is excluded.
    """

    def __init__(
        self, positions: tuple[Wanted, ...], switched: frozenset[str], ranges: Ranges, *,
        fixed: bool,
    ) -> None:  # fmt: skip
        self.proved = self.ended = False
        self.bounded, self.share = 0, 0.0
        self._steps = _in_every_pairing(positions, switched, ranges, fixed=fixed)

    @property
    def expected(self) -> float:
        """How many boxes more it takes if they exclude as much each as those so far."""
        return self.bounded * (1.0 / max(self.share, _LEAST_SHARE) - 1.0)

    def advance(self, most: int) -> bool:
        """Go on until there is a proof or the boxes are as many as they may be.

        Parameters
        ----------
        most : int
            Boxes, those of earlier turns among them.

        Returns
        -------
        bool
            Whether there is a proof.
        """
        while not self.ended and self.bounded < most:
            try:
                bounded, share = next(self._steps)
            except StopIteration as done:
                self.proved, self.ended = bool(done.value), True
            else:
                self.bounded += bounded
                self.share += share
        return self.proved


def _in_every_pairing(
    positions: tuple[Wanted, ...], switched: frozenset[str], ranges: Ranges, *, fixed: bool
) -> _Steps:
    """Look for values with the zeros made by any pairs.

    Nothing is proved for flat curves, and where the zeros of the networks are not known.
    """
    if any(not w.zeros_s or w.curve.name == FLAT for w in positions):
        return False
    every = list(product(*(wanted.paired(fixed=fixed) for wanted in positions)))
    for pairs in every:
        if not (yield from _halved(positions, pairs, switched, ranges, 1.0 / len(every))):
            return False
    return True


def _halved(
    positions: tuple[Wanted, ...], pairs: Pairs, switched: frozenset[str], ranges: Ranges,
    whole: float,
) -> _Steps:  # fmt: skip
    """Exclude every box with the zeros made by certain pairs, which is a share of the space."""
    models, low, high = _variables(positions, pairs, switched, ranges)
    if np.any(low > high):
        return True
    if len(low) > _MOST_VARIABLES:
        return False
    batch = _BATCH >> len(low)
    try:
        bounds = [ExactBounds(m, w) for m, w in zip(models, positions, strict=True)]
    except ValueError:
        return False
    roots = [ExactRoots(*each) for each in zip(models, positions, pairs, bounds, strict=True)]
    stack = [(low[None], high[None], whole)]
    while stack:
        low, high, share = stack.pop()  # the share of each box
        if len(low) > batch:
            stack.append((low[batch:], high[batch:], share))
            low, high = low[:batch], high[:batch]
        count, weight = len(low), 1 << max(low.shape[1] - _HEAVY, 0)
        for model, bound in zip(models, bounds, strict=True):
            low, high = model.narrowed(low, high)
            own = model.variables
            keep = bound(*model.element_ends(low[:, own], high[:, own]))
            low, high = low[keep], high[keep]
        if not len(low):
            yield weight * count, share * count
            continue
        hull = Hull([corners for of_one in roots for corners in of_one.at_corners(low, high)])
        axis = hull.moved_by_variable().argmax(axis=1)
        low, high, keep = hull.narrowed(low, high)
        keep &= hull.may_hold_zero()
        low, high, axis = low[keep], high[keep], axis[keep]
        if np.any((high - low).max(axis=1) < _NARROW):
            return False
        yield weight * count, share * (count - len(low))
        if len(low):
            stack.append((*_halves(low, high, axis), share / 2.0))
    return True


def _halves(low: Floats, high: Floats, axis: NDArray[np.int64]) -> tuple[Floats, Floats]:
    """Boxes halved along an axis of each."""
    box = np.arange(len(low))
    middle = (low[box, axis] + high[box, axis]) / 2.0
    lower, upper = low.copy(), high.copy()
    lower[box, axis], upper[box, axis] = middle, middle
    return np.concatenate([low, lower]), np.concatenate([upper, high])


def _variables(
    positions: tuple[Wanted, ...], pairs: tuple[dict[tuple[int, int], float], ...],
    switched: frozenset[str], ranges: Ranges,
) -> tuple[list[ExactModel], Floats, Floats]:  # fmt: skip
    """The positions by the logarithms that remain, and the box of these."""
    number: dict[tuple[str, str], int] = {}
    models, ends = [], []
    for wanted, products in zip(positions, pairs, strict=True):
        refs = [e.ref for e in wanted.elements]
        signs, shifts = np.ones(len(refs)), np.zeros(len(refs))
        told_by = list(refs)
        for (resistor, capacitor), time in products.items():
            follows, leads = capacitor, resistor
            if refs[resistor] in switched and refs[capacitor] not in switched:
                follows, leads = resistor, capacitor
            signs[follows], shifts[follows] = -1.0, math.log(time)
            told_by[follows] = refs[leads]
        keys = [(ref, wanted.name if ref in switched else "") for ref in told_by]
        columns_of = [number.setdefault(key, len(number)) for key in keys]
        variables = sorted(set(columns_of))
        columns = np.array([variables.index(c) for c in columns_of])
        models.append(ExactModel(wanted, columns, signs, shifts, np.array(variables)))
        for element, sign, shift, column in zip(
            wanted.elements, signs, shifts, columns_of, strict=True
        ):
            ends.append((column, sorted(float(sign * (x - shift)) for x in ranges[element.kind])))
    low, high = np.full(len(number), -math.inf), np.full(len(number), math.inf)
    for column, (least, most) in ends:
        low[column], high[column] = max(low[column], least), min(high[column], most)
    return models, low, high
