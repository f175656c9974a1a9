"""Boxes that hold every network within the limit of one curve, and how boxes are cut and halved.

Boxes are excluded by what is monotone in the values, then by near-affine rows
(`antecurve.switched.limit_bounds`), and halved until their sides are so short that tangents tell.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.pick.affine import AffineBound, exclude_and_contract, parted
from antecurve.switched.limit_bounds import FAR, RELATIVE, LimitBounds

__all__ = ["Cover", "cover_of", "halves", "joined", "narrowed", "parted_boxes", "with_pole"]

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]
Ends = tuple[Floats, Floats]

_ROUGH, _FINE = 0.8, 0.24  # widths of a cover, by trial: narrower boxes join with fewer others
_MOST_OF_COVER = 4000  # boxes: of more a cover stays as wide as it is
_MOST_ROUGH = 150_000  # a second; limits below half a decibel take a tenth of it
_WIDEST = 2.0  # of a side, where it is weighed against others


@dataclass(frozen=True, slots=True, eq=False)
class Cover:
    """Boxes that hold every network of one curve within the limit.

    Attributes
    ----------
    low, high : numpy.ndarray of float, shape (boxes, variables)
        Ends; the resistor across the output is 1, and is part of the one in series.
    """

    low: Floats
    high: Floats


def cover_of(bounds: LimitBounds, resistors: tuple[int, int]) -> Cover:
    """Cover all networks of one curve within the limit.

    Parameters
    ----------
    bounds : LimitBounds
        The curve.
    resistors : tuple of int
        Places of the resistors that take source and load.

    Returns
    -------
    Cover
        Some hundred boxes; none where no network keeps the limit.

    Raises
    ------
    ValueError
        When the limit is so wide that the boxes would be too many.
    """
    low, high = np.full((2, 1, bounds.count), [[[-FAR]], [[FAR]]])
    series, shunt = resistors
    low[:, shunt] = high[:, shunt] = RELATIVE
    low[:, series] = 0.0
    low, high = _roughly(bounds, low, high)
    if bounds.poles is not None:
        low, high = with_pole(bounds.poles, low, high)
    return _refined(bounds, low, high)


def _roughly(bounds: LimitBounds, low: Floats, high: Floats) -> Ends:
    """Exclude and halve boxes of elements until their sides are short enough for tangents."""
    kept, tested = [(low[:0], high[:0])], 0
    while len(low):
        tested += len(low)
        if tested > _MOST_ROUGH:
            raise ValueError("the limit leaves too many values for a proof")
        keep = bounds.may_hold(low, high, shift=RELATIVE)
        low, high = low[keep], high[keep]
        sides = high - low
        small = sides.max(axis=1, initial=0.0) < _ROUGH
        kept.append((low[small], high[small]))
        low, high = halves(low[~small], high[~small], sides[~small].argmax(axis=1))
    return joined(kept)


def with_pole(poles: tuple[float, float], low: Floats, high: Floats) -> Ends:
    """Add the range of a free ultrasonic pole to boxes, as one more variable.

    Parameters
    ----------
    poles : tuple of float
        The range [s].
    low, high : numpy.ndarray of float, shape (boxes, elements)
        Ends of the boxes.

    Returns
    -------
    tuple of numpy.ndarray of float, shape (boxes, elements + 1)
        Their ends with it.
    """
    least, most = np.log(poles)
    return np.insert(low, low.shape[1], least, axis=1), np.insert(high, high.shape[1], most, axis=1)


def _refined(bounds: LimitBounds, low: Floats, high: Floats) -> Cover:
    """Exclude and halve the boxes of a cover until their sides are short."""
    kept, bounded = [(low[:0], high[:0])], 0
    while len(low):
        bounded += len(low)
        _, low, high = narrowed(bounds, low, high, shift=RELATIVE)
        told = bounds.rows(low, high, shift=RELATIVE)
        offset = np.full((len(low), told.rows.shape[1], 1), bounds.offset)
        offset[:, -1] = 0.0
        columns = np.concatenate([told.columns, offset], axis=2)
        keep, worth = parted_boxes(told.rows, told.noise, columns, told.loss)
        low, high, worth = low[keep], high[keep], worth[keep]
        sides = (high - low)[:, : bounds.count]
        weighed = np.where(sides > 1.0, _WIDEST * worth[:, : bounds.count], sides)
        small = weighed.max(axis=1, initial=0.0) < _FINE
        if bounded > _MOST_OF_COVER:
            small[:] = True
        kept.append((low[small], high[small]))
        low, high = halves(low[~small], high[~small], weighed[~small].argmax(axis=1))
    return Cover(*joined(kept))


def narrowed(
    bounds: LimitBounds, low: Floats, high: Floats, *, shift: float
) -> tuple[Indices, Floats, Floats]:
    """Narrow boxes of one curve by its own bounds.

    Parameters
    ----------
    bounds : LimitBounds
        The curve.
    low, high : numpy.ndarray of float, shape (boxes, variables)
        Ends of the boxes.
    shift : float
        ln of the factor on the resistor across the output.

    Returns
    -------
    kept : numpy.ndarray of int, shape (some boxes,)
        Boxes that may hold a network within the limit.
    low, high : numpy.ndarray of float, shape (some boxes, variables)
        Where in them it can be.
    """
    count = bounds.count
    kept = np.flatnonzero(bounds.may_hold(low[:, :count], high[:, :count], shift=shift))
    low, high = low[kept], high[kept]
    told = bounds.rows(low, high, shift=shift)
    bound = exclude_and_contract(
        told.rows, told.columns, np.ones_like(low), told.noise,
        offset=np.full(len(low), bounds.offset), level_row=True,
    )  # fmt: skip
    low, high = _cut(low, high, bound, told.narrow)
    return kept[bound.keep], low[bound.keep], high[bound.keep]


def _cut(low: Floats, high: Floats, bound: AffineBound, narrow: NDArray[np.bool_]) -> Ends:
    """Boxes cut to what bounds leave of the variables that are known closely."""
    centre, half = (low + high) / 2.0, (high - low) / 2.0
    count = low.shape[1]
    return (
        np.where(narrow, centre + half * bound.low[:, :count], low),
        np.where(narrow, centre + half * bound.high[:, :count], high),
    )


def parted_boxes(
    rows: Floats, noise: Floats, columns: Floats, loss: Floats
) -> tuple[NDArray[np.bool_], Floats]:
    """Exclude boxes by combinations of rows.

    Parameters
    ----------
    rows, noise : numpy.ndarray of float, shape (boxes, rows)
        Values at the centres, and what they may be off [Np].
    columns : numpy.ndarray of float, shape (boxes, rows, variables and offsets)
        Slopes times half widths.
    loss : numpy.ndarray of float, shape (boxes, rows, variables)
        What each variable adds to the noise [Np].

    Returns
    -------
    kept : numpy.ndarray of bool, shape (boxes,)
        False where no point counts.
    worth : numpy.ndarray of float, shape (boxes, variables)
        What halving each variable promises.
    """
    result = parted(rows / noise, columns / noise[:, :, None])
    weights = np.abs(result.weights / noise)
    bent = (weights[:, None, :] @ loss)[:, 0]
    # Halved, a variable costs half as much along, and a quarter of its bend.
    worth = 0.5 * np.abs(result.along[:, : loss.shape[2]]) + 0.75 * bent
    return ~result.excluded, np.asarray(worth)


def halves(low: Floats, high: Floats, axis: Indices) -> Ends:
    """Halve boxes, each along an axis of its own.

    Parameters
    ----------
    low, high : numpy.ndarray of float, shape (boxes, variables)
        Ends of the boxes.
    axis : numpy.ndarray of int, shape (boxes,)
        The axis of each.

    Returns
    -------
    tuple of numpy.ndarray of float, shape (2 * boxes, variables)
        Ends of the lower halves, then of the upper ones.
    """
    box = np.arange(len(low))
    middle = (low[box, axis] + high[box, axis]) / 2.0
    upper, lower = high.copy(), low.copy()
    upper[box, axis], lower[box, axis] = middle, middle
    return np.concatenate([low, lower]), np.concatenate([upper, high])


def joined(boxes: Sequence[Ends]) -> Ends:
    """Put lists of boxes together.

    Parameters
    ----------
    boxes : sequence of tuple of numpy.ndarray of float, shape (boxes, variables)
        Ends of some boxes each.

    Returns
    -------
    tuple of numpy.ndarray of float, shape (boxes, variables)
        Ends of all, in their order.
    """
    lows, highs = zip(*boxes, strict=True)
    return np.concatenate(lows), np.concatenate(highs)
