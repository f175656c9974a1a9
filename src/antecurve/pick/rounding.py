"""A good pick quickly: exact networks rounded to candidates one position at a time.

After each rounding the positions still free are solved again, so that they take up the error
just made.  Many starts, over level and impedance, are carried along together.  What comes out
is a good upper bound for the search, not a proof.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.pick.model import NetworkModel

__all__ = ["Rounded", "improve", "nearest", "round_networks"]

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

_LEVEL_WEIGHT = 0.03
"""How much a change of level counts against a change of shape; the level is nearly free."""


@dataclass(frozen=True, slots=True, eq=False)
class Rounded:
    """Combinations of candidates.

    Attributes
    ----------
    indices : numpy.ndarray of int, shape (combinations, elements)
        Index into the candidates of each position.
    """

    indices: Indices


def nearest(grid: Floats, x: Floats) -> Indices:
    """Return the index of the nearest grid value.

    Parameters
    ----------
    grid : numpy.ndarray of float, shape (candidates,)
        Ascending.
    x : numpy.ndarray of float, shape (...)
        Values.

    Returns
    -------
    numpy.ndarray of int, shape (...)
        Indices.
    """
    right = np.clip(np.searchsorted(grid, x), 1, len(grid) - 1) if len(grid) > 1 else 0
    if len(grid) == 1:
        return np.zeros(np.shape(x), dtype=np.int64)
    left = right - 1
    return np.where(x - grid[left] <= grid[right] - x, left, right).astype(np.int64)


def round_networks(
    model: NetworkModel, grids: tuple[Floats, ...], starts: Floats, *, order: tuple[int, ...]
) -> Rounded:
    """Round networks to candidates, one position at a time.

    Parameters
    ----------
    model : NetworkModel
        Rows and slopes.
    grids : tuple of numpy.ndarray
        Logarithms of the candidates of each position, ascending.
    starts : numpy.ndarray of float, shape (starts, elements)
        Logarithms of element values near exact ones.
    order : tuple of int
        Positions in the order of rounding.

    Returns
    -------
    Rounded
        One combination per start.
    """
    x = starts.copy()
    level = model.rows(np.exp(x))[:, -1]
    indices = np.zeros(x.shape, dtype=np.int64)
    free = list(range(x.shape[1]))
    for position in order:
        indices[:, position] = nearest(grids[position], x[:, position])
        x[:, position] = grids[position][indices[:, position]]
        free.remove(position)
        if free:
            x[:, free] += _correction(model, x, free, level)
    return Rounded(indices)


def _correction(model: NetworkModel, x: Floats, free: list[int], level: Floats) -> Floats:
    """Least-squares change of the free positions that flattens the error near a level."""
    linear = model.linearise(np.exp(x))
    rows = linear.rows[:, :-1]
    slopes = linear.slopes[:, :-1, free]
    rows = rows - rows.mean(axis=1, keepdims=True)
    slopes = slopes - slopes.mean(axis=1, keepdims=True)
    last = _LEVEL_WEIGHT * (linear.rows[:, -1:] - level[:, None])
    rows = np.concatenate([rows, last], axis=1)
    slopes = np.concatenate([slopes, _LEVEL_WEIGHT * linear.slopes[:, -1:, free]], axis=1)
    transposed = np.swapaxes(slopes, 1, 2)
    normal = transposed @ slopes
    diagonal = np.arange(len(free))
    normal[:, diagonal, diagonal] += 1e-9 * (1.0 + normal[:, diagonal, diagonal])
    step = np.linalg.solve(normal, transposed @ rows[:, :, None])[:, :, 0]
    return np.asarray(np.clip(-step, -0.5, 0.5))


def improve(indices: Indices, sizes: Indices, *, reach: int = 1) -> Indices:
    """Return all combinations within a few candidates of given ones.

    Parameters
    ----------
    indices : numpy.ndarray of int, shape (combinations, elements)
        Where to look.
    sizes : numpy.ndarray of int, shape (elements,)
        Number of candidates of each position.
    reach : int, optional
        How many candidates to either side.

    Returns
    -------
    numpy.ndarray of int, shape (more, elements)
        Without duplicates.
    """
    count = indices.shape[1]
    steps = np.stack(
        np.meshgrid(*[np.arange(-reach, reach + 1)] * count, indexing="ij"), axis=-1
    ).reshape(-1, count)
    around = (indices[:, None, :] + steps[None]).reshape(-1, count)
    inside = np.all((around >= 0) & (around < sizes), axis=1)
    return np.asarray(np.unique(around[inside], axis=0))
