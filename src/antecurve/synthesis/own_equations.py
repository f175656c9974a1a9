"""The equations for the element values of a network of the user's own.

The coefficients of H(s) are polynomials with positive terms, each linear in every element.  An
exact network has those of

.. math:: g\\, s^a N(s)\\, F(s) \\,/\\, \bigl(D(s)\\, F(s)\\, X(s)\bigr)

one equation a coefficient, in logarithms; F is a common factor the network may have, X holds the
poles beyond the curve (at most one for the load's capacitance and one for a curve that has no
ultrasonic pole).  Without an exact network the error over the band, level included, stands for
them.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from antecurve.algebra.transfer_function import TransferFunction, squared_powers
from antecurve.algebra.zero_pole_gain import ZeroPoleGain, product_coefficients
from antecurve.arrays import log_frequencies
from antecurve.curves.model import REFERENCE_FREQUENCY_HZ
from antecurve.networks.compiled import loaded_coefficients
from antecurve.networks.topology import Loading, Topology
from antecurve.quantities import DB_PER_NEPER

__all__ = ["Floats", "OwnEquations"]

_POINTS_PER_DECADE = 12
"""Enough for responses without resonance, whose error bends over half a decade or more."""
_HELD_WEIGHT = 100.0
"""In dB per neper: a held value off by 1 % counts as an error of 1 dB, far above any other."""
_TIME_STEP = 1e-6
"""Step of the derivative by the logarithm of a time constant: rounding 1e-10, bend 1e-12."""

Floats = NDArray[np.float64]


class OwnEquations:
    """The equations for one network and one curve.

    Parameters
    ----------
    topology : Topology
        The network.
    curve : ZeroPoleGain
        The curve, in lowest terms.
    loading : Loading
        Source and load.
    gain : float
        Magnitude of H at 1 kHz.
    held : tuple or None
        Index of a resistor to hold and the logarithm of its value.
    band_hz : tuple of float
        Band of the error [Hz].

    Attributes
    ----------
    count : int
        Number of elements.
    frequency : numpy.ndarray of float, shape (points,)
        Where the error is looked at [Hz].
    """

    def __init__(
        self,
        topology: Topology,
        curve: ZeroPoleGain[float],
        *,
        loading: Loading,
        gain: float,
        held: tuple[int, float] | None,
        band_hz: tuple[float, float],
    ) -> None:
        self.topology, self.curve, self.loading = topology, curve, loading
        self.gain, self.held = gain, held
        self._last: tuple[tuple[object, ...], tuple[Floats, Floats]] | None = None
        self.count = len(topology.elements)
        self.frequency = log_frequencies(band_hz, points_per_decade=_POINTS_PER_DECADE)
        response = self._at_level(curve).response(self.frequency)
        self._wanted_db = 20.0 * np.log10(np.abs(response))
        probe = self.coefficients(np.zeros(self.count))
        self._top = np.flatnonzero(probe.numerator > 0)
        self._bottom = np.flatnonzero(probe.denominator > 0)

    def coefficients(self, logs: Floats) -> TransferFunction:
        """Compute the coefficients of H(s).

        Parameters
        ----------
        logs : numpy.ndarray of float, shape (..., elements)
            Logarithms of element values.

        Returns
        -------
        TransferFunction
            Of ascending powers of s.
        """
        return loaded_coefficients(self.topology, np.exp(logs), loading=self.loading)

    def values(self, logs: Floats) -> Floats:
        """Compute element values, the resistor that is held exactly at its value.

        Parameters
        ----------
        logs : numpy.ndarray of float, shape (elements,)
            Their logarithms.

        Returns
        -------
        numpy.ndarray of float, shape (elements,)
            Resistances [ohm] and capacitances [F].
        """
        values = np.exp(logs)
        if self.held is not None:
            values[self.held[0]] = math.exp(self.held[1])
        return np.asarray(values)

    def shape(self) -> tuple[int, int] | None:
        """Determine the degrees of X and of F with which the coefficients can match the curve's.

        Returns
        -------
        tuple of int or None
            Both degrees; ``None`` where none fit.
        """
        zeros = self.curve.zeros_at_origin
        if self._top[0] != zeros or self._bottom[0] != 0:
            return None
        common = int(self._top[-1]) - zeros - len(self.curve.zeros_s)
        extra = int(self._bottom[-1]) - len(self.curve.poles_s) - common
        lacking = len(self.curve.zeros_s) + zeros > len(self.curve.poles_s)
        allowed = int(self.loading.load_capacitance > 0) + int(lacking)
        return (extra, common) if common >= 0 and 0 <= extra <= allowed else None

    def mismatch(self, x: Floats, extra: int) -> tuple[Floats, Floats]:
        """Evaluate the equations of an exact network.

        Parameters
        ----------
        x : numpy.ndarray of float, shape (unknowns,)
            Logarithms of element values, of poles beyond the curve, and of common factors.
        extra : int
            How many poles beyond the curve there are.

        Returns
        -------
        tuple of numpy.ndarray
            Logarithms of coefficients over the curve's, and the Jacobian.
        """
        return self._once(("mismatch", extra, x.tobytes()), lambda: self._mismatch(x, extra))

    def error(self, logs: Floats) -> tuple[Floats, Floats]:
        """Compute the error over the band, level included.

        Parameters
        ----------
        logs : numpy.ndarray of float, shape (elements,)
            Logarithms of element values.

        Returns
        -------
        tuple of numpy.ndarray
            Error [dB] at each frequency, then what is held, weighted; and the Jacobian.
        """
        return self._once(("error", logs.tobytes()), lambda: self._error(logs))

    def _once(
        self, key: tuple[object, ...], make: Callable[[], tuple[Floats, Floats]]
    ) -> tuple[Floats, Floats]:
        """What was made last, where it is asked for again: a value, then its Jacobian."""
        if self._last is None or self._last[0] != key:
            self._last = (key, make())
        return self._last[1]

    def _with_slopes(self, logs: Floats) -> tuple[TransferFunction, TransferFunction]:
        """Coefficients, and their derivatives by each log value, shape (elements, powers).

        Each coefficient is linear in each element, so that doubling one element adds exactly
        the derivative by its logarithm.  Equations between coefficients need these, in place of
        the sensitivities of H (`antecurve.networks.sensitivity`).
        """
        batch = np.vstack([logs, logs + math.log(2.0) * np.eye(self.count)])
        both = self.coefficients(batch)
        top, bottom = both.numerator, both.denominator
        return TransferFunction(top[0], bottom[0]), TransferFunction(
            top[1:] - top[0], bottom[1:] - bottom[0]
        )

    def _mismatch(self, x: Floats, extra: int) -> tuple[Floats, Floats]:
        logs, times = x[: self.count], np.exp(x[self.count :])
        base, slopes = self._with_slopes(logs)
        target_top, target_bottom = self._targets(times, extra)
        lowest = base.denominator[0]
        rows = np.concatenate(
            [base.numerator[self._top] / lowest, base.denominator[self._bottom[1:]] / lowest]
        )
        residual = np.log(rows) - np.concatenate([target_top, target_bottom])
        falling = slopes.denominator[:, 0] / lowest
        by_value = np.concatenate(
            [
                slopes.numerator[:, self._top] / base.numerator[self._top],
                slopes.denominator[:, self._bottom[1:]] / base.denominator[self._bottom[1:]],
            ],
            axis=1,
        )
        jacobian = np.zeros((len(residual), len(x)))
        jacobian[:, : self.count] = (by_value - falling[:, None]).T
        for index in range(len(times)):
            moved = times.copy()
            moved[index] *= math.exp(_TIME_STEP)
            up = np.concatenate(self._targets(moved, extra))
            moved[index] *= math.exp(-2 * _TIME_STEP)
            down = np.concatenate(self._targets(moved, extra))
            jacobian[:, self.count + index] = -(up - down) / (2 * _TIME_STEP)
        if self.held is not None:
            index, value = self.held
            residual = np.append(residual, logs[index] - value)
            jacobian = np.vstack([jacobian, np.eye(len(x))[index]])
        return residual, jacobian

    def _targets(self, times: Floats, extra: int) -> tuple[Floats, Floats]:
        """Logarithms of the coefficients of g s^a N F and of D F X."""
        beyond, common = times[:extra].tolist(), times[extra:].tolist()
        zeros = (*self.curve.zeros_s, *common)
        poles = (*self.curve.poles_s, *beyond, *common)
        wanted = self._at_level(ZeroPoleGain(zeros, poles, self.curve.zeros_at_origin))
        top = np.log(np.array(product_coefficients(zeros), dtype=float))
        bottom = np.log(np.array(product_coefficients(poles)[1:], dtype=float))
        return math.log(wanted.gain_constant) + top, bottom

    def _at_level(self, function: ZeroPoleGain[float]) -> ZeroPoleGain[float]:
        """The function scaled to the gain asked for at 1 kHz."""
        return function.with_magnitude(self.gain, frequency_hz=REFERENCE_FREQUENCY_HZ)

    def _error(self, logs: Floats) -> tuple[Floats, Floats]:
        base, slopes = self._with_slopes(logs)
        power = base.magnitude_squared()
        level = np.zeros(len(self.frequency))
        jacobian = np.zeros((len(self.frequency), self.count))
        s = 2j * math.pi * self.frequency
        for sign, value, slope, squared in (
            (1.0, base.numerator, slopes.numerator, power.numerator),
            (-1.0, base.denominator, slopes.denominator, power.denominator),
        ):
            powers = squared_powers(self.frequency, squared.shape[-1])
            level += sign * 0.5 * DB_PER_NEPER * np.log(squared @ powers)
            waves = s ** np.arange(value.shape[-1])[:, None]
            jacobian += sign * DB_PER_NEPER * np.real((slope @ waves) / (value @ waves)).T
        residual = level - self._wanted_db
        if self.held is not None:
            index, held = self.held
            residual = np.append(residual, _HELD_WEIGHT * (logs[index] - held))
            jacobian = np.vstack([jacobian, _HELD_WEIGHT * np.eye(self.count)[index]])
        return residual, jacobian
