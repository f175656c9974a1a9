"""A playback unit by its constants: what a fit may move.

.. math:: U(s) = g\\,e^{-s\\tau}\\; \\frac{\\prod_j (1 + s p_j)}{\\prod_i (1 + s z_i)}
          \\; \\frac{1}{1 + a_1/s + a_2/s^2 + a_3/s^3} \\; \\frac{1 + s T_z}{1 + b_1 s + b_2 s^2}

with the playback poles z_i and playback zeros p_j of the curve, each of which may be off.  Time
constants of the curve move as logarithms.  The low end is a polynomial in 1/s: order 1 is one
corner, order 2 two corners or a resonant pair, order 3 three corners or a pair and a corner.  The
top has one or two poles, and a zero where a feedback stage stops at a gain of 1.

What moves are coefficients of which 0 (no corner at all) is an ordinary value and whose effect on
a record starts linearly there: of the low end those of the polynomial.  The delay of the top can't
be told from that of the record and is left out; what is left of it starts with the square of a
time constant, so of the top those of the squared magnitude move, 1 + A w^2 + B w^4.  On levels
without phase those of the squared magnitude move at either end.

Every unit is one point of this family.  A `Shape` says which coefficients are free; the others
are 0.  Each constant has a broad prior, so that what captures hardly show is bounded by practice.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.curves.model import REFERENCE_FREQUENCY_HZ, Curve
from antecurve.judge.unit_factors import (
    RATE_UNIT,
    TIME_UNIT,
    high_factor,
    low_factor,
    polynomial_of_squares,
    simple_factor,
)
from antecurve.judge.unit_parameters import (
    Parameter,
    Shape,
    curve_parameters,
    end_parameters,
)

__all__ = ["LogResponse", "UnitModel", "flat_model", "unit_model"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

_NEWTON_STEPS = 60  # each halves the distance at worst: to 1e-18 of the start
_RESONANT_US = 1e6 / (2.0 * math.pi * 120e3)  # amid the band of stages that ring, 50 to 300 kHz
_RESONANT_QUALITY = 1.5  # a phase margin of 39 degrees: between a sound stage and one that rings
_LEAST_DAMPING = 1e-6  # of a coefficient: what is less is no damping at all
_HIGHEST_QUALITY = 50  # beyond, no record of a few periods tells it from an oscillation


@dataclass(frozen=True, slots=True, eq=False)
class LogResponse:
    """The logarithm of a response and its derivatives.

    Attributes
    ----------
    value : numpy.ndarray of complex, shape (..., frequencies)
        ln U, real part 0 at 1 kHz.
    derivative : numpy.ndarray of complex, shape (frequencies, parameters)
        d ln U / d coordinate.
    """

    value: Complex
    derivative: Complex


@dataclass(frozen=True, slots=True)
class UnitModel:
    """The family of units that a fit looks among.

    Attributes
    ----------
    parameters : tuple of Parameter
        What may move.
    zeros_at_origin : int
        Playback zeros at the origin, for a curve that rises towards DC.
    level_only : bool
        Whether only levels are compared, so that a corner's phase is left out.
    """

    parameters: tuple[Parameter, ...]
    zeros_at_origin: int = 0
    level_only: bool = False

    @property
    def start(self) -> Floats:
        """Nominal unit in the fit's own coordinates, shape (parameters,)."""
        return np.array([p.start for p in self.parameters])

    def free(self, shape: Shape) -> NDArray[np.bool_]:
        """Tell which coordinates a shape leaves free.

        Parameters
        ----------
        shape : Shape
            The shape.

        Returns
        -------
        numpy.ndarray of bool, shape (parameters,)
            The others stay at 0.
        """
        ends = {f"low_{order}" for order in range(1, shape.low_end + 1)} | shape.high_end.free
        return np.array([not (p.low or p.high) or p.role in ends for p in self.parameters])

    def index(self, name: str) -> int | None:
        """Look up the position of a parameter.

        Parameters
        ----------
        name : str
            Its name.

        Returns
        -------
        int or None
            ``None`` when the model has no such parameter.
        """
        names = [p.name for p in self.parameters]
        return names.index(name) if name in names else None

    def priors(self, coordinates: Floats) -> tuple[Floats, Floats]:
        """Evaluate the priors as residuals of a least-squares fit.

        Half the sum of their squares is -ln of the prior's density over its largest value.

        Parameters
        ----------
        coordinates : numpy.ndarray of float, shape (parameters,)
            One unit.

        Returns
        -------
        tuple of numpy.ndarray of float, shape (parameters,)
            Residuals, and the derivative of each by its coordinate.
        """
        residuals, slopes = np.empty((2, len(self.parameters)))
        each = zip(self.parameters, coordinates.tolist(), strict=True)
        for index, (parameter, x) in enumerate(each):
            if parameter.logarithmic:
                residuals[index] = (x - parameter.start) / parameter.spread
                slopes[index] = 1.0 / parameter.spread
                continue
            size = x / parameter.spread
            # Cauchy: -ln p = ln(1 + u^2), written as r^2/2; r = sqrt(2) u for small u.
            r = math.copysign(math.sqrt(2.0 * math.log1p(size**2)), size)
            residuals[index] = r
            ratio = size / r if abs(size) > 1e-8 else 1.0 / math.sqrt(2.0)
            slopes[index] = 2.0 * ratio / (1.0 + size**2) / parameter.spread
        return residuals, slopes

    def log_response(self, coordinates: Floats, frequency_hz: Floats) -> Complex:
        """Compute ln U(j 2 pi f) less the real part of its value at 1 kHz.

        Parameters
        ----------
        coordinates : numpy.ndarray of float, shape (..., parameters)
            Units in the fit's own coordinates.
        frequency_hz : numpy.ndarray of float, shape (frequencies,)
            Frequencies [Hz], above 0.

        Returns
        -------
        numpy.ndarray of complex, shape (..., frequencies)
            Natural logarithm, delay and gain left out.
        """
        return self._evaluated(np.asarray(coordinates), frequency_hz, slopes=False)[0]

    def level(self, coordinates: Floats, frequency_hz: Floats) -> Floats:
        """Compute the real part of `log_response`, by squared magnitudes.

        Parameters
        ----------
        coordinates : numpy.ndarray of float, shape (..., parameters)
            Units in the fit's own coordinates.
        frequency_hz : numpy.ndarray of float, shape (frequencies,)
            Frequencies [Hz], above 0.

        Returns
        -------
        numpy.ndarray of float, shape (..., frequencies)
            Natural logarithm of the level, 0 at 1 kHz.
        """
        omega2 = (2.0 * math.pi * np.append(frequency_hz, REFERENCE_FREQUENCY_HZ)) ** 2
        x = np.asarray(coordinates)
        above: Floats = omega2**self.zeros_at_origin
        below: Floats = np.ones_like(omega2)
        for index, parameter in enumerate(self.parameters):
            moved = x[..., index, None]
            if parameter.role == "shelf":
                below = below * (omega2 + (moved * RATE_UNIT) ** 2)
            elif parameter.role == "pole":
                below = below * (1.0 + np.exp(2.0 * moved) * omega2)
            elif parameter.role == "zero":
                above = above * (1.0 + np.exp(2.0 * moved) * omega2)
            elif parameter.role in ("lead", "lift"):
                above = above * (1.0 + moved * TIME_UNIT**2 * omega2)
        for kind, power in (("low", RATE_UNIT**2 / omega2), ("high", TIME_UNIT**2 * omega2)):
            first, second, third = (c[..., None] for c in self._squared(kind, x))
            below = below * np.abs(1.0 + power * (first + power * (second + power * third)))
        total = 0.5 * np.log(above / below)
        return np.asarray(total[..., :-1] - total[..., -1:])

    def linearised(self, coordinates: Floats, frequency_hz: Floats) -> LogResponse:
        """Compute `log_response` of one unit with its derivatives.

        Parameters
        ----------
        coordinates : numpy.ndarray of float, shape (parameters,)
            One unit.
        frequency_hz : numpy.ndarray of float, shape (frequencies,)
            Frequencies [Hz], above 0.

        Returns
        -------
        LogResponse
            Value and derivatives.
        """
        return LogResponse(*self._evaluated(np.asarray(coordinates), frequency_hz, slopes=True))

    def _evaluated(
        self, x: Floats, frequency_hz: Floats, *, slopes: bool
    ) -> tuple[Complex, Complex]:
        """ln U and, of one unit, its derivatives."""
        s = 2j * math.pi * np.append(frequency_hz, REFERENCE_FREQUENCY_HZ)
        total = self.zeros_at_origin * np.log(s) if self.zeros_at_origin else 0j * s
        derivative = np.zeros((len(self.parameters) if slopes else 0, s.size), dtype=complex)
        factors = [
            ([k], simple_factor(p.role, x[..., k, None], s, slopes=slopes))
            for k, p in enumerate(self.parameters)
            if not p.low and not p.role.startswith("high")
        ]
        for kind, factor in (("low", low_factor), ("high", high_factor)):
            members = [k for k, p in enumerate(self.parameters) if p.role.startswith(kind)]
            coefficients = [x[..., k, None] for k in members]
            term = factor(coefficients, s, level_only=self.level_only, slopes=slopes)
            factors.append((members, term))
        for members, (value, by_each) in factors:
            total = total + value
            for k, by_one in zip(members if slopes else [], by_each, strict=True):
                derivative[k] = by_one
        moved = derivative[:, :-1] - derivative[:, -1:].real
        return np.asarray(total[..., :-1] - total[..., -1:].real), moved.T

    def _coefficients(self, coordinates: Floats, kind: str) -> list[Floats]:
        x = np.asarray(coordinates)
        return [x[..., k] for k, p in enumerate(self.parameters) if p.role.startswith(kind)]

    def low_corner_hz(self, coordinates: Floats) -> Floats:
        """Find the corner of the low end.

        Parameters
        ----------
        coordinates : numpy.ndarray of float, shape (..., parameters)
            Units in the fit's own coordinates.

        Returns
        -------
        numpy.ndarray of float, shape (...)
            Highest frequency of half power [Hz], with a resonance too: it is smooth in the
            coefficients, so that intervals hold at a Q of 0.71 as elsewhere.  0 without a low end.
        """
        first, second, third = self._squared("low", coordinates)
        # y^3 - A y^2 - B y - C = 0 for y = f^2; Newton from beyond its largest root.
        y = np.abs(first) + np.sqrt(np.abs(second)) + np.cbrt(np.abs(third))
        for _ in range(_NEWTON_STEPS):
            value = ((y - first) * y - second) * y - third
            slope = (3.0 * y - 2.0 * first) * y - second
            y = np.where(slope > 0, np.maximum(y - value / np.where(slope > 0, slope, 1.0), 0.0), y)
        return np.asarray(np.sqrt(y))

    def high_corner_hz(self, coordinates: Floats) -> Floats:
        """Find the corner of the poles of the top.

        Parameters
        ----------
        coordinates : numpy.ndarray of float, shape (..., parameters)
            Units in the fit's own coordinates.

        Returns
        -------
        numpy.ndarray of float, shape (...)
            Lowest frequency of half power [Hz], with a resonance too, as `low_corner_hz`; infinite
            without a pole.
        """
        first, second, _ = self._squared("high", coordinates)
        # second x^2 + first x = 1 for x = (w/1 us)^2
        below = 0.5 * (first + np.sqrt(first**2 + 4.0 * second))
        with np.errstate(divide="ignore"):
            return np.asarray(1.0 / (np.sqrt(below) * 2.0 * math.pi * TIME_UNIT))

    def _squared(self, kind: str, coordinates: Floats) -> tuple[Floats, Floats, Floats]:
        """Coefficients of the squared magnitude of an end, over powers of w^2."""
        first, second, *higher = self._coefficients(coordinates, kind)
        third = higher[0] if higher else np.zeros_like(first)
        if self.level_only:
            return first, second, third
        if kind == "high":
            linear, square = polynomial_of_squares(first, second)
            return linear**2 - 2.0 * square, second, third
        # |1 + a s + b s^2 + c s^3|^2
        return first**2 - 2.0 * second, second**2 - 2.0 * first * third, third**2

    def top_polynomial(self, coordinates: Floats) -> tuple[float, float]:
        """Compute b and c of the poles of the top, 1/(1 + b s + c s^2).

        Parameters
        ----------
        coordinates : numpy.ndarray of float, shape (parameters,)
            The unit.

        Returns
        -------
        tuple of float
            In microseconds and their square.
        """
        first, second = polynomial_of_squares(*self._coefficients(coordinates, "high"))
        return float(first), float(second)

    def without_end(self, coordinates: Floats, name: str) -> Floats:
        """Take a unit without its low end or its top.

        Parameters
        ----------
        coordinates : numpy.ndarray of float, shape (parameters,)
            The unit.
        name : str
            ``low_corner_hz`` or ``high_corner_hz``.

        Returns
        -------
        numpy.ndarray of float, shape (parameters,)
            With all coefficients of that end at 0.
        """
        low = name.startswith("low")
        gone = [p.low if low else p.high for p in self.parameters]
        return np.where(gone, 0.0, coordinates)

    def with_resonant_top(self, coordinates: Floats) -> Floats:
        """Put a resonant top on a unit, as a start for a fit.

        Parameters
        ----------
        coordinates : numpy.ndarray of float, shape (parameters,)
            The unit.

        Returns
        -------
        numpy.ndarray of float, shape (parameters,)
            With a pair of poles at 120 kHz and a Q of 1.5 and no playback zero.
        """
        # |1 + b s + c s^2|^2 with c = T^2 and b = T/Q
        squared = _RESONANT_US**2
        first = squared / _RESONANT_QUALITY**2 - (2.0 * squared)
        roles = {"high_1": first, "high_2": squared**2, "lift": 0.0}
        return np.array(
            [roles.get(p.role, x) for p, x in zip(self.parameters, coordinates, strict=True)]
        )

    def quality(self, coordinates: Floats, name: str) -> float | None:
        """Compute the Q of an end of second order.

        Parameters
        ----------
        coordinates : numpy.ndarray of float, shape (parameters,)
            The unit.
        name : str
            ``low_corner_hz`` or ``high_corner_hz``.

        Returns
        -------
        float or None
            0.5 or less for two corners; ``None`` for an end of another order.
        """
        kind = "low" if name.startswith("low") else "high"
        first, second, *_ = self._coefficients(coordinates, kind)
        if float(second) <= 0 or self._is_of_third_order(coordinates, kind):
            return None
        if self.level_only or kind == "high":
            first, second = polynomial_of_squares(first, second)
        return math.sqrt(float(second)) / max(float(first), _LEAST_DAMPING)

    def _is_of_third_order(self, coordinates: Floats, kind: str) -> bool:
        _, _, *higher = self._coefficients(coordinates, kind)
        return bool(higher) and float(higher[0]) > 0

    def end_in_words(self, coordinates: Floats, name: str) -> str:
        """Describe the shape of an end.

        Parameters
        ----------
        coordinates : numpy.ndarray of float, shape (parameters,)
            The unit.
        name : str
            ``low_corner_hz`` or ``high_corner_hz``.

        Returns
        -------
        str
            Order, Q of a second-order one, and the playback zero where there is one.
        """
        kind = "low" if name.startswith("low") else "high"
        quality = self.quality(coordinates, name)
        words = "first order"
        if quality is not None:
            shown = f"{quality:.2g}" if quality < _HIGHEST_QUALITY else f"above {_HIGHEST_QUALITY}"
            words = f"second order, Q {shown}"
        elif self._is_of_third_order(coordinates, kind):
            words = "third order"
        lift = self._coefficients(coordinates, "lift") if kind == "high" else []
        if lift and float(lift[0]) > 0:
            time = math.sqrt(float(lift[0])) * TIME_UNIT
            words += f", with a playback zero at {1e-3 / (2.0 * math.pi * time):.3g} kHz"
        return words


def unit_model(
    curve: Curve, *, undo_ultrasonic: bool = False, level_only: bool = False
) -> UnitModel:
    """Lay out the model of a unit that plays a curve back.

    Parameters
    ----------
    curve : Curve
        The emphasis curve; its published time constants are the nominal ones.
    undo_ultrasonic : bool, optional
        Whether the unit may have playback zeros that undo the curve's ultrasonic poles.
    level_only : bool, optional
        Whether only levels are compared, no phase and no waveform.

    Returns
    -------
    UnitModel
        Playback poles ``bass_shelf_s`` (longer than every published pole) and ``treble_s``,
        playback zeros ``turnover_s``, then the coefficients of the low end, ``low_corner_hz``
        first, and of the top, ``high_corner_hz`` first; a second constant of a kind is
        ``treble_2_s`` and so on.

    Raises
    ------
    InputError
        When the curve has more than one power of s at the origin.
    """
    parameters = curve_parameters(curve, undo_ultrasonic=undo_ultrasonic)
    ends = end_parameters(level_only=level_only)
    return UnitModel((*parameters, *ends), curve.poles_at_origin, level_only)


def flat_model() -> UnitModel:
    """Lay out the model of a path without playback poles and zeros.

    Returns
    -------
    UnitModel
        With a low end and a top alone.
    """
    return UnitModel(end_parameters(level_only=False))
