"""A record less its fit, and what it says of drift and hum beside the harmonics.

Of drift D, lines L and the record r count what the harmonics, whatever their amplitudes, can't
explain.  Products of harmonics and lines are known in closed form, so that lines at another
frequency cost next to nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.interference import Interference, drift_columns
from antecurve.judge.periodic import HarmonicBasis
from antecurve.judge.sampled_waves import pairs_of_lines

__all__ = ["MOST_DRIFT", "BesideHarmonics", "Remainder", "least_squares"]

Floats = NDArray[np.float64]

MOST_DRIFT = 3
"""Highest order of a drift; beyond, it has turning points and is a signal."""


@dataclass(frozen=True, slots=True, eq=False)
class Remainder:
    """A record less the waveform fitted to it.

    Attributes
    ----------
    basis : HarmonicBasis
        Its reduction.
    volts : numpy.ndarray of float, shape (samples,)
        Record less waveform [V].
    """

    basis: HarmonicBasis
    volts: Floats

    @property
    def taken_out(self) -> Interference:
        """What the reduction takes out already."""
        return self.basis.interference

    def beside_harmonics(self) -> BesideHarmonics:
        """Project the harmonics out of drift and record.

        Returns
        -------
        BesideHarmonics
            To which lines can be added.
        """
        from scipy.linalg import solve_triangular

        basis = self.basis
        rows = np.vstack([drift_columns(basis.record.time_s, MOST_DRIFT), self.volts])
        factor = basis.without_interference()
        products = np.hstack([rows @ basis.beside[:2].T, basis.waves.products(rows)])
        white = solve_triangular(factor, products.T, trans="T")
        laid_out = basis.waves.laid_out(np.vstack([basis.beside[:2], rows]))
        return BesideHarmonics(basis, laid_out, factor, white, rows @ rows.T - white.T @ white)


@dataclass(frozen=True, slots=True, eq=False)
class BesideHarmonics:
    """Drift and a record, the harmonics projected out.

    Attributes
    ----------
    basis : HarmonicBasis
        The reduction of the record.
    laid_out : numpy.ndarray of float
        The columns of frequency and offset, drift and the record, as waves multiply them.
    factor : numpy.ndarray of float, shape (2 + 2 harmonics,) * 2
        Cholesky factor of frequency, offset and harmonics.
    white : numpy.ndarray of float, shape (2 + 2 harmonics, `MOST_DRIFT` + 1)
        Products of these with the rows, whitened.
    normal : numpy.ndarray of float, shape (`MOST_DRIFT` + 1,) * 2
        Products of the rows with one another beside the harmonics.
    """

    basis: HarmonicBasis
    laid_out: Floats
    factor: Floats
    white: Floats
    normal: Floats

    def with_lines(self, line_hz: Floats) -> tuple[Floats, Floats, float]:
        """Add lines to the drift.

        Parameters
        ----------
        line_hz : numpy.ndarray of float, shape (lines,)
            Frequencies [Hz].

        Returns
        -------
        tuple of numpy.ndarray, numpy.ndarray and float
            Of drift, then cosine and sine of each line: normal matrix and right-hand side [V],
            the harmonics projected out; and the noise of a sample [V] beside them all.
        """
        from scipy.linalg import solve_triangular

        waves = self.basis.waves
        lines = waves.of(waves.time_s, line_hz, 1.0)
        beside = pairs_of_lines(lines.products_of(self.laid_out))
        products = np.vstack([beside[:2], pairs_of_lines(waves.crossed(lines))])
        white = solve_triangular(self.factor, products, trans="T", check_finite=False)
        mixed = beside[2:] - self.white.T @ white
        inner = pairs_of_lines(pairs_of_lines(lines.crossed(lines)).T) - white.T @ white
        matrix = np.vstack(
            [np.hstack([self.normal[:-1, :-1], mixed[:-1]]), np.hstack([mixed[:-1].T, inner])]
        )
        right = np.concatenate([self.normal[:-1, -1], mixed[-1]])
        explained = float(right @ least_squares(matrix, right))
        free = max(1, waves.time_s.size - len(self.factor) - len(matrix))
        variance = max(0.0, float(self.normal[-1, -1]) - explained) / free
        return matrix, right, math.sqrt(max(variance, self.basis.noise_floor_v**2))


def least_squares(matrix: Floats, right: Floats) -> Floats:
    """Solve normal equations, nearly dependent columns left out.

    Parameters
    ----------
    matrix : numpy.ndarray of float, shape (columns, columns)
        The normal matrix.
    right : numpy.ndarray of float, shape (columns,)
        Right-hand side.

    Returns
    -------
    numpy.ndarray of float, shape (columns,)
        The solution of least length.
    """
    try:
        return np.asarray(np.linalg.lstsq(matrix, right, rcond=1e-9)[0])
    except np.linalg.LinAlgError:  # many lines in a short record, by far not of unit size
        scale = float(np.abs(matrix).max())
        return np.asarray(np.linalg.lstsq(matrix / scale, right / scale, rcond=1e-9)[0])
