"""The centred error of very many builds of one topology, at the samples alone.

abs(H/E)**2 = N/D is a ratio of real polynomials in w**2.  With N = N0 (1 + n), D = D0 (1 + d)
about nominal values and r0 = N0/D0, up to a constant, N/D = 1 + q with

    q = ((r0 - 1) + r0 n - d) / (1 + d).

n and d are matrix products of the relative deviations of the coefficients, a row per power and a
column per build, with the powers of w**2; the centred error needs only the largest and the
smallest q of a build, so that two logarithms are taken per build, not one per frequency.  As q is
made of deviations alone, single precision gives it to about 1e-6 of its size, far within what
percentiles resolve, at twice the speed of double precision.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from antecurve.algebra.transfer_function import TransferFunction, squared_powers
from antecurve.arrays import read_only
from antecurve.curves.model import REFERENCE_ANGULAR_FREQUENCY, Curve, response
from antecurve.networks.centred_error import sampled_half_range
from antecurve.networks.compiled import loaded_coefficients
from antecurve.networks.topology import Loading, Topology
from antecurve.quantities import DB_PER_NEPER, check_band

__all__ = ["BUILD_STRIP", "POWER_DB", "BuildErrors"]

Floats = NDArray[np.float64]

POWER_DB = DB_PER_NEPER / 2.0
"""Decibels per neper of a power ratio."""
_WIDEST = 1e5
"""Range of a power ratio over the band that single precision still resolves beside 1."""
BUILD_STRIP = 512
"""Builds at a time: numerator and denominator strips stay in the cache."""


class _Deviations:
    """The two matrices that make numerator and denominator of q out of relative deviations.

    Rows of `columns`: those of the numerator's coefficients, those of the denominator's, ones.
    """

    __slots__ = ("above", "below", "nominal", "scale", "wide")

    def __init__(self, nominal: TransferFunction, frequency: Floats, weights: Floats) -> None:
        n0, d0 = nominal.numerator[0], nominal.denominator[0]
        powers = np.ascontiguousarray(squared_powers(frequency, max(len(n0), len(d0))).T)
        top, bottom = powers[:, : len(n0)], powers[:, : len(d0)]
        # Each power is scaled to at most 1 over the band, and its coefficient the other way.
        top = top / (top @ n0)[:, None]
        bottom = bottom / (bottom @ d0)[:, None]
        self.scale = np.concatenate([top.max(axis=0), bottom.max(axis=0)])
        self.nominal = np.concatenate([n0, d0])
        ratio = weights * (powers[:, : len(n0)] @ n0) / (powers[:, : len(d0)] @ d0)
        self.wide = not ratio.max() <= _WIDEST * ratio.min()
        if self.wide:
            return
        ratio /= math.sqrt(ratio.max()) * math.sqrt(ratio.min())
        top, bottom = top / top.max(axis=0), bottom / bottom.max(axis=0)
        self.above = np.hstack([ratio[:, None] * top, -bottom, ratio[:, None] - 1.0]).astype("f4")
        self.below = np.hstack([bottom, np.ones((len(frequency), 1))]).astype("f4")

    def columns(self, builds: TransferFunction) -> NDArray[np.float32]:
        """Compute relative deviations of the coefficients, shape (rows, builds)."""
        deviations = np.empty((len(self.nominal) + 1, len(builds.numerator)), dtype=np.float32)
        rows = (*builds.numerator.T, *builds.denominator.T)
        for row, values, nominal, scale in zip(
            deviations, rows, self.nominal, self.scale, strict=False
        ):
            row[:] = (values - nominal) * scale
        deviations[-1] = 1.0
        return deviations


class BuildErrors:
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
    nominal : numpy.ndarray of float, shape (positions,)
        Values that the builds lie about [ohm or F], greater than 0.
    points : int
        Number of frequencies, evenly spaced in the logarithm, at least 2.

    Attributes
    ----------
    frequency_hz : numpy.ndarray of float, shape (points,)
        The frequencies [Hz].
    topology, loading : Topology, Loading
        As given.

    Raises
    ------
    InputError
        When the band is not finite, above 0 Hz and ascending.
    """

    __slots__ = ("_deviations", "_weights", "frequency_hz", "loading", "topology")

    def __init__(
        self,
        topology: Topology,
        curve: Curve,
        *,
        loading: Loading,
        band_hz: tuple[float, float],
        nominal: Floats,
        points: int,
    ) -> None:
        check_band(band_hz)
        self.topology = topology
        self.loading = loading
        self.frequency_hz = read_only(np.geomspace(band_hz[0], band_hz[1], points))
        self._weights = np.abs(response(curve, self.frequency_hz)) ** -2.0
        self._deviations = _Deviations(
            self.power_coefficients(nominal[:, None]),
            self.frequency_hz,
            self._weights,
        )

    def power_coefficients(self, values: Floats) -> TransferFunction:
        """Compute abs(H)**2 of builds as a ratio of polynomials in w**2.

        Parameters
        ----------
        values : numpy.ndarray of float, shape (positions, builds)
            Values of the positions [ohm or F], greater than 0.

        Returns
        -------
        TransferFunction
            Ascending powers of w**2, shape (builds, powers); contiguous over builds.
        """
        coefficients = loaded_coefficients(self.topology, values.T, loading=self.loading)
        return coefficients.magnitude_squared()

    def ratio(self, builds: TransferFunction) -> Floats:
        """Compute abs(H/E)**2.

        Parameters
        ----------
        builds : TransferFunction
            As `power_coefficients` returns them.

        Returns
        -------
        numpy.ndarray of float, shape (points, builds)
            Power ratio, level included; abs(E) is 1 at 1 kHz.
        """
        top, bottom = builds.numerator.T, builds.denominator.T
        powers = squared_powers(self.frequency_hz, max(len(top), len(bottom))).T
        above, below = powers[:, : len(top)] * self._weights[:, None], powers[:, : len(bottom)]
        return np.asarray((above @ top) / (below @ bottom))

    def centred_db(self, builds: TransferFunction) -> Floats:
        """Compute the centred error.

        Parameters
        ----------
        builds : TransferFunction
            As `power_coefficients` returns them.

        Returns
        -------
        numpy.ndarray of float, shape (builds,)
            Half of (largest - smallest) 20 log10(abs(H/E)) over the frequencies [dB].
        """
        if self._deviations.wide:
            return self._plainly(builds)
        columns = self._deviations.columns(builds)
        above, below = self._deviations.above, self._deviations.below
        count = columns.shape[1]
        high, low = np.empty((2, count), dtype=np.float32)
        strips = np.empty((2, len(self.frequency_hz), BUILD_STRIP), dtype=np.float32)
        for first in range(0, count, BUILD_STRIP):
            part = slice(first, min(first + BUILD_STRIP, count))
            value, divisor = strips[:, :, : part.stop - part.start]
            np.matmul(above, columns[:, part], out=value)
            np.matmul(below, columns[-below.shape[1] :, part], out=divisor)
            value /= divisor
            value.max(axis=0, out=high[part])
            value.min(axis=0, out=low[part])
        return np.asarray(
            0.5 * POWER_DB * (np.log1p(high, dtype=float) - np.log1p(low, dtype=float))
        )

    def largest_apart_db(self, builds: TransferFunction, others: TransferFunction) -> Floats:
        """Compare the levels of builds with those of others, pair by pair.

        Parameters
        ----------
        builds, others : TransferFunction
            As `power_coefficients` returns them, equally many.

        Returns
        -------
        numpy.ndarray of float, shape (builds,)
            Largest magnitude of the difference of 20 log10(abs(H)) over the frequencies [dB].
        """
        pairs = [
            (builds.numerator.T, others.numerator.T),
            (others.denominator.T, builds.denominator.T),
        ]
        powers = squared_powers(self.frequency_hz, max(len(rows) for rows, _ in pairs)).T
        count = pairs[0][0].shape[1]
        high, low = np.empty((2, count))
        strips = np.empty((4, len(powers), BUILD_STRIP // 2))
        for first in range(0, count, strips.shape[2]):
            part = slice(first, min(first + strips.shape[2], count))
            quotients = strips[:, :, : part.stop - part.start]
            for (one, other), value, divisor in zip(
                pairs, quotients[:2], quotients[2:], strict=True
            ):
                np.matmul(powers[:, : len(one)], one[:, part], out=value)
                np.matmul(powers[:, : len(other)], other[:, part], out=divisor)
                value /= divisor
            quotients[0] *= quotients[1]
            quotients[0].max(axis=0, out=high[part])
            quotients[0].min(axis=0, out=low[part])
        return np.asarray(POWER_DB * np.maximum(np.log(high), -np.log(low)))

    def _plainly(self, builds: TransferFunction) -> Floats:
        """The centred error in double precision, where the error itself spans many decibels."""
        ratio = np.log(self.ratio(builds))
        return np.asarray(POWER_DB * sampled_half_range(ratio, axis=0))

    @property
    def wide(self) -> bool:
        """Whether the error spans so many decibels that it is no small deviation."""
        return self._deviations.wide

    def deviation_table(self) -> NDArray[np.float32]:
        """Make the table that turns relative deviations of coefficients into q.

        Returns
        -------
        numpy.ndarray of float32, shape (points, coefficients + 1)
            Shares of the coefficients in n and in d, then r0 - 1: see the module.
        """
        of_bottom = self._deviations.below[:, :-1]
        offset = self._deviations.above[:, -1:]
        above = self._deviations.above[:, : -1 - of_bottom.shape[1]]
        return np.hstack([above / (1.0 + offset), of_bottom, offset])

    def about_nominal(self) -> Floats:
        """Compute what coefficients are compared with.

        Returns
        -------
        numpy.ndarray of float, shape (4, coefficients)
            Of those of the numerator, then of the denominator: nominal value, scale of the
            deviation, and powers of w**2 at 1 kHz, for the numerator (else 0), for the
            denominator (else 0).
        """
        bottom = self._deviations.below.shape[1] - 1
        top = len(self._deviations.nominal) - bottom
        squared = REFERENCE_ANGULAR_FREQUENCY**2
        above, below = squared ** np.arange(top), squared ** np.arange(bottom)
        return np.array([
            self._deviations.nominal, self._deviations.scale,
            np.concatenate([above, np.zeros(bottom)]), np.concatenate([np.zeros(top), below]),
        ])  # fmt: skip

    def level_db(self, builds: TransferFunction) -> Floats:
        """Compute the level at 1 kHz.

        Parameters
        ----------
        builds : TransferFunction
            As `power_coefficients` returns them.

        Returns
        -------
        numpy.ndarray of float, shape (builds,)
            20 log10(abs(H(1 kHz))) [dB].
        """
        squared = REFERENCE_ANGULAR_FREQUENCY**2
        top, bottom = builds.numerator.T, builds.denominator.T
        above, below = squared ** np.arange(len(top)), squared ** np.arange(len(bottom))
        return np.asarray(POWER_DB * np.log((above @ top) / (below @ bottom)))
