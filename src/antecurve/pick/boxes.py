"""Boxes of combinations: ranges of candidates for each position, many boxes at a time."""

from __future__ import annotations

import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from antecurve.pick.structure import Exchange

__all__ = ["Boxes", "Grids", "combinations_in", "joined"]

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Boxes:
    """Ranges of candidates, both ends included.

    Attributes
    ----------
    first, last : numpy.ndarray of int, shape (boxes, elements)
        Lowest and highest candidate of each position.

    Notes
    -----
    Pickled they are compressed: neighbours have much in common, and numbers are small.
    """

    first: Indices
    last: Indices

    def __reduce_ex__(self, protocol: Any) -> Any:
        columns = np.concatenate([self.first, self.last], axis=1).T
        small = columns.astype(np.min_scalar_type(-1 - int(columns.max(initial=0))))
        return _unpacked, (zlib.compress(small.tobytes()), small.dtype.str, small.shape)

    def __len__(self) -> int:
        return len(self.first)

    def where(self, chosen: NDArray[np.bool_] | slice) -> Boxes:
        """Select boxes.

        Parameters
        ----------
        chosen : numpy.ndarray of bool, or slice
            Which.

        Returns
        -------
        Boxes
            They.
        """
        return Boxes(self.first[chosen], self.last[chosen])

    @property
    def sizes(self) -> Floats:
        """Number of combinations in each box."""
        return np.asarray(np.prod((self.last - self.first + 1).astype(float), axis=1))


def _unpacked(packed: bytes, kind: str, shape: tuple[int, int]) -> Boxes:
    """Boxes that were pickled."""
    columns = np.frombuffer(zlib.decompress(packed), dtype=kind).reshape(shape).astype(np.int64)
    first, last = np.split(columns, 2)
    return Boxes(np.ascontiguousarray(first.T), np.ascontiguousarray(last.T))


def joined(*boxes: Boxes) -> Boxes:
    """Join boxes into one set.

    Parameters
    ----------
    *boxes : Boxes
        At least one.

    Returns
    -------
    Boxes
        One after the other.
    """
    return Boxes(np.concatenate([b.first for b in boxes]), np.concatenate([b.last for b in boxes]))


class Grids:
    """Logarithms of the candidates of each position.

    Parameters
    ----------
    grids : tuple of numpy.ndarray of float
        Ascending, one per position.
    exchanges : tuple of Exchange, optional
        Branches that can be exchanged: of equivalent combinations one is looked at.
    """

    def __init__(self, grids: tuple[Floats, ...], exchanges: tuple[Exchange, ...] = ()) -> None:
        self.grids = grids
        self.exchanges = exchanges

    def whole(self) -> Boxes:
        """Make the one box that holds every combination.

        Returns
        -------
        Boxes
            One box.
        """
        last = np.array([[len(g) - 1 for g in self.grids]], dtype=np.int64)
        return Boxes(np.zeros_like(last), last)

    def logs(self, indices: Indices) -> Floats:
        """Look up logarithms of element values, shape as `indices`.

        Parameters
        ----------
        indices : numpy.ndarray of int, shape (combinations, elements)
            Candidates of each position.

        Returns
        -------
        numpy.ndarray of float, shape (combinations, elements)
            Logarithms of element values.
        """
        return np.stack([g[indices[:, i]] for i, g in enumerate(self.grids)], axis=1)

    def ordered(self, boxes: Boxes) -> Boxes:
        """Drop the boxes that hold mirror images only.

        Parameters
        ----------
        boxes : Boxes
            The boxes.

        Returns
        -------
        Boxes
            Those that stay.
        """
        keep = np.ones(len(boxes), dtype=bool)
        for exchange in self.exchanges:
            a, b = exchange.larger, exchange.smaller
            keep &= self.grids[a][boxes.last[:, a]] >= self.grids[b][boxes.first[:, b]]
        return boxes.where(keep)

    def shrunk(self, boxes: Boxes, low: Floats, high: Floats) -> tuple[Boxes, NDArray[np.bool_]]:
        """Cut boxes down to logarithms within bounds; say which are not empty.

        Parameters
        ----------
        boxes : Boxes
            The boxes.
        low, high : numpy.ndarray of float, shape (boxes, elements)
            Bounds of the logarithms.

        Returns
        -------
        tuple of Boxes and numpy.ndarray of bool
            Boxes, some of them empty, and which are not.
        """
        first, last = boxes.first.copy(), boxes.last.copy()
        for i, grid in enumerate(self.grids):
            first[:, i] = np.maximum(first[:, i], np.searchsorted(grid, low[:, i], "left"))
            last[:, i] = np.minimum(last[:, i], np.searchsorted(grid, high[:, i], "right") - 1)
        return Boxes(first, last), np.all(first <= last, axis=1)

    def halved(self, boxes: Boxes, worth: Floats) -> Boxes:
        """Halve boxes, by log value, at the position that is worth most.

        Parameters
        ----------
        boxes : Boxes
            The boxes.
        worth : numpy.ndarray of float, shape (boxes, elements)
            Worth of dividing at each position.

        Returns
        -------
        Boxes
            Twice as many.
        """
        axis = np.where(boxes.last > boxes.first, worth, -1.0).argmax(axis=1)
        row = np.arange(len(boxes))
        middle = np.empty(len(boxes), dtype=np.int64)
        for i, grid in enumerate(self.grids):
            here = axis == i
            first, last = boxes.first[here, i], boxes.last[here, i]
            cut = np.searchsorted(grid, (grid[first] + grid[last]) / 2.0) - 1
            middle[here] = np.clip(cut, first, last - 1)
        upper, lower = boxes.last.copy(), boxes.first.copy()
        upper[row, axis] = middle
        lower[row, axis] = middle + 1
        return Boxes(np.concatenate([boxes.first, lower]), np.concatenate([upper, boxes.last]))


def combinations_in(boxes: Boxes, *, chunk: int = 100_000) -> Iterator[Indices]:
    """Yield every combination of boxes, some at a time.

    Parameters
    ----------
    boxes : Boxes
        The boxes.
    chunk : int, optional
        About how many combinations at a time.

    Yields
    ------
    numpy.ndarray of int, shape (combinations, elements)
        Candidates of each position.
    """
    sizes = boxes.sizes.astype(np.int64)
    ends = np.cumsum(sizes)
    start = 0
    while start < len(sizes):
        before = ends[start - 1] if start else 0
        stop = max(start + 1, int(np.searchsorted(ends, before + chunk, "right")))
        owner = np.repeat(np.arange(stop - start), sizes[start:stop])
        number = np.arange(len(owner)) - np.repeat(
            ends[start:stop] - sizes[start:stop] - before, sizes[start:stop]
        )
        indices = np.empty((len(owner), boxes.first.shape[1]), dtype=np.int64, order="F")
        for i in range(indices.shape[1]):
            first = boxes.first[start:stop, i]
            span = boxes.last[start:stop, i] - first + 1
            number, along = np.divmod(number, span[owner])
            indices[:, i] = first[owner] + along
        yield indices
        start = stop
