"""What holds for every point of a cone R z <= 0, z >= 0, by linear programming.

A linear function c of z is negative all over the cone where there are weights w >= 0 with
c - R^T w < 0, as then c z < w^T R z <= 0 for every z that is not 0.  Linear programming finds such
weights.  The inequality is tested by itself, so that rounding within the programme is harmless.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

__all__ = ["Cone"]

Floats = NDArray[np.float64]

_ROUNDED = 1e-14  # relative: more than the products of a test round
_MARGIN = 3e-7  # of the largest coefficient: linear programming keeps conditions to 1e-7


class Cone:
    """The points z >= 0 with R z <= 0.

    Parameters
    ----------
    rows : numpy.ndarray of float, shape (rows, variables)
        R, its entries 1 at most.
    """

    def __init__(self, rows: Floats) -> None:
        self._rows = rows

    def is_negative(self, function: Floats) -> bool:
        """Test whether a linear function is negative all over the cone.

        Parameters
        ----------
        function : numpy.ndarray of float, shape (variables,)
            Its coefficients.

        Returns
        -------
        bool
            True where it is shown.
        """
        function = function / np.abs(function).max()
        weights = _solved(np.ones(len(self._rows)), -self._rows.T, -function - _MARGIN)
        return weights is not None and self._shown(function, weights)

    def largest_ratio(self, *, upper: int, lower: int) -> float:
        """Bound the quotient of two variables.

        Parameters
        ----------
        upper, lower : int
            Which.

        Returns
        -------
        float
            What it is at most; infinite where no bound is shown.
        """
        variables = np.eye(self._rows.shape[1])
        return self.largest_quotient(variables[upper], variables[lower])

    def largest_quotient(self, over: Floats, under: Floats) -> float:
        """Bound the quotient of two linear functions.

        Parameters
        ----------
        over, under : numpy.ndarray of float, shape (variables,)
            Their coefficients; the lower one is above 0 all over the cone.

        Returns
        -------
        float
            What it is at most; infinite where no bound is shown.
        """
        count, variables = self._rows.shape
        sizes = np.abs(over).max(), np.abs(under).max()
        over, under = over / sizes[0], under / sizes[1]
        conditions = np.zeros((variables, count + 1))
        conditions[:, :-1] = -self._rows.T
        conditions[:, -1] = -under
        solution = _solved(np.append(np.zeros(count), 1.0), conditions, -_MARGIN - over)
        if solution is None or not self._shown(over - solution[-1] * under, solution[:-1]):
            return math.inf
        return float(solution[-1] * sizes[0] / sizes[1])

    def _shown(self, function: Floats, weights: Floats) -> bool:
        rounded = _ROUNDED * (np.abs(function) + np.abs(self._rows.T) @ weights)
        return bool(np.all(function - self._rows.T @ weights + rounded < 0.0))


def _solved(cost: Floats, conditions: Floats, limits: Floats) -> Floats | None:
    """The x >= 0 of least cost with conditions x <= limits."""
    from scipy.optimize import linprog

    solution = linprog(cost, A_ub=conditions, b_ub=limits)
    return None if solution.x is None else np.maximum(solution.x, 0.0)
