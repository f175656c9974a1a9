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
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["AffineBound", "exclude_and_contract"]

Floats = NDArray[np.float64]

_SLACK = 1e-9  # relative: widens each bound by more than its sums round


@dataclass(frozen=True, slots=True, eq=False)
class AffineBound:
    """What is left of boxes.

    Attributes
    ----------
    keep : numpy.ndarray of bool, shape (boxes,)
        False where no point of the box counts.
    low, high : numpy.ndarray of float, shape (boxes, variables)
        Bounds of d_i of the points that count, within [-1, 1].
    weights : numpy.ndarray of float, shape (boxes, rows, variables + 1)
        B G.
    columns : numpy.ndarray of float, shape (boxes, rows, variables + 1)
        B.
    scaled : numpy.ndarray of float, shape (boxes, rows)
        r / n.
    """

    keep: NDArray[np.bool_]
    low: Floats
    high: Floats
    weights: Floats
    columns: Floats
    scaled: Floats

    def least(self, value: Floats, slopes: Floats, spare: Floats) -> Floats:
        """Bound from below another near-affine function over the points that count.

        With any weights w: z + s.d >= z - w.r/n - ||s - B^T w||_1 - ||w||_1 - spare, since
        w.(r/n + B d) >= -||w||_1.  Here w = B G s.

        Parameters
        ----------
        value : numpy.ndarray of float, shape (boxes,)
            Its value z at the centre.
        slopes : numpy.ndarray of float, shape (boxes, variables)
            Its slopes s by d_i, that is times h_i.
        spare : numpy.ndarray of float, shape (boxes,)
            Bound of its remainder.

        Returns
        -------
        numpy.ndarray of float, shape (boxes,)
            The bound.
        """
        zero = np.zeros((len(slopes), 1))
        wanted = np.concatenate([slopes, zero], axis=1)[:, :, None]
        weights = self.weights @ wanted
        uncovered = np.abs(wanted - np.swapaxes(self.columns, 1, 2) @ weights).sum(axis=(1, 2))
        shift = (weights[:, :, 0] * self.scaled).sum(axis=1)
        return np.asarray(value - shift - uncovered - np.abs(weights).sum(axis=(1, 2)) - spare)

    def part(self, chosen: NDArray[np.int64]) -> AffineBound:
        """Select the bound of some of the boxes.

        Parameters
        ----------
        chosen : numpy.ndarray of int
            Which boxes.

        Returns
        -------
        AffineBound
            Theirs.
        """
        return AffineBound(
            *(getattr(self, name)[chosen] for name in AffineBound.__dataclass_fields__)
        )


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
    """
    columns = np.empty((*rows.shape, slopes.shape[2] + 1))
    columns[:, :, :-1] = slopes * half[:, None, :] / noise[:, :, None]
    columns[:, :, -1] = offset[:, None] / noise
    if level_row:
        columns[:, -1, -1] = 0.0
    scaled = rows / noise
    transposed = np.ascontiguousarray(np.swapaxes(columns, 1, 2))
    normal = transposed @ columns
    count = normal.shape[-1]
    inverse = np.linalg.inv(np.eye(count) + normal)
    weights = columns @ inverse
    along = transposed @ scaled[:, :, None]
    residual = scaled[:, :, None] - weights @ along
    reach = np.abs(residual).sum(axis=(1, 2)) + np.abs(transposed @ residual).sum(axis=(1, 2))
    keep = np.abs((residual[:, :, 0] * scaled).sum(axis=1)) <= reach * (1.0 + _SLACK)
    low, high = -np.ones_like(half), np.ones_like(half)
    low[keep], high[keep] = _contracted(transposed[keep], weights[keep], scaled[keep])
    keep &= np.all(low <= high, axis=1)
    return AffineBound(keep, low, high, weights, columns, scaled)


def _contracted(transposed: Floats, weights: Floats, scaled: Floats) -> tuple[Floats, Floats]:
    """Bounds of each d_i by the weights for it: (2) of the module."""
    spread = transposed @ weights
    own = np.diagonal(spread, axis1=1, axis2=2)
    others = np.abs(spread).sum(axis=1) - np.abs(own) + np.abs(weights).sum(axis=1)
    divisor = np.where(own == 0.0, 1e-300, own)
    centre = -(np.swapaxes(weights, 1, 2) @ scaled[:, :, None])[:, :, 0] / divisor
    width = others / np.abs(divisor) * (1.0 + _SLACK) + _SLACK
    low = np.maximum(centre - width, -1.0)[:, :-1]
    return low, np.minimum(centre + width, 1.0)[:, :-1]
