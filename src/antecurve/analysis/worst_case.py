"""The worst case over the tolerance box."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from antecurve.analysis.band_error import BandError
from antecurve.analysis.scatter import part_table, position_values
from antecurve.curves.model import Curve
from antecurve.networks.topology import Loading
from antecurve.pick.parts import PickedNetwork

__all__ = ["position_box", "worst_corner"]

Floats = NDArray[np.float64]
_POINTS = 721


def position_box(picked: PickedNetwork) -> tuple[Floats, Floats]:
    table = part_table(picked)
    ends = [table.nominal * (1.0 + sign * table.tolerance) for sign in (-1.0, 1.0)]
    both = position_values(table, np.stack(ends, axis=1))
    return both[:, 0], both[:, 1]


def worst_corner(
    picked: PickedNetwork, *, curve: Curve, loading: Loading, band_hz: tuple[float, float]
) -> float:
    """Return the largest centred error over the corners of the tolerance box.

    Parameters
    ----------
    picked : PickedNetwork
        The network with its parts.
    curve : Curve
        The curve to impose.
    loading : Loading
        Source and load.
    band_hz : tuple of float
        Low and high end [Hz].

    Returns
    -------
    float
        Centred error [dB].
    """
    low, high = position_box(picked)
    ends = np.stack([low, high], axis=1)
    count = len(low)
    corner = (np.arange(2**count)[None, :] >> np.arange(count)[:, None]) & 1
    values = np.take_along_axis(ends, corner, axis=1)
    evaluator = BandError(picked.topology, curve, loading=loading, band_hz=band_hz, points=_POINTS)
    return float(evaluator.centred_db(evaluator.power_coefficients(values)).max())
