"""The centred error of very many builds at once.

abs(H/E)**2 is a ratio of real polynomials in w**2.  Its coefficients, one row per power and one
column per build, times the powers of w**2 divided by abs(E)**2 is one matrix product each for
numerator and denominator; the centred error needs only the largest and the smallest quotient
of a build, so that two logarithms are taken per build, not one per frequency.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from antecurve.curves.model import REFERENCE_FREQUENCY_HZ, Curve, response
from antecurve.networks.compiled import (
    Coefficients,
    magnitude_squared_coefficients,
    transfer_coefficients,
)
from antecurve.networks.topology import Loading, Topology

__all__ = ["BandError"]

Floats = NDArray[np.float64]
_DB = 10.0 / math.log(10.0)
_STRIP = 1024  # builds at a time: numerator and denominator strips stay in the cache


class BandError:
    """Evaluates abs(H/E) of many builds of one topology over a band.

    Parameters
    ----------
    topology : Topology
        The network's shape.
    curve : Curve
        The curve to be imposed, limits included.
    loading : Loading
        Source and load.
    band_hz : tuple of float
        Low and high end [Hz]; both are among the frequencies.
    points : int
        Number of frequencies, evenly spaced in the logarithm, at least 2.

    Attributes
    ----------
    frequency_hz : numpy.ndarray of float, shape (points,)
        The frequencies [Hz].
    """

    __slots__ = ("_loading", "_topology", "_weights", "frequency_hz")

    def __init__(
        self,
        topology: Topology,
        curve: Curve,
        *,
        loading: Loading,
        band_hz: tuple[float, float],
        points: int,
    ) -> None:
        self._topology = topology
        self._loading = loading
        self.frequency_hz = np.geomspace(band_hz[0], band_hz[1], points)
        self.frequency_hz.setflags(write=False)
        self._weights = np.abs(response(curve, self.frequency_hz)) ** -2.0

    def power_coefficients(self, values: Floats) -> Coefficients:
        """Return abs(H)**2 of builds as a ratio of polynomials in w**2.

        Parameters
        ----------
        values : numpy.ndarray of float, shape (positions, builds)
            Values of the positions [ohm or F], greater than 0.

        Returns
        -------
        Coefficients
            Ascending powers of w**2, shape (builds, powers); contiguous over builds.
        """
        found = transfer_coefficients(
            self._topology,
            values.T,
            source_resistance=self._loading.source_resistance,
            load_resistance=self._loading.load_resistance,
            load_capacitance=self._loading.load_capacitance,
        )
        return Coefficients(
            magnitude_squared_coefficients(found.numerator),
            magnitude_squared_coefficients(found.denominator),
        )

    def _powers(self, count: int) -> Floats:
        squared = (2.0 * math.pi * self.frequency_hz) ** 2
        return np.asarray(squared[:, None] ** np.arange(count))

    def ratio(self, builds: Coefficients) -> Floats:
        """Return abs(H/E)**2.

        Parameters
        ----------
        builds : Coefficients
            As `power_coefficients` returns them.

        Returns
        -------
        numpy.ndarray of float, shape (points, builds)
            Power ratio, level included; abs(E) is 1 at 1 kHz.
        """
        top, bottom = builds.numerator.T, builds.denominator.T
        above = self._powers(len(top)) * self._weights[:, None]
        return np.asarray((above @ top) / (self._powers(len(bottom)) @ bottom))

    def centred_db(self, builds: Coefficients) -> Floats:
        """Return the centred error.

        Parameters
        ----------
        builds : Coefficients
            As `power_coefficients` returns them.

        Returns
        -------
        numpy.ndarray of float, shape (builds,)
            Half of (largest - smallest) 20 log10(abs(H/E)) over the frequencies [dB].
        """
        top, bottom = builds.numerator.T, builds.denominator.T
        above = self._powers(len(top)) * self._weights[:, None]
        below = self._powers(len(bottom))
        count = top.shape[1]
        span = np.empty(count)
        strips = [np.empty((len(self.frequency_hz), _STRIP)) for _ in range(2)]
        for first in range(0, count, _STRIP):
            part = slice(first, min(first + _STRIP, count))
            value, divisor = (strip[:, : part.stop - part.start] for strip in strips)
            np.matmul(above, top[:, part], out=value)
            np.matmul(below, bottom[:, part], out=divisor)
            value /= divisor
            span[part] = value.max(axis=0) / value.min(axis=0)
        return np.asarray(0.5 * _DB * np.log(span))

    def level_db(self, builds: Coefficients) -> Floats:
        """Return the level at 1 kHz.

        Parameters
        ----------
        builds : Coefficients
            As `power_coefficients` returns them.

        Returns
        -------
        numpy.ndarray of float, shape (builds,)
            20 log10(abs(H(1 kHz))) [dB].
        """
        squared = (2.0 * math.pi * REFERENCE_FREQUENCY_HZ) ** 2
        top, bottom = builds.numerator.T, builds.denominator.T
        above, below = squared ** np.arange(len(top)), squared ** np.arange(len(bottom))
        return np.asarray(_DB * np.log((above @ top) / (below @ bottom)))
