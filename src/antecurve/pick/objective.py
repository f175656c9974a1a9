"""The centred error of many combinations over the whole band."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from antecurve.networks.centred_error import CentredError
from antecurve.pick.model import NEPER_DB, NetworkModel

__all__ = ["FLOOR", "ErrorOverBand", "resolution"]

Floats = NDArray[np.float64]

_CHUNK = 1000  # rows at a time: bounds the memory
_RELATIVE = 1e-5  # what a parabola between samples misses: see `resolution`
_ABSOLUTE = 1e-12  # Np: rounding
FLOOR = 1e-5 / NEPER_DB
"""Centred error [Np] below which no better combination is looked for: 1e-5 dB."""


def resolution(error: float) -> float:
    """Bound the numerical error of a centred error computed over the band.

    Parameters
    ----------
    error : float
        The centred error [Np].

    Returns
    -------
    float
        Bound of its own error [Np]: 1e-5 of it.

    Notes
    -----
    Between samples h apart in ln f a parabola misses by at most 0.0642 h^3 D, D being the largest
    third derivative.  Each time constant, of network or curve, adds at most 0.385 to D, so with
    ten of them and 240 samples a decade the miss is below 2.2e-7 Np, which is 1e-5 of errors
    above 0.2 dB.  Smaller errors come from time constants near the curve's.  Then the error is
    linear in a few smooth functions, D shrinks with it and stays below 100 times the error, and
    the miss is again below 1e-5 of it.
    """
    return _RELATIVE * error + _ABSOLUTE


class ErrorOverBand:
    """Centred errors over the continuum of the band.

    Parameters
    ----------
    model : NetworkModel
        The network and its job.

    Notes
    -----
    Sampled at 240 frequencies a decade, and every extreme between samples by a parabola
    through the three samples around it; see `resolution`.
    """

    def __init__(self, model: NetworkModel) -> None:
        self._model = model
        self._error_db = CentredError(model.job.curve, band_hz=model.job.target.band_hz)

    def __call__(self, values: Floats) -> Floats:
        """Compute centred errors.

        Parameters
        ----------
        values : numpy.ndarray of float, shape (combinations, elements)
            Element values [ohm and F].

        Returns
        -------
        numpy.ndarray of float, shape (combinations,)
            Half of (max - min) over the band [Np].
        """
        parts = [
            self._error_db(self._model.transfer(values[i : i + _CHUNK])) / NEPER_DB
            for i in range(0, len(values), _CHUNK)
        ]
        return np.concatenate([np.zeros(0), *parts])
