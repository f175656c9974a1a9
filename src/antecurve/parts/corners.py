"""The corners of the box that parts within tolerance fill."""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import InputError
from antecurve.networks.centred_error import CentredError
from antecurve.networks.compiled import loaded_coefficients
from antecurve.networks.conditions import Conditions
from antecurve.parts.position import PickedNetwork
from antecurve.parts.scatter import part_table, position_box

__all__ = ["MOST_POSITIONS", "box_corners", "checked_box", "corner_error_db", "free_positions"]

Floats = NDArray[np.float64]

MOST_POSITIONS = 12
"""Positions whose corners are few enough to be all examined."""


def box_corners(low: Floats, high: Floats) -> Floats:
    """List all corners of a box; a position without range counts once.

    Parameters
    ----------
    low, high : numpy.ndarray of float, shape (positions,)
        Ends of each position's range [ohm or F].

    Returns
    -------
    numpy.ndarray of float, shape (2**free, positions)
        Values of the positions [ohm or F].
    """
    ends = [(a,) if a == b else (a, b) for a, b in zip(low, high, strict=True)]
    return np.array(list(itertools.product(*ends)))


def free_positions(low: Floats, high: Floats) -> int:
    """Count the positions that have a range.

    Parameters
    ----------
    low, high : numpy.ndarray of float, shape (positions,)
        Ends of each position's range [ohm or F].

    Returns
    -------
    int
        How many.
    """
    return int(np.count_nonzero(low < high))


def checked_box(picked: PickedNetwork) -> tuple[Floats, Floats]:
    """Compute the ends of the range of each position, where their corners are few enough.

    Parameters
    ----------
    picked : PickedNetwork
        A network with its parts.

    Returns
    -------
    low, high : numpy.ndarray of float, shape (positions,)
        As `antecurve.parts.scatter.position_box` returns them.

    Raises
    ------
    InputError
        When there are too many positions for all corners.
    """
    low, high = position_box(part_table(picked))
    free = free_positions(low, high)
    if free > MOST_POSITIONS:
        raise InputError(
            "network", f"{free} positions", f"the worst case takes at most {MOST_POSITIONS}"
        )
    return low, high


def corner_error_db(picked: PickedNetwork, conditions: Conditions) -> float:
    """Find the largest centred error over the corners of the tolerance box.

    Parameters
    ----------
    picked : PickedNetwork
        A network with its parts.
    conditions : Conditions
        Curve, loading and band.

    Returns
    -------
    float
        Centred error [dB]: every position wholly at its low or its high end.

    Raises
    ------
    InputError
        When there are too many positions for all corners, or the band is out of range.
    """
    responses = loaded_coefficients(
        picked.topology, box_corners(*checked_box(picked)), loading=conditions.loading
    )
    return float(CentredError(conditions.curve, band_hz=conditions.band_hz)(responses).max())
