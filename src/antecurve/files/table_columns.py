"""Columns of a table told from each other: by name, by unit, by what they hold."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from antecurve.files.number_table import NumberTable

__all__ = ["column_with", "columns_but", "counts", "is_count", "named_as"]

Floats = NDArray[np.float64]

_COUNT_NAMES = ("index", "sample", "samples", "point", "points", "n", "no", "no.", "nr", "#")


def column_with(table: NumberTable, names: Sequence[str], quantity: str) -> int | None:
    """Find the first column with a unit of a quantity, or with a name.

    Parameters
    ----------
    table : NumberTable
        The table.
    names : sequence of str
        Names; those of more than two letters may go on.
    quantity : str
        As in `ColumnUnit`.

    Returns
    -------
    int or None
        The column from 0.
    """
    for index, unit in enumerate(table.units):
        if unit.quantity == quantity:
            return index
    for index, name in enumerate(table.names):
        word = re.split(r"[_ ]", name)[0]
        if any(word == given or (len(given) > 2 and word.startswith(given)) for given in names):
            return index
    return None


def columns_but(table: NumberTable, *taken: int | None) -> list[int]:
    """List the columns beside those taken, without running numbers.

    Parameters
    ----------
    table : NumberTable
        The table.
    *taken : int or None
        Columns from 0.

    Returns
    -------
    list of int
        The others, from 0.
    """
    return [
        k for k in range(table.columns.shape[1]) if k not in taken and not is_count(table, k)
    ]  # fmt: skip


def is_count(table: NumberTable, column: int) -> bool:
    """Tell whether a column numbers the rows.

    Parameters
    ----------
    table : NumberTable
        The table.
    column : int
        The column from 0.

    Returns
    -------
    bool
        By its name, its unit, or by whole numbers from 0 or 1 where it has neither.
    """
    name, unit = table.names[column], table.units[column].quantity
    if name in _COUNT_NAMES or unit == "count":
        return True
    return not name and not unit and counts(table.columns[:, column])


def counts(column: Floats) -> bool:
    """Tell whether numbers are 0, 1, 2 and so on, or 1, 2, 3.

    Parameters
    ----------
    column : numpy.ndarray of float, shape (rows,)
        The numbers.

    Returns
    -------
    bool
        Whether each is greater by one than the one before.
    """
    return bool(np.all(np.diff(column) == 1.0)) and column[0] in (0.0, 1.0)


def named_as(table: NumberTable, column: int, words: Sequence[str]) -> bool:
    """Tell whether a column's name holds one of some words.

    Parameters
    ----------
    table : NumberTable
        The table.
    column : int
        The column from 0.
    words : sequence of str
        Whole words.

    Returns
    -------
    bool
        Whether it does.
    """
    return bool(set(words) & set(re.split(r"[_ .\d]+", table.names[column])))
