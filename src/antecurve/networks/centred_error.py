"""The centred error: half of (max - min) of 20 log10(abs(H/E)) over a band, in dB.

The level of a network as a whole is no error.  `error_range` reports on one network, `CentredError`
evaluates many of any topology, both over the continuum of the band: what lies between samples is
told by a parabola through the three samples around each peak.  Between samples h apart in ln f it
misses by at most 0.0642 h**3 times the largest third derivative of the error.

`BuildErrors` evaluates very many builds of one topology, at the samples alone.  abs(H/E)**2 = N/D
is a ratio of real polynomials in w**2.  With N = N0 (1 + n), D = D0 (1 + d) about nominal values
and r0 = N0/D0, up to a constant,

.. math:: \frac{N}{D} = 1 + q, \\qquad q = \frac{(r_0 - 1) + r_0 n - d}{1 + d}

n and d are matrix products of the relative deviations of the coefficients, a row per power and a
column per build, with the powers of w**2; the centred error needs only the largest and the
smallest q of a build, so that two logarithms are taken per build, not one per frequency.  As q is
made of deviations alone, single precision gives it to about 1e-6 of its size, far within what
percentiles resolve, at twice the speed of double precision.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from antecurve.algebra.transfer_function import TransferFunction, squared_powers
from antecurve.arrays import highest_peaks, log_frequencies, read_only
from antecurve.checked import checked
from antecurve.curves.model import (
    REFERENCE_ANGULAR_FREQUENCY,
    REFERENCE_FREQUENCY_HZ,
    Curve,
    response,
)
from antecurve.networks.compiled import loaded_coefficients, transfer
from antecurve.networks.conditions import AnyNetwork, Conditions, conditions_of, network_of
from antecurve.networks.topology import Loading, Network, Topology
from antecurve.quantities import DB_PER_NEPER, check_band
from antecurve.results import Result

__all__ = [
    "BuildErrors",
    "CentredError",
    "ErrorRange",
    "error_db",
    "error_range",
    "reference_gain",
    "sampled_half_range",
]

Floats = NDArray[np.float64]
Extreme = TypeVar("Extreme", float, Floats)

_STRIP = 256
"""Networks at a time: what is computed of them stays in the cache."""
_POWER_DB = DB_PER_NEPER / 2.0
"""Decibels per neper of a power ratio."""
_WIDEST = 1e5
"""Range of a power ratio over the band that single precision still resolves beside 1."""
_BUILD_STRIP = 512
"""Builds at a time: numerator and denominator strips stay in the cache."""


def _half_range(highest: Extreme, lowest: Extreme) -> Extreme:
    """The centred error by the extremes of an error."""
    return 0.5 * (highest - lowest)


def sampled_half_range(error: Floats, *, axis: int = -1) -> Floats:
    """Compute the centred error of errors at samples, as they stand.

    Parameters
    ----------
    error : numpy.ndarray of float, shape (...)
        Errors [dB or Np], one axis over frequency.
    axis : int, optional
        That axis.

    Returns
    -------
    numpy.ndarray of float, shape (...)
        Half of (max - min) in the unit of the errors; the axis over frequency is gone.
    """
    return np.asarray(_half_range(error.max(axis=axis), error.min(axis=axis)))


class CentredError:
    """Evaluates the centred error of many transfer functions over the continuum of a band.

    Parameters
    ----------
    curve : Curve
        The curve to be imposed, limits included.
    band_hz : tuple of float
        Low and high end [Hz], 0 < low < high.

    Raises
    ------
    InputError
        When the band is not finite, above 0 Hz and ascending.

    Notes
    -----
    abs(H/E)**2 is a ratio of polynomials in w**2, a matrix product each, at 240 frequencies a
    decade.
    """

    __slots__ = ("_curve_db", "_frequency")

    def __init__(self, curve: Curve, *, band_hz: tuple[float, float]) -> None:
        frequency = log_frequencies(band_hz)
        self._frequency = frequency
        self._curve_db = 20.0 * np.log10(np.abs(response(curve, frequency)))

    def __call__(self, coefficients: TransferFunction) -> Floats:
        """Compute centred errors.

        Parameters
        ----------
        coefficients : TransferFunction, shape (rows, powers)
            Transfer functions, ascending powers of s.

        Returns
        -------
        numpy.ndarray of float, shape (rows,)
            Half of (max - min) of 20 log10(abs(H/E)) over the band [dB].
        """
        power = coefficients.magnitude_squared()
        top, bottom = np.atleast_2d(power.numerator), np.atleast_2d(power.denominator)
        powers = squared_powers(self._frequency, max(top.shape[1], bottom.shape[1]))
        centred = np.empty(len(top))
        for first in range(0, len(top), _STRIP):
            part = slice(first, first + _STRIP)
            ratio = top[part] @ powers[: top.shape[1]]
            ratio /= bottom[part] @ powers[: bottom.shape[1]]
            error = 10.0 * np.log10(ratio) - self._curve_db
            centred[part] = _half_range(highest_peaks(error).value, -highest_peaks(-error).value)
        return centred


@dataclass(frozen=True, slots=True)
class ErrorRange(Result):
    """The error over a band.

    Attributes
    ----------
    band_hz : tuple of float
        Low and high end [Hz].
    centred_db : float
        Half of (max - min) of the error [dB].
    at_1khz_db : float
        Largest magnitude of the error with 0 dB at 1 kHz [dB].
    rms_db : float
        Root mean square of the error over log frequency about its mean [dB].
    lowest_hz, highest_hz : float
        Frequencies [Hz] of the smallest and largest error.
    """

    band_hz: tuple[float, float]
    centred_db: float
    at_1khz_db: float
    rms_db: float
    lowest_hz: float
    highest_hz: float


@checked
def reference_gain(network: Network, *, loading: Loading) -> float:
    """Compute output level over EMF at 1 kHz.

    Parameters
    ----------
    network : Network
        The network.
    loading : Loading
        Source and load.

    Returns
    -------
    float
        abs(H) at 1 kHz.
    """
    return abs(complex(transfer(network, REFERENCE_FREQUENCY_HZ, loading=loading)[0]))


@checked
def error_db(
    network: Network,
    curve: Curve,
    frequency_hz: ArrayLike,
    *,
    loading: Loading,
    published: bool = False,
) -> NDArray[np.float64]:
    """Compute the error of a network in dB, 0 at 1 kHz.

    Parameters
    ----------
    network : Network
        The network.
    curve : Curve
        The curve it has to impose.
    frequency_hz : array_like, shape (frequencies,)
        Frequencies [Hz], greater than 0.
    loading : Loading
        Source and load.
    published : bool, optional
        Whether to compare with the published time constants alone.

    Returns
    -------
    numpy.ndarray of float, shape (frequencies,)
        20 log10(abs(H/E)) [dB] less its value at 1 kHz.

    Raises
    ------
    InputError
        When a frequency is not finite and greater than 0.
    """
    frequency = np.append(np.atleast_1d(np.asarray(frequency_hz, float)), REFERENCE_FREQUENCY_HZ)
    ratio = transfer(network, frequency, loading=loading)
    ratio = ratio / response(curve, frequency, published=published)
    level = 20.0 * np.log10(np.abs(ratio))
    return np.asarray(level[:-1] - level[-1])


@checked
def error_range(
    design: AnyNetwork,
    conditions: Conditions | None = None,
    *,
    published: bool = False,
) -> ErrorRange:
    """Find the range of the error of a network over a band.

    Parameters
    ----------
    design : HasNetwork or Network
        What is analysed: a design, or a network that comes with `conditions`.
    conditions : Conditions, optional
        Curve, generator, unit and band; those of the design by default.
    published : bool, optional
        Whether to compare with the published time constants alone.

    Returns
    -------
    ErrorRange
        Centred error, error at 1 kHz, rms.

    Raises
    ------
    InputError
        When the band is not finite, above 0 Hz and ascending.

    Notes
    -----
    Sampled at 240 points a decade; the extremes between points by a parabola through the three
    samples around each.
    """
    network = network_of(design)
    conditions = conditions_of(design, conditions)
    curve, band_hz, loading = conditions.curve, conditions.band_hz, conditions.loading
    frequency = log_frequencies(band_hz)
    error = error_db(network, curve, frequency, loading=loading, published=published)
    peaks = highest_peaks(np.stack([error, -error]))
    high, low = peaks.value.tolist()
    highest_hz, lowest_hz = (
        frequency[0] * (frequency[1] / frequency[0]) ** peaks.position
    ).tolist()
    weights = np.ones_like(error)
    weights[[0, -1]] = 0.5
    mean = float(np.average(error, weights=weights))
    rms = math.sqrt(float(np.average((error - mean) ** 2, weights=weights)))
    return ErrorRange(
        band_hz=(float(band_hz[0]), float(band_hz[1])),
        centred_db=_half_range(high, -low),
        at_1khz_db=max(abs(high), abs(low)),
        rms_db=rms,
        lowest_hz=lowest_hz,
        highest_hz=highest_hz,
    )


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

    Raises
    ------
    InputError
        When the band is not finite, above 0 Hz and ascending.
    """

    __slots__ = ("_deviations", "_loading", "_topology", "_weights", "frequency_hz")

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
        self._topology = topology
        self._loading = loading
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
        coefficients = loaded_coefficients(self._topology, values.T, loading=self._loading)
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
        strips = np.empty((2, len(self.frequency_hz), _BUILD_STRIP), dtype=np.float32)
        for first in range(0, count, _BUILD_STRIP):
            part = slice(first, min(first + _BUILD_STRIP, count))
            value, divisor = strips[:, :, : part.stop - part.start]
            np.matmul(above, columns[:, part], out=value)
            np.matmul(below, columns[-below.shape[1] :, part], out=divisor)
            value /= divisor
            value.max(axis=0, out=high[part])
            value.min(axis=0, out=low[part])
        return np.asarray(
            _POWER_DB * _half_range(np.log1p(high, dtype=float), np.log1p(low, dtype=float))
        )

    def _plainly(self, builds: TransferFunction) -> Floats:
        """The centred error in double precision, where the error itself spans many decibels."""
        ratio = np.log(self.ratio(builds))
        return np.asarray(_POWER_DB * sampled_half_range(ratio, axis=0))

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
        return np.asarray(_POWER_DB * np.log((above @ top) / (below @ bottom)))
