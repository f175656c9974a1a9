"""Directions in which element values can move together without a change of the response."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.networks.topology import Topology

__all__ = ["FreeDirection", "free_directions"]

_RANK = 1e-9
"""Singular values below this part of the largest count as 0: rounding leaves 1e-13."""
_STILL = 1e-6
"""An exponent this small moves a value by nothing that can be bought."""

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class FreeDirection:
    """A way to change element values together that leaves the response alone.

    Attributes
    ----------
    changes : tuple of tuple
        Pairs (reference, exponent): each value may be multiplied by k ** exponent, for k near 1.
    text : str
        The same in words.
    """

    changes: tuple[tuple[str, float], ...]
    text: str


def free_directions(topology: Topology, slopes: Floats) -> tuple[FreeDirection, ...]:
    """Find the null space of a Jacobian by the logarithms of values, other unknowns following.

    Parameters
    ----------
    topology : Topology
        The network.
    slopes : numpy.ndarray of float, shape (equations, unknowns)
        The Jacobian; the unknowns begin with the logarithms of the element values.

    Returns
    -------
    tuple of FreeDirection
        As many as the equations leave, each moving as few values as can be.
    """
    _, singular, vectors = np.linalg.svd(slopes)
    rank = int(np.sum(singular > _RANK * singular[0]))
    null = vectors[rank:, : len(topology.elements)]
    return tuple(_direction(topology, row) for row in _reduced(null))


def _reduced(rows: Floats) -> Floats:
    """Row-echelon form by full pivoting, so that each direction moves as few values as can be."""
    rows = rows.copy()
    for index in range(len(rows)):
        row, column = divmod(int(np.abs(rows[index:]).argmax()), rows.shape[1])
        rows[[index, index + row]] = rows[[index + row, index]]
        rows[index] /= rows[index, column]
        for other in range(len(rows)):
            if other != index:
                rows[other] -= rows[other, column] * rows[index]
    rows[np.abs(rows) < _STILL] = 0.0
    return rows


def _direction(topology: Topology, row: Floats) -> FreeDirection:
    changes = tuple(
        (ref, float(exponent)) for ref, exponent in zip(topology.refs, row, strict=True) if exponent
    )
    words = ", ".join(f"{ref} by {exponent:+#.3g} %" for ref, exponent in changes)
    return FreeDirection(changes, f"change together: {words}")
