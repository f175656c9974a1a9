"""The centred error of many combinations over the whole band."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from antecurve.curves.model import level_db
from antecurve.networks.compiled import magnitude_squared_coefficients
from antecurve.networks.deviation import log_frequencies
from antecurve.pick.model import NEPER_DB, NetworkModel

__all__ = ["RESOLUTION", "ErrorOverBand"]

Floats = NDArray[np.float64]

RESOLUTION = 1e-9
"""How well an error is known that is computed over the whole band [Np]."""

_CHUNK = 2000


class ErrorOverBand:
    """Centred errors over the continuum of the band.

    Parameters
    ----------
    model : NetworkModel
        The network and its job.

    Notes
    -----
    Sampled at 240 frequencies a decade, and the extremes between samples by a parabola
    through the three samples around each, as `antecurve.networks.deviation.error_range` does.
    The fourth derivative of a row by ln f is a sum of bounded bumps, one per time constant, so
    the parabola misses by less than `RESOLUTION`.
    """

    def __init__(self, model: NetworkModel) -> None:
        self._model = model
        frequency = log_frequencies(*model.job.target.band_hz)
        self._square = (2.0 * np.pi * frequency) ** 2
        self._target = level_db(model.job.curve, frequency) / NEPER_DB

    def __call__(self, values: Floats) -> Floats:
        """Return centred errors.

        Parameters
        ----------
        values : numpy.ndarray of float, shape (combinations, elements)
            Element values [ohm and F].

        Returns
        -------
        numpy.ndarray of float, shape (combinations,)
            Half of (max - min) over the band [Np].
        """
        parts = [self._some(values[i : i + _CHUNK]) for i in range(0, len(values), _CHUNK)]
        return np.concatenate([np.zeros(0), *parts])

    def _some(self, values: Floats) -> Floats:
        found = self._model.transfer(values)
        squares = []
        for polynomial in (found.numerator, found.denominator):
            coefficients = magnitude_squared_coefficients(polynomial)
            powers = self._square ** np.arange(coefficients.shape[-1])[:, None]
            squares.append(coefficients @ powers)
        rows = 0.5 * np.log(squares[0] / squares[1]) - self._target
        return np.asarray((_highest(rows) + _highest(-rows)) / 2.0)


def _highest(rows: Floats) -> Floats:
    """Maxima, by a parabola through the samples around each."""
    top = rows.argmax(axis=1)
    inner = np.clip(top, 1, rows.shape[1] - 2)
    row = np.arange(len(rows))
    left, middle, right = (rows[row, inner + k] for k in (-1, 0, 1))
    curvature = left - 2.0 * middle + right
    bent = (curvature < 0.0) & (inner == top)
    peak = middle - (left - right) ** 2 / (8.0 * np.where(bent, curvature, -1.0))
    return np.asarray(np.where(bent, peak, rows[row, top]))
