"""The network seen by the search: levels in nepers over log values, and their slopes.

A *row* is a frequency: r_k(x) = ln|H(f_k; x)| - ln|E(f_k)| - ln g with x the natural logarithms
of the element values and g the wanted gain at 1 kHz.  The last row is 1 kHz, where the level
counts; the rows before it span the band, where the shape counts.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.algebra.transfer_function import TransferFunction
from antecurve.curves.model import REFERENCE_FREQUENCY_HZ, level_db
from antecurve.job import Job
from antecurve.networks.compiled import (
    input_impedance_coefficients,
    loaded_coefficients,
    output_impedance_coefficients,
)
from antecurve.networks.sensitivity import each_at_zero
from antecurve.networks.topology import Topology
from antecurve.pick.convexity import convex_magnitudes
from antecurve.pick.structure import ladder_of, resistors_across_output, resistors_at_input

__all__ = ["CURVATURE_GROWTH", "NEPER_DB", "Linear", "NetworkModel"]

Floats = NDArray[np.float64]

NEPER_DB = 20.0 / math.log(10.0)
"""One neper in dB."""
CURVATURE_GROWTH = 2.0 * math.sqrt(5.0)
"""kappa: u grows at most by exp(kappa h) within a box of half width h (`antecurve.pick.bounds`)."""

_FEW = 4  # frequencies that leave few networks for the others: of 3 to 5 the fastest
_LARGEST_EXPONENT = 600.0  # its exponential is still a double
_ROUNDED = 1e-9  # relative: more than a row rounds


@dataclass(frozen=True, slots=True, eq=False)
class Linear:
    """Logarithms of magnitudes and their slopes at many points.

    Attributes
    ----------
    rows : numpy.ndarray of float, shape (points, rows)
        Logarithms [Np].
    slopes : numpy.ndarray of float, shape (points, rows, elements)
        Derivatives by x_i = ln v_i.
    top_sizes, bottom_sizes : numpy.ndarray of float, shape (points, rows, elements)
        u(S_i) = 2 Re S_i (1 - Re S_i) + |Im S_i| of numerator and denominator, S_i the complex
        slope of each: they bound the curvature (`antecurve.pick.bounds`).  Those of a numerator
        that is no ladder's are 0.
    """

    rows: Floats
    slopes: Floats
    top_sizes: Floats
    bottom_sizes: Floats


@dataclass(frozen=True, slots=True)
class Magnitude:
    """The logarithm of one polynomial's magnitude at many points.

    Attributes
    ----------
    rows : numpy.ndarray of float, shape (rows, points)
        Logarithms [Np].
    slopes, sizes : numpy.ndarray of float, shape (rows, elements, points)
        Re S_i and u(S_i), as `Linear` has them.
    """

    rows: Floats
    slopes: Floats
    sizes: Floats


class NetworkModel:
    """Vectorised rows and slopes of one topology for one job.

    Parameters
    ----------
    topology : Topology
        The shape of the network.
    job : Job
        Curve, loading, level and band.
    count : int, optional
        Number of frequencies over the band, at least 4.

    Attributes
    ----------
    frequency : numpy.ndarray of float, shape (rows,)
        Frequencies [Hz]: the band, then 1 kHz.
    target : numpy.ndarray of float, shape (rows,)
        ln|E| + ln g [Np].
    ladder : Ladder or None
        The arms of the network, if it is a ladder.
    across_output, at_input : tuple of int
        Resistors that the output impedance is below, and the input impedance above.
    convex : tuple of bool
        Whether ln|N| and ln|D| of H = N/D are convex in x, as far as shown.
    """

    def __init__(self, topology: Topology, job: Job, *, count: int = 9) -> None:
        self.topology = topology
        self.job = job
        self.ladder = ladder_of(topology)
        self.across_output = resistors_across_output(topology)
        self.at_input = resistors_at_input(topology)
        self.convex = convex_magnitudes(topology)
        self.frequency = np.append(np.geomspace(*job.target.band_hz, count), REFERENCE_FREQUENCY_HZ)
        self.target = level_db(job.curve, self.frequency) / NEPER_DB + math.log(job.gain)
        self._band = _Powers(2.0 * math.pi * self.frequency)
        few = np.unique(np.linspace(0, count - 1, _FEW).round().astype(int))
        self._stages = tuple(
            (_Powers(2.0 * math.pi * self.frequency[at]), np.exp(-2.0 * self.target[at])[:, None])
            for at in (few, np.arange(count))
        )
        self._low = _Powers(np.array([2.0 * math.pi * REFERENCE_FREQUENCY_HZ]))
        self._high = _Powers(np.array([2.0 * math.pi * job.target.band_hz[1]]))

    def transfer(self, values: Floats) -> TransferFunction:
        """Compute the coefficients of H for many networks.

        Parameters
        ----------
        values : numpy.ndarray of float, shape (..., elements)
            Element values [ohm and F].

        Returns
        -------
        TransferFunction
            Ascending powers of s.
        """
        loading = self.job.loading
        return loaded_coefficients(self.topology, values, loading=loading)

    def output(self, values: Floats) -> TransferFunction:
        """Compute the coefficients of the output impedance; parameters as in `transfer`.

        Parameters
        ----------
        values : numpy.ndarray of float, shape (points, elements)
            Element values [ohm and F].

        Returns
        -------
        TransferFunction
            Ascending powers of s.
        """
        return output_impedance_coefficients(
            self.topology, values, source_resistance=self.job.loading.source_resistance
        )

    def input(self, values: Floats) -> TransferFunction:
        """Compute the coefficients of the input impedance; parameters as in `transfer`.

        Parameters
        ----------
        values : numpy.ndarray of float, shape (points, elements)
            Element values [ohm and F].

        Returns
        -------
        TransferFunction
            Ascending powers of s.
        """
        loading = self.job.loading
        return input_impedance_coefficients(
            self.topology,
            values,
            load_resistance=loading.load_resistance,
            load_capacitance=loading.load_capacitance,
        )

    def rows(self, values: Floats) -> Floats:
        """Compute the rows of networks.

        Parameters
        ----------
        values : numpy.ndarray of float, shape (points, elements)
            Element values [ohm and F].

        Returns
        -------
        numpy.ndarray of float, shape (points, rows)
            r_k [Np].
        """
        coefficients = self.transfer(values)
        square = self._band.square(coefficients.numerator) / self._band.square(
            coefficients.denominator
        )
        return np.asarray(0.5 * np.log(square.T) - self.target)

    def near(self, values: Floats, limit: float) -> NDArray[np.int64]:
        """List networks whose centred error over the rows of the band may be within a limit.

        Parameters
        ----------
        values : numpy.ndarray of float, shape (points, elements)
            Element values [ohm and F].
        limit : float
            Largest centred error [Np].

        Returns
        -------
        numpy.ndarray of int, shape (some,)
            Their places, ascending: all within the limit, and those beyond it by rounding alone.
        """
        coefficients = self.transfer(values)
        top, bottom = coefficients.numerator, coefficients.denominator
        places = np.arange(len(values))
        most = math.exp(min(4.0 * limit, _LARGEST_EXPONENT)) * (1.0 + _ROUNDED)
        for powers, scale in self._stages:  # few frequencies leave few networks for all of them
            square = powers.square(top)
            square /= powers.square(bottom)
            square *= scale
            within = np.flatnonzero(square.max(axis=0) <= most * square.min(axis=0))
            places, top, bottom = places[within], top[within], bottom[within]
        return places

    def linearise(self, values: Floats) -> Linear:
        """Compute rows, slopes and sizes of networks.

        Parameters
        ----------
        values : numpy.ndarray of float, shape (points, elements)
            Element values [ohm and F].

        Returns
        -------
        Linear
            Of r_k.
        """
        return _linear(
            self.transfer(_each_at_zero(values)),
            self._band,
            target=self.target,
            numerator_sizes=self.ladder is not None,
        )

    def linearise_apart(self, values: Floats) -> tuple[Magnitude, Magnitude]:
        """Linearise numerator and denominator of networks each by itself.

        Parameters
        ----------
        values : numpy.ndarray of float, shape (points, elements)
            Element values [ohm and F].

        Returns
        -------
        numerator, denominator : Magnitude
            Without curve and level.
        """
        coefficients = self.transfer(_each_at_zero(values))
        return (
            _magnitude(coefficients.numerator, self._band),
            _magnitude(coefficients.denominator, self._band),
        )

    def rows_and_slopes(self, values: Floats) -> tuple[Floats, Floats]:
        """Compute rows and slopes of networks as `linearise` does, without the sizes.

        Parameters
        ----------
        values : numpy.ndarray of float, shape (points, elements)
            Element values [ohm and F].

        Returns
        -------
        rows : numpy.ndarray of float, shape (points, rows)
            r_k [Np].
        slopes : numpy.ndarray of float, shape (points, rows, elements)
            Derivatives by x_i = ln v_i.
        """
        coefficients = self.transfer(_each_at_zero(values))
        (top, top_slopes), (bottom, bottom_slopes) = (
            _sloping(*self._band(polynomial))
            for polynomial in (coefficients.numerator, coefficients.denominator)
        )
        bottom_slopes -= top_slopes
        return (top - bottom).T - self.target, bottom_slopes.transpose(2, 0, 1)

    def linearise_output(self, values: Floats) -> Linear:
        """Linearise the logarithm of the output impedance at 1 kHz: one row.

        Parameters
        ----------
        values : numpy.ndarray of float, shape (points, elements)
            Element values [ohm and F].

        Returns
        -------
        Linear
            One row, of ln|Z| with Z in ohm.
        """
        return _linear(self.output(_each_at_zero(values)), self._low)

    def linearise_input(self, values: Floats) -> Linear:
        """Linearise the logarithm of the input impedance at the band's high end: one row.

        Parameters
        ----------
        values : numpy.ndarray of float, shape (points, elements)
            Element values [ohm and F].

        Returns
        -------
        Linear
            One row, of ln|Z| with Z in ohm.
        """
        return _linear(self.input(_each_at_zero(values)), self._high)

    def positive_numerator(self, values: Floats) -> tuple[Floats, Floats]:
        """Compute how much the terms of the numerator cancel at s = j w, and slopes at s = w.

        Parameters
        ----------
        values : numpy.ndarray of float, shape (points, elements)
            Element values [ohm and F].

        Returns
        -------
        ratio : numpy.ndarray of float, shape (points, rows)
            N(w) / abs(N(j w)), at least 1.
        slopes : numpy.ndarray of float, shape (points, rows, elements)
            dln N(w) / dx_i, in [0, 1].
        """
        numerator = self.transfer(_each_at_zero(values)).numerator
        omega = 2.0 * math.pi * self.frequency
        positive = numerator @ omega ** np.arange(numerator.shape[-1])[:, None]
        slopes = 1.0 - positive[:-1] / positive[-1]
        with np.errstate(divide="ignore"):
            ratio = positive[-1] / np.sqrt(self._band.square(numerator[-1]).T)
        return np.maximum(ratio, 1.0), np.moveaxis(slopes, 0, -1)


def _each_at_zero(values: Floats) -> Floats:
    """Values with each set to 0 in turn, shape (count + 1, points, count).

    In memory points come last: whatever is done for each of them then runs through without gaps.
    """
    return np.ascontiguousarray(each_at_zero(values).T).transpose(1, 2, 0)


class _Powers:
    """Polynomials in s over the frequencies s = j w, real and imaginary part apart.

    What `antecurve.algebra` evaluates in general, for the search's one set of frequencies: their
    powers are made once, and no complex number is.  Shape (..., powers) becomes (rows, ...).
    """

    def __init__(self, omega: Floats) -> None:
        self._s = 1j * omega
        self._known: dict[int, tuple[Floats, Floats]] = {}

    def __call__(self, polynomial: Floats) -> tuple[Floats, Floats]:
        length = polynomial.shape[-1]
        if length not in self._known:
            s = self._s[:, None] ** np.arange(length)
            self._known[length] = (np.ascontiguousarray(s.real), np.ascontiguousarray(s.imag))
        shape = (len(self._s), *polynomial.shape[:-1])
        # Thousands of short calls: `moveaxis` costs more than the little that it says.
        powers = polynomial.transpose(-1, *range(polynomial.ndim - 1)).reshape(length, -1)
        real, imaginary = (factors @ powers for factors in self._known[length])
        return real.reshape(shape), imaginary.reshape(shape)

    def square(self, polynomial: Floats) -> Floats:
        """Square the magnitudes."""
        real, imaginary = self(polynomial)
        return np.asarray(real * real + imaginary * imaginary)


def _sloping(a: Floats, b: Floats) -> tuple[Floats, Floats]:
    """ln|a + jb| of the last of each, and how far its slopes are below 1; a and b are used up."""
    whole, whole_i = a[:, -1:], b[:, -1:]
    square = whole * whole + whole_i * whole_i
    below, below_i = a[:, :-1], b[:, :-1]
    below *= whole / square
    below_i *= whole_i / square
    below += below_i
    return np.asarray(0.5 * np.log(square[:, 0])), below


def _linear(
    coefficients: TransferFunction,
    powers: _Powers,
    *,
    target: Floats | float = 0.0,
    numerator_sizes: bool = True,
) -> Linear:
    """Logarithmic sensitivities as `antecurve.networks.sensitivity` has them, written out.

    Real and imaginary parts run apart: the search spends most of its time here, needs the real
    part of S alone and the size of its curvature from the same products.
    """
    rows: Floats | float = 0.0
    slopes: Floats | float = 0.0
    sizes: list[Floats] = []
    for polynomial, sign in ((coefficients.numerator, 1.0), (coefficients.denominator, -1.0)):
        wanted = sign < 0.0 or numerator_sizes
        magnitude = _magnitude(polynomial, powers, sizes=wanted)
        rows = rows + sign * magnitude.rows
        slopes = magnitude.slopes if sign > 0.0 else slopes - magnitude.slopes
        sizes.append(magnitude.sizes if wanted else np.zeros_like(magnitude.slopes))
    return Linear(
        np.asarray(rows).T - target,
        np.asarray(slopes).transpose(2, 0, 1),
        *(size.transpose(2, 0, 1) for size in sizes),
    )


def _magnitude(polynomial: Floats, powers: _Powers, *, sizes: bool = True) -> Magnitude:
    """The logarithm of a magnitude, the slopes, and the sizes of their curvature if wanted."""
    a, b = powers(polynomial)
    whole, whole_i = a[:, -1:], b[:, -1:]
    square = whole * whole + whole_i * whole_i
    whole, whole_i = whole / square, whole_i / square
    a, b = a[:, :-1], b[:, :-1]
    cross_term = a * whole
    cross_term += b * whole_i
    real = 1.0 - cross_term
    if sizes:
        b *= whole  # a and b are used up
        a *= whole_i
        b -= a
        imaginary = np.abs(b, out=b)
        cross_term *= real
        cross_term *= 2.0
        cross_term += imaginary
    return Magnitude(np.asarray(0.5 * np.log(square[:, 0])), real, cross_term)
