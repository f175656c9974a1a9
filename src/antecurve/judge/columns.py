"""Columns of a capture: numbers, of equal length, ascending where they must."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from antecurve.arrays import read_only
from antecurve.errors import InputError

__all__ = ["ascending_column", "equal_columns", "finite_column"]

Floats = NDArray[np.float64]


def finite_column(values: ArrayLike, name: str, capture: str) -> Floats:
    """Check one column of a capture.

    Parameters
    ----------
    values : array_like, shape (rows,)
        Numbers.
    name, capture : str
        The column and the capture, for messages.

    Returns
    -------
    numpy.ndarray of float, shape (rows,)
        Read-only copy.

    Raises
    ------
    InputError
        When it is no column, or a value is not finite.
    """
    column = np.asarray(values, dtype=float)
    if column.ndim != 1:
        raise InputError(f"{capture}: {name}", column.shape, "it must be one column of numbers")
    bad = np.flatnonzero(~np.isfinite(column))
    if bad.size:
        raise InputError(
            f"{capture}: {name}, data row {int(bad[0]) + 1}",
            float(column[bad[0]]),
            "every value must be a finite number; delete the row or capture again",
        )
    return read_only(column)


def equal_columns(capture: str, **columns: ArrayLike) -> tuple[Floats, ...]:
    """Check the columns of a capture, each by itself and their lengths.

    Parameters
    ----------
    capture : str
        The capture, for messages.
    **columns : array_like, shape (rows,)
        Numbers by the names of their columns.

    Returns
    -------
    tuple of numpy.ndarray of float, shape (rows,)
        Read-only copies.

    Raises
    ------
    InputError
        When one is no column, a value is not finite, or the lengths differ.
    """
    checked = tuple(finite_column(v, name, capture) for name, v in columns.items())
    sizes = tuple(column.size for column in checked)
    if len(set(sizes)) > 1:
        raise InputError(capture, sizes, f"{' and '.join(columns)} must be of equal length")
    return checked


def ascending_column(
    column: Floats, other: Floats, *, name: str, other_name: str, capture: str
) -> None:
    """Refuse a column that does not ascend.

    Parameters
    ----------
    column, other : numpy.ndarray of float, shape (rows,)
        The column that must ascend, and the one beside it.
    name, other_name, capture : str
        What messages call them.

    Raises
    ------
    InputError
        When it does not ascend; the message says so if the columns look swapped.
    """
    steps = np.diff(column)
    if np.all(steps > 0):
        return
    if np.all(np.diff(other) > 0):
        raise InputError(
            f"{capture}: {name}",
            "not ascending, while the other column is",
            f"the columns look swapped: {name} must come first and {other_name} after it",
        )
    row = int(np.flatnonzero(steps <= 0)[0]) + 2
    raise InputError(
        f"{capture}: {name}, data row {row}",
        float(column[row - 1]),
        f"{name} must ascend from row to row; sort the rows or take the repeated one out",
    )
