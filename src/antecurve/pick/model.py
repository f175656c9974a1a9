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

from antecurve.curves.model import REFERENCE_FREQUENCY_HZ, level_db
from antecurve.job import Job
from antecurve.networks.compiled import transfer_coefficients
from antecurve.networks.topology import Topology

__all__ = ["NEPER_DB", "Linear", "NetworkModel"]

Floats = NDArray[np.float64]

NEPER_DB = 20.0 / math.log(10.0)
"""One neper in dB."""


@dataclass(frozen=True, slots=True, eq=False)
class Linear:
    """Rows and slopes at many points.

    Attributes
    ----------
    rows : numpy.ndarray of float, shape (points, rows)
        r_k [Np].
    slopes : numpy.ndarray of float, shape (points, rows, elements)
        dr_k / dx_i.
    sizes : numpy.ndarray of float, shape (points, rows, elements)
        abs(S_i) of the numerator plus abs(S_i) of the denominator, which bound the curvature.
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
    """

    def __init__(self, topology: Topology, job: Job, *, count: int = 13) -> None:
        self.topology = topology
        self.loading = job.loading
        self.frequency = np.append(np.geomspace(*job.target.band_hz, count), REFERENCE_FREQUENCY_HZ)
        self._target = level_db(job.curve, self.frequency) / NEPER_DB + math.log(job.gain)
        self._powers: dict[int, tuple[Floats, Floats]] = {}

    def _values(self, polynomial: Floats) -> tuple[Floats, Floats]:
        """Real and imaginary part of polynomials in s over the rows."""
        length = polynomial.shape[-1]
        if length not in self._powers:
            s = (2j * math.pi * self.frequency) ** np.arange(length)[:, None]
            self._powers[length] = (np.ascontiguousarray(s.real), np.ascontiguousarray(s.imag))
        real, imaginary = self._powers[length]
        return polynomial @ real, polynomial @ imaginary

    def _coefficients(self, values: Floats) -> tuple[Floats, Floats]:
        found = transfer_coefficients(
            self.topology,
            values,
            source_resistance=self.loading.source_resistance,
            load_resistance=self.loading.load_resistance,
            load_capacitance=self.loading.load_capacitance,
        )
        return found.numerator, found.denominator

    def rows(self, values: Floats) -> Floats:
        """Return the rows of networks.

        Parameters
        ----------
        values : numpy.ndarray of float, shape (points, elements)
            Element values [ohm and F].

        Returns
        -------
        numpy.ndarray of float, shape (points, rows)
            r_k [Np].
        """
        numerator, denominator = self._coefficients(values)
        a, b = self._values(numerator)
        c, d = self._values(denominator)
        return np.asarray(0.5 * np.log((a * a + b * b) / (c * c + d * d)) - self._target)

    def linearise(self, values: Floats) -> Linear:
        """Return rows and slopes of networks.

        Parameters
        ----------
        values : numpy.ndarray of float, shape (points, elements)
            Element values [ohm and F].

        Returns
        -------
        Linear
            Rows, slopes, and sizes of the slopes.

        Notes
        -----
        Numerator and denominator are affine in each element, P = A + v B, so that
        dlnP/dlnv = v B / P = 1 - P(v = 0) / P: the slopes come from the same coefficients.
        """
        points, count = values.shape
        stacked = np.repeat(values[:, None, :], count + 1, axis=1)
        stacked[:, np.arange(count), np.arange(count)] = 0.0
        numerator, denominator = self._coefficients(stacked)
        rows = -np.broadcast_to(self._target, (points, len(self._target)))
        slopes = np.zeros((points, count, len(self._target)))
        sizes = np.zeros_like(slopes)
        for polynomial, sign in ((numerator, 1.0), (denominator, -1.0)):
            a, b = self._values(polynomial)
            whole, whole_i = a[:, -1:], b[:, -1:]
            square = whole * whole + whole_i * whole_i
            rows = rows + 0.5 * sign * np.log(square[:, 0])
            real = 1.0 - (a[:, :-1] * whole + b[:, :-1] * whole_i) / square
            imaginary = (b[:, :-1] * whole - a[:, :-1] * whole_i) / square
            slopes += sign * real
            sizes += np.hypot(real, imaginary)
        return Linear(rows, np.swapaxes(slopes, 1, 2), np.swapaxes(sizes, 1, 2))
