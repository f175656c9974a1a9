"""Arrays that results hold: copied in and read-only."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["hold_read_only", "read_only"]


def read_only(values: ArrayLike) -> NDArray[np.float64]:
    """Return a copy that can't be written to.

    Parameters
    ----------
    values : array_like of float, shape (...)
        Numbers.

    Returns
    -------
    numpy.ndarray of float, shape (...)
        The same numbers; read-only.
    """
    array = np.array(values, dtype=float)
    array.setflags(write=False)
    return array


def hold_read_only(result: object, *names: str) -> None:
    """Make attributes of a frozen dataclass read-only arrays; for its ``__post_init__``.

    Parameters
    ----------
    result : object
        The instance being made.
    *names : str
        The attributes, each array_like of float.
    """
    for name in names:
        object.__setattr__(result, name, read_only(getattr(result, name)))
