"""A good pick quickly: networks rounded to candidates one position at a time.

After each rounding the positions still free are solved again, so that they take up the error
just made.  Many starts, over level and impedance, are carried along together.  What comes out
is a good upper bound for the search and a supply of alternatives, not a proof.
"""

from __future__ import annotations

from functools import lru_cache
from itertools import combinations, product

import numpy as np
from numpy.typing import NDArray

from antecurve.pick.branch_and_bound import Space
from antecurve.pick.model import NetworkModel

__all__ = ["flattened", "neighbours", "neighbours_of", "rounded", "scattered"]

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

_LEVEL_WEIGHT = 0.03
"""How much a change of level counts against a change of shape; the level is nearly free."""


_SCATTERED = 24  # starts around each: of many positions they find the best or nearly so in 0.2 s
_SCATTER = 0.1  # of a logarithm: about as far as exact networks over level and impedance are apart
_LARGEST_KEY = 2**62  # still an integer of 64 bits


def scattered(starts: Floats) -> Floats:
    """Draw more starts around each of some; rounding corrects what they miss the curve by.

    Parameters
    ----------
    starts : numpy.ndarray of float, shape (starts, elements)
        Logarithms of element values.

    Returns
    -------
    numpy.ndarray of float, shape (more starts, elements)
        Always the same for the same starts.
    """
    rng = np.random.default_rng(1)
    around = np.repeat(starts, _SCATTERED, axis=0)
    return np.asarray(around + rng.uniform(-_SCATTER, _SCATTER, around.shape))


def rounded(space: Space, starts: Floats, *, level_weight: float = _LEVEL_WEIGHT) -> Indices:
    """Round networks to candidates, one position at a time, coarse positions first.

    Parameters
    ----------
    space : Space
        The candidates.
    starts : numpy.ndarray of float, shape (starts, elements)
        Logarithms of element values near exact ones.
    level_weight : float, optional
        How much a change of level counts against a change of shape.

    Returns
    -------
    numpy.ndarray of int, shape (starts, elements)
        Candidates.
    """
    grids = space.grids.grids
    density = [len(g) / max(float(np.ptp(g)), 1e-9) for g in grids]
    x = starts.copy()
    level = space.model.rows(np.exp(x))[:, -1]
    indices = np.zeros(x.shape, dtype=np.int64)
    free = list(range(x.shape[1]))
    for position in (int(i) for i in np.argsort(density, kind="stable")):
        indices[:, position] = _nearest(grids[position], x[:, position])
        x[:, position] = grids[position][indices[:, position]]
        free.remove(position)
        if free:
            x[:, free] += _correction(space.model, x, free, level, weight=level_weight)
    return indices


def flattened(
    space: Space, starts: Floats, *, rounds: int = 20, keep_level: bool = False
) -> Floats:
    """Move networks towards the curve, all positions free.

    Parameters
    ----------
    space : Space
        The network.
    starts : numpy.ndarray of float, shape (starts, elements)
        Logarithms of element values, from anywhere.
    rounds : int, optional
        Number of corrections.
    keep_level : bool, optional
        Whether to stay near the level of each start and outside the range of the candidates,
        if need be; else to go to the wanted level, within the range.

    Returns
    -------
    numpy.ndarray of float, shape (starts, elements)
        Logarithms of element values, smallest error first.
    """
    x = starts.copy()
    all_columns = list(range(x.shape[1]))
    low = np.array([-np.inf if keep_level else g[0] for g in space.grids.grids])
    high = np.array([np.inf if keep_level else g[-1] for g in space.grids.grids])
    level = space.model.rows(np.exp(x))[:, -1] if keep_level else np.zeros(len(x))
    weight = _LEVEL_WEIGHT if keep_level else 0.3
    for _ in range(rounds):
        x = np.clip(x + _correction(space.model, x, all_columns, level, weight=weight), low, high)
    spread = np.ptp(space.model.rows(np.exp(x))[:, :-1], axis=1)
    return np.asarray(x[np.argsort(spread, kind="stable")])


def _nearest(grid: Floats, x: Floats) -> Indices:
    if len(grid) == 1:
        return np.zeros(len(x), dtype=np.int64)
    right = np.clip(np.searchsorted(grid, x), 1, len(grid) - 1)
    return np.where(x - grid[right - 1] <= grid[right] - x, right - 1, right).astype(np.int64)


def _correction(
    model: NetworkModel, x: Floats, free: list[int], level: Floats, *, weight: float
) -> Floats:
    """Least-squares change of the free positions that flattens the error near a level."""
    linear = model.linearise(np.exp(x))
    rows = linear.rows[:, :-1]
    slopes = linear.slopes[:, :-1, free]
    rows = rows - rows.mean(axis=1, keepdims=True)
    slopes = slopes - slopes.mean(axis=1, keepdims=True)
    last = weight * (linear.rows[:, -1:] - level[:, None])
    rows = np.concatenate([rows, last], axis=1)
    slopes = np.concatenate([slopes, weight * linear.slopes[:, -1:, free]], axis=1)
    transposed = np.swapaxes(slopes, 1, 2)
    normal = transposed @ slopes
    diagonal = np.arange(len(free))
    normal[:, diagonal, diagonal] += 1e-9 * (1.0 + normal[:, diagonal, diagonal])
    step = np.linalg.solve(normal, transposed @ rows[:, :, None])[:, :, 0]
    return np.asarray(np.clip(-step, -0.5, 0.5))


def neighbours(space: Space, indices: Indices) -> Indices:
    """List combinations one candidate away in up to three positions.

    Parameters
    ----------
    space : Space
        The candidates.
    indices : numpy.ndarray of int, shape (combinations, elements)
        Where to look.

    Returns
    -------
    numpy.ndarray of int, shape (more, elements)
        Without duplicates, the given ones included.
    """
    return neighbours_of(indices, np.array([len(g) for g in space.grids.grids]))


def neighbours_of(indices: Indices, sizes: Indices) -> Indices:
    """List rows of indices one away in up to three columns.

    Parameters
    ----------
    indices : numpy.ndarray of int, shape (rows, columns)
        Where to look.
    sizes : numpy.ndarray of int, shape (columns,)
        Number of indices that each column has.

    Returns
    -------
    numpy.ndarray of int, shape (more, columns)
        Without duplicates, the given ones included.
    """
    count = indices.shape[1]
    around = (indices[:, None, :] + _steps(count)[None]).reshape(-1, count)
    inside = np.all((around >= 0) & (around < sizes), axis=1)
    return _without_duplicates(around[inside], sizes)


@lru_cache(maxsize=64)
def _steps(count: int) -> Indices:
    """Steps by one in up to three of some columns, and none."""
    steps = [np.zeros(count, dtype=np.int64)]
    for moved in range(1, 4):
        for moved_positions in combinations(range(count), min(moved, count)):
            for directions in product((-1, 1), repeat=len(moved_positions)):
                step = np.zeros(count, dtype=np.int64)
                step[list(moved_positions)] = directions
                steps.append(step)
    return np.array(steps)


def _without_duplicates(rows: Indices, sizes: Indices) -> Indices:
    """Rows of indices in order, each once, by one number for each: they sort far faster."""
    key, span = np.zeros(len(rows), dtype=np.int64), 1
    for column, size in zip(rows.T, sizes.tolist(), strict=True):
        if span * size > _LARGEST_KEY:
            key = np.unique(key, return_inverse=True)[1]
            span = len(rows)
        key, span = key * size + column, span * size
    return np.asarray(rows[np.unique(key, return_index=True)[1]])
