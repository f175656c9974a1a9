"""Which boxes of variables can satisfy rows of near-affine conditions, many boxes at a time.

In a box c + h d, d in [-1, 1]^n, let the rows be

.. math:: r_k(d) = r_k + \\sum_i S_{ki} h_i d_i + \\rho_k(d), \\qquad |\\rho_k(d)| \\le \\epsilon_k

and let a point count only if |r_k(d) - m| <= J_k for all k with one and the same m, |m| <= M
(rows that are not shifted by m have 0 in its place).  Divide each row by its noise
n_k = J_k + eps_k, and put the columns S_ki h_i / n_k and M / n_k side by side in a matrix B,
with m = -M d_m as one more variable.  Then every point that counts satisfies

.. math:: |r_k / n_k + (B d)_k| \\le 1 \\quad\\text{for all } k,

hence for *any* weights w

.. math:: |w^T r/n + (B^T w)^T d| \\le \\|w\\|_1 .

(1) *Exclusion*: if |w^T r/n| > ||w||_1 + ||B^T w||_1, no point of the box counts.
(2) *Contraction*: with a = B^T w, each d_i is within (||w||_1 + sum_{j != i} |a_j|) / a_i of
-w^T r/n / a_i.

Weights are chosen by least squares, which makes them good; (1) and (2) hold for whatever
weights come out, so that rounding in the choice is harmless.  With G = (I + B^T B)^-1 the weights
for d_i are column i of B G (then a is near column i of I - G), and for exclusion the residual
r/n - B G B^T r/n.

(3) *The best weights.* The largest of |w^T r/n| - ||w||_1 - ||B^T w||_1 over ||w||_1 +
||B^T w||_1 = 1 is, by duality, the least over d of the largest of |r/n + B d| and |d|, less 1.
Least squares with weights that are multiplied by the residuals, round by round, come near to that
(Lawson 1961; Rice and Usow, The Lawson algorithm and extensions, Math. Comp. 22, 1968).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["AffineBound", "Parted", "exclude_and_contract", "parted"]

Floats = NDArray[np.float64]

_SLACK = 1e-9  # relative: widens each bound by more than its sums round
_LAWSON_ROUNDS = 6  # by trial: boxes that these do not exclude are halved sooner
_LEAST_FACTOR = 0.02  # of the largest: a row that fits now may count later
_LEAST_WEIGHT = 1e-6  # of the largest: keeps the normal equations regular


@dataclass(frozen=True, slots=True, eq=False)
class AffineBound:
    """What is left of boxes.

    Attributes
    ----------
    keep : numpy.ndarray of bool, shape (boxes,)
        False where no point of the box counts.
    low, high : numpy.ndarray of float, shape (boxes, variables)
        Bounds of d_i of the points that count, within [-1, 1].
    columns : numpy.ndarray of float, shape (rows, variables + 1, boxes)
        B.
    inverse : numpy.ndarray of float, shape (variables + 1, variables + 1, boxes)
        G.
    scaled : numpy.ndarray of float, shape (rows, boxes)
        r / n.
    """

    keep: NDArray[np.bool_]
    low: Floats
    high: Floats
    columns: Floats
    inverse: Floats
    scaled: Floats

    def least(
        self, value: Floats, slopes: Floats, spare: Floats, *, chosen: NDArray[np.int64]
    ) -> Floats:
        """Bound from below another near-affine function over the points that count.

        With any weights w: z + s.d >= z - w.r/n - ||s - B^T w||_1 - ||w||_1 - spare, since
        w.(r/n + B d) >= -||w||_1.  Here w = B G s.

        Parameters
        ----------
        value : numpy.ndarray of float, shape (some boxes,)
            Its value z at the centre.
        slopes : numpy.ndarray of float, shape (some boxes, variables)
            Its slopes s by d_i, that is times h_i.
        spare : numpy.ndarray of float, shape (some boxes,)
            Bound of its remainder.
        chosen : numpy.ndarray of int, shape (some boxes,)
            Which boxes.

        Returns
        -------
        numpy.ndarray of float, shape (some boxes,)
            The bound.
        """
        columns, inverse = self.columns[:, :, chosen], self.inverse[:, :, chosen]
        wanted = np.concatenate([slopes.T, np.zeros((1, len(slopes)))])
        weights = _applied(columns, _applied(inverse, wanted))
        uncovered = np.abs(wanted - _applied_transposed(columns, weights)).sum(axis=0)
        shift = (weights * self.scaled[:, chosen]).sum(axis=0)
        return np.asarray(value - shift - uncovered - np.abs(weights).sum(axis=0) - spare)


@np.errstate(over="ignore", invalid="ignore", divide="ignore")
def exclude_and_contract(
    rows: Floats,
    slopes: Floats,
    half: Floats,
    noise: Floats,
    *,
    offset: Floats,
    level_row: bool,
) -> AffineBound:
    """Find which boxes can hold a feasible point, and where in them.

    Parameters
    ----------
    rows : numpy.ndarray of float, shape (boxes, rows)
        r_k at the centres.
    slopes : numpy.ndarray of float, shape (boxes, rows, variables)
        S_ki at the centres.
    half : numpy.ndarray of float, shape (boxes, variables)
        h_i, 0 or greater.
    noise : numpy.ndarray of float, shape (boxes, rows)
        n_k = J_k + eps_k, above 0.
    offset : numpy.ndarray of float, shape (boxes,)
        M.
    level_row : bool
        Whether the last row is not shifted by m.

    Returns
    -------
    AffineBound
        See the module for the argument.

    Notes
    -----
    Within, boxes come last: each step then runs through all of them without gaps, where products
    and inverses of small matrices, one a box, cost two to three times as much.  Where numbers get
    too large for weights, the whole box is kept.
    """
    boxes, count = len(rows), half.shape[1]
    columns = np.empty((rows.shape[1], count + 1, boxes))
    np.multiply(slopes.transpose(1, 2, 0), half.T, out=columns[:, :-1])
    columns[:, -1] = offset
    if level_row:
        columns[-1, -1] = 0.0
    divisor = np.ascontiguousarray(noise.T)
    columns /= divisor[:, None]
    scaled = rows.T / divisor
    inverse = _inverted(_products(columns))
    along = _applied_transposed(columns, scaled)
    residual = scaled - _applied(columns, _applied(inverse, along))
    reach = np.abs(residual).sum(axis=0)
    reach += np.abs(_applied_transposed(columns, residual)).sum(axis=0)
    # Not a number is no exclusion, here and below.
    keep = ~(np.abs((residual * scaled).sum(axis=0)) > reach * (1.0 + _SLACK))
    low, high = -np.ones((boxes, count)), np.ones((boxes, count))
    kept = np.flatnonzero(keep)
    low[kept], high[kept] = _contracted(columns[:, :, kept], inverse[:, :, kept], scaled[:, kept])
    keep &= ~np.any(low > high, axis=1)
    return AffineBound(keep, low, high, columns, inverse, scaled)


def _applied(matrices: Floats, vectors: Floats) -> Floats:
    """Products of matrices and vectors, boxes last."""
    return np.asarray(np.einsum("ijb,jb->ib", matrices, vectors))


def _applied_transposed(matrices: Floats, vectors: Floats) -> Floats:
    """Products of transposed matrices and vectors, boxes last."""
    return np.asarray(np.einsum("ijb,ib->jb", matrices, vectors))


def _products(columns: Floats) -> Floats:
    """B^T B, half of which is told by the other: in less than half the time of the whole."""
    count, boxes = columns.shape[1:]
    normal = np.empty((count, count, boxes))
    for i in range(count):
        np.einsum("kb,kjb->jb", columns[:, i], columns[:, i:], out=normal[i, i:])
        normal[i + 1 :, i] = normal[i, i + 1 :]
    return normal


def _inverted(normal: Floats) -> Floats:
    """(I + N)^-1 by Gauss and Jordan; I + N is symmetric with all pivots 1 at least.

    The last variable, often the largest by far, comes first.  N is used up.
    """
    matrix, count = normal, len(normal)
    matrix[np.arange(count), np.arange(count)] += 1.0
    change = np.empty_like(matrix[0])  # of one row at a time, which stays in the cache
    for pivot in reversed(range(count)):
        row = matrix[pivot] / matrix[pivot, pivot]
        row[pivot] = 1.0 / matrix[pivot, pivot]
        column = matrix[:, pivot].copy()
        matrix[:, pivot] = 0.0
        for other in range(count):
            if other != pivot:
                np.multiply(column[other], row, out=change)
                matrix[other] -= change
        matrix[pivot] = row
    return matrix


def _contracted(columns: Floats, inverse: Floats, scaled: Floats) -> tuple[Floats, Floats]:
    """Bounds of each d_i by the weights for it: (2) of the module."""
    # One column after the other takes two thirds of the time of all of them at once.
    weights, spread = np.empty_like(columns), np.empty_like(inverse)
    for i in range(len(inverse)):
        np.einsum("kjb,jb->kb", columns, inverse[:, i], out=weights[:, i])
    for j in range(len(inverse)):
        np.einsum("kb,kib->ib", columns[:, j], weights, out=spread[j])
    places = np.arange(len(spread))
    own = spread[places, places]
    others = np.abs(spread).sum(axis=0) - np.abs(own) + np.abs(weights).sum(axis=0)
    divisor = np.where(own == 0.0, 1e-300, own)
    centre = -_applied_transposed(weights, scaled) / divisor
    width = others / np.abs(divisor) * (1.0 + _SLACK) + _SLACK
    low, high = np.fmax(centre - width, -1.0), np.fmin(centre + width, 1.0)
    return low[:-1].T, high[:-1].T


@dataclass(frozen=True, slots=True, eq=False)
class Parted:
    """Which boxes are excluded, and by which weights.

    Attributes
    ----------
    excluded : numpy.ndarray of bool, shape (boxes,)
        True where no point of the box counts.
    weights : numpy.ndarray of float, shape (boxes, rows)
        w, with ||w||_1 = 1; where a box is not excluded, those of the last round.
    along : numpy.ndarray of float, shape (boxes, variables)
        B^T w.
    """

    excluded: NDArray[np.bool_]
    weights: Floats
    along: Floats


def parted(scaled: Floats, columns: Floats) -> Parted:
    """Find which boxes can hold a feasible point, with nearly the best weights there are.

    Parameters
    ----------
    scaled : numpy.ndarray of float, shape (boxes, rows)
        r / n.
    columns : numpy.ndarray of float, shape (boxes, rows, variables)
        B, one column for each variable that shifts rows among them.

    Returns
    -------
    Parted
        See (1) and (3) of the module.  Boxes in which a point of the affine rows counts are not
        excluded, whatever the weights, and end early.
    """
    excluded = np.zeros(len(scaled), dtype=bool)
    weights, along = np.zeros_like(scaled), np.zeros((len(scaled), columns.shape[2]))
    places, r, b = np.arange(len(scaled)), scaled, columns
    q, p = np.ones_like(r), np.ones_like(along)
    diagonal = np.arange(along.shape[1])
    for _ in range(_LAWSON_ROUNDS):
        if not len(places):
            break
        transposed = np.swapaxes(b, 1, 2)
        normal = transposed @ (q[:, :, None] * b)
        normal[:, diagonal, diagonal] += p
        d = -np.linalg.solve(normal, transposed @ (q * r)[:, :, None])
        residual = r + (b @ d)[:, :, 0]
        d = d[:, :, 0]
        w = q * residual
        total = np.maximum(np.abs(w).sum(axis=1), np.finfo(float).tiny)
        w /= total[:, None]
        a = (transposed @ w[:, :, None])[:, :, 0]
        reach = 1.0 + np.abs(a).sum(axis=1)
        ends = np.abs((w * r).sum(axis=1)) > reach * (1.0 + _SLACK)
        weights[places], along[places] = w, a
        excluded[places[ends]] = True
        size_r, size_d = np.abs(residual), np.abs(d)
        largest = np.maximum(size_r.max(axis=1), size_d.max(axis=1))
        more = ~ends & (largest > 1.0)
        scale = largest[more, None]
        q = q[more] * (size_r[more] / scale + _LEAST_FACTOR)
        p = p[more] * (size_d[more] / scale + _LEAST_FACTOR)
        scale = np.maximum(q.max(axis=1), p.max(axis=1))[:, None]
        q, p = np.maximum(q / scale, _LEAST_WEIGHT), np.maximum(p / scale, _LEAST_WEIGHT)
        places, r, b = places[more], r[more], b[more]
    return Parted(excluded, weights, along)
