"""A playback unit by its constants: what a fit may move.

.. math:: U(s) = g\\,e^{-s\\tau}\\; \\frac{\\prod_j (1 + s p_j)}{\\prod_i (1 + s z_i)}
          \\; L(s)\\; \\frac{1}{1 + s T_h}

with the playback poles z_i and playback zeros p_j of the curve, each of which may be off, a low
corner L (first order s/(s + a), or second order) and a high corner 1/(2 pi T_h).  Time constants
of the curve move as logarithms; the corners as rates and times, since 0 (no corner at all) is an
ordinary value of theirs and their effect on a record starts linearly there.  On levels without
phase the effect starts with a power of the corner, and that power is what moves.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from antecurve.curves.model import REFERENCE_FREQUENCY_HZ, Curve
from antecurve.errors import InputError

__all__ = ["HighEnd", "LogResponse", "LowEnd", "Parameter", "UnitModel", "unit_model"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

RATE_UNIT = 2.0 * math.pi
"""Unit of a rate parameter [1/s]: a corner of 1 Hz."""
TIME_UNIT = 1e-6
"""Unit of a time parameter [s]."""
_REACH = math.log(300.0)
_LARGEST_CORNER_HZ = 2000.0
_LARGEST_TIME_US = 300.0


class LowEnd(StrEnum):
    """Shape of the low corner."""

    FIRST_ORDER = "first order"
    TWO_EQUAL = "second order, two equal corners"
    MAXIMALLY_FLAT = "second order, maximally flat"

    @property
    def damping(self) -> float:
        """1/Q of a second-order corner; 0 for first order."""
        return {"FIRST_ORDER": 0.0, "TWO_EQUAL": 2.0, "MAXIMALLY_FLAT": math.sqrt(2.0)}[self.name]

    @property
    def half_power_ratio(self) -> float:
        """Frequency where the corner is 3 dB down over the corner frequency itself."""
        # |(jx)^2/((jx)^2 + 2 jx + 1)| = x^2/(1 + x^2) = 1/sqrt(2) for two equal corners.
        return math.sqrt(1.0 / (math.sqrt(2.0) - 1.0)) if self is LowEnd.TWO_EQUAL else 1.0


class HighEnd(StrEnum):
    """Shape of the high corner."""

    FIRST_ORDER = "first order"
    RESONANT = "second order"


@dataclass(frozen=True, slots=True)
class Parameter:
    """One constant of the unit.

    Attributes
    ----------
    name : str
        Such as ``treble_s`` or ``low_corner_hz``.
    role : str
        ``pole``, ``zero`` (playback, logarithm of a time constant), ``shelf`` (a playback pole
        as a rate, nominal 0), ``low``, ``high``, ``damping`` or ``lead``.
    nominal : float or None
        Nominal value in the unit of the name [s or Hz]; ``None`` where there is none.
    start, lowest, highest : float
        Start and bounds in the fit's own coordinate.
    power : float
        The coordinate of a corner is this power of its rate [Hz] or time [us].
    """

    name: str
    role: str
    nominal: float | None
    start: float
    lowest: float
    highest: float
    power: float = 1.0

    @property
    def logarithmic(self) -> bool:
        """Whether the fit's coordinate is the logarithm of a time constant."""
        return self.role in ("pole", "zero")

    def value(self, coordinate: float) -> float:
        """Return the value in the unit of the name.

        Parameters
        ----------
        coordinate : float
            The fit's own coordinate.

        Returns
        -------
        float
            Time constant [s], corner frequency [Hz] or damping; infinite for a high corner
            that is not there.
        """
        if self.logarithmic:
            return math.exp(coordinate)
        size = float(max(coordinate, 0.0) ** (1.0 / self.power))
        if self.role == "high":
            return 1.0 / (2.0 * math.pi * size * TIME_UNIT) if size > 0 else math.inf
        if self.role == "shelf":
            return 1.0 / (RATE_UNIT * size) if size > 0 else math.inf
        return size * TIME_UNIT if self.role == "lead" else size

    def coordinate(self, value: float) -> float:
        """Return the fit's coordinate of a value, within its bounds.

        Parameters
        ----------
        value : float
            As `value` returns it.

        Returns
        -------
        float
            The coordinate.
        """
        if self.logarithmic:
            coordinate = math.log(value)
        else:
            size = value
            if self.role == "high":
                size = 1.0 / (2.0 * math.pi * value * TIME_UNIT)
            elif self.role == "shelf":
                size = 1.0 / (RATE_UNIT * value)
            elif self.role == "lead":
                size = value / TIME_UNIT
            coordinate = size**self.power
        return min(max(coordinate, self.lowest), self.highest)


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
    low_end : LowEnd
        Shape of the low corner.
    high_end : HighEnd
        Shape of the high corner.
    zeros_at_origin : int
        Playback zeros at the origin, for a curve that rises towards DC.
    level_only : bool
        Whether only levels are compared, so that a corner's phase is left out.
    """

    parameters: tuple[Parameter, ...]
    low_end: LowEnd
    high_end: HighEnd
    zeros_at_origin: int = 0
    level_only: bool = False

    @property
    def start(self) -> Floats:
        """Nominal unit in the fit's own coordinates, shape (parameters,)."""
        return np.array([p.start for p in self.parameters])

    @property
    def bounds(self) -> Floats:
        """Lowest and highest coordinates, shape (2, parameters)."""
        return np.array([[p.lowest, p.highest] for p in self.parameters]).T

    def index(self, name: str) -> int | None:
        """Return the position of a parameter.

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

    def log_response(self, coordinates: Floats, frequency_hz: Floats) -> Complex:
        """Return ln U(j 2 pi f) less the real part of its value at 1 kHz.

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
        s = 2j * math.pi * np.append(frequency_hz, REFERENCE_FREQUENCY_HZ)
        total = self.zeros_at_origin * np.log(s)
        damping = self._damping(coordinates)
        for index, parameter in enumerate(self.parameters):
            if parameter.role != "damping":
                x = np.asarray(coordinates)[..., index, None]
                total = total + self._term(parameter, x, s, damping)[0]
        return np.asarray(total[..., :-1] - total[..., -1:].real)

    def linearised(self, coordinates: Floats, frequency_hz: Floats) -> LogResponse:
        """Return `log_response` of one unit with its derivatives.

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
        s = 2j * math.pi * np.append(frequency_hz, REFERENCE_FREQUENCY_HZ)
        total = self.zeros_at_origin * np.log(s)
        slopes = np.empty((len(s), len(self.parameters)), dtype=complex)
        damping = self._damping(coordinates)
        for index, parameter in enumerate(self.parameters):
            term, slope = self._term(parameter, coordinates[index], s, damping)
            slopes[:, index] = slope
            if parameter.role != "damping":
                total = total + term
        return LogResponse(total[:-1] - total[-1].real, slopes[:-1] - slopes[-1].real)

    def _damping(self, coordinates: Floats) -> tuple[Floats, Floats] | None:
        if self.high_end is HighEnd.FIRST_ORDER:
            return None
        high, damping = self.index("high_corner_hz"), self.index("high_damping")
        assert high is not None and damping is not None
        pair = np.asarray(coordinates)
        return pair[..., high, None] * TIME_UNIT, pair[..., damping, None]

    def _term(
        self, parameter: Parameter, x: Floats, s: Complex, resonance: tuple[Floats, Floats] | None
    ) -> tuple[Complex, Complex]:
        """One factor's logarithm and its derivative by the parameter."""
        role = parameter.role
        if parameter.logarithmic:
            st = s * np.exp(x)
            sign = -1.0 if role == "pole" else 1.0
            return np.asarray(sign * np.log1p(st)), np.asarray(sign * st / (1.0 + st))
        if role == "shelf":
            return -np.log(s + x * RATE_UNIT), -RATE_UNIT / (s + x * RATE_UNIT)
        if self.level_only and role in ("low", "high") and resonance is None:
            return self._level_term(role, x, s)
        if role == "low":
            rate, damping = x * RATE_UNIT, self.low_end.damping
            if not damping:
                return -np.log1p(rate / s), -RATE_UNIT / (s + rate)
            bottom = 1.0 + damping * rate / s + (rate / s) ** 2
            return -np.log(bottom), -RATE_UNIT * (damping / s + 2.0 * rate / s**2) / bottom
        if role == "lead":
            st = s * x * TIME_UNIT
            return np.log1p(st), s * TIME_UNIT / (1.0 + st)
        if resonance is None:
            st = s * x * TIME_UNIT
            return -np.log1p(st), -s * TIME_UNIT / (1.0 + st)
        time, damping_high = resonance
        bottom = 1.0 + damping_high * s * time + (s * time) ** 2
        if role == "damping":
            return np.zeros_like(bottom), -s * time / bottom
        slope = -TIME_UNIT * (damping_high * s + 2.0 * s**2 * time) / bottom
        return -np.log(bottom), slope

    def _level_term(self, role: str, x: Floats, s: Complex) -> tuple[Complex, Complex]:
        """A corner's level and its derivative by the power that moves: -k/2 ln(1 + x w^p)."""
        if role == "high":
            weight, times = (np.abs(s) * TIME_UNIT) ** 2, 0.5
        elif self.low_end is LowEnd.MAXIMALLY_FLAT:
            weight, times = (RATE_UNIT / np.abs(s)) ** 4, 0.5
        else:
            weight = (RATE_UNIT / np.abs(s)) ** 2
            times = 1.0 if self.low_end is LowEnd.TWO_EQUAL else 0.5
        level, slope = -times * np.log1p(x * weight), -times * weight / (1.0 + x * weight)
        return np.asarray(level, dtype=complex), np.asarray(slope, dtype=complex)


def unit_model(
    curve: Curve,
    *,
    low_end: LowEnd = LowEnd.FIRST_ORDER,
    high_end: HighEnd = HighEnd.FIRST_ORDER,
    undo_ultrasonic: bool = False,
    level_only: bool = False,
) -> UnitModel:
    """Return the model of a unit that plays a curve back.

    Parameters
    ----------
    curve : Curve
        The emphasis curve; its published time constants are the nominal ones.
    low_end : LowEnd, optional
        Shape of the low corner.
    high_end : HighEnd, optional
        Shape of the high corner.
    undo_ultrasonic : bool, optional
        Whether the unit may have playback zeros that undo the curve's ultrasonic poles.
    level_only : bool, optional
        Whether only levels are compared, no phase and no waveform.

    Returns
    -------
    UnitModel
        Playback poles ``bass_shelf_s`` (longer than every published pole) and ``treble_s``,
        playback zeros ``turnover_s``, then ``low_corner_hz`` and ``high_corner_hz``; a second
        one of a kind is ``treble_2_s`` and so on.

    Raises
    ------
    InputError
        When the curve has more than one power of s at the origin.
    """
    if curve.zeros_at_origin > 1 or curve.poles_at_origin > 1:
        raise InputError("curve", curve.name, "at most one power of s at the origin can be judged")
    longest = max(curve.poles_s, default=0.0)
    shelves = [z for z in curve.zeros_s if longest and z > longest]
    parameters = [_constant(n, "pole", t) for n, t in _named("bass_shelf", shelves)]
    if curve.zeros_at_origin:
        name = "bass_shelf_s" if not shelves else f"bass_shelf_{len(shelves) + 1}_s"
        parameters.append(Parameter(name, "shelf", None, 1.0, 0.0, _LARGEST_CORNER_HZ))
    parameters += [_constant(n, "zero", t) for n, t in _named("turnover", curve.poles_s)]
    treble = [z for z in curve.zeros_s if z not in shelves]
    parameters += [_constant(n, "pole", t) for n, t in _named("treble", treble)]
    if undo_ultrasonic:
        for name, t in _named("ultrasonic_zero", curve.ultrasonic_poles_s):
            parameters.append(Parameter(name, "lead", t, t / TIME_UNIT, 0.0, _LARGEST_TIME_US))
    resonant = high_end is HighEnd.RESONANT
    powers = (1.0, 1.0)
    if level_only and not resonant:
        powers = (4.0 if low_end is LowEnd.MAXIMALLY_FLAT else 2.0, 2.0)
    parameters.append(_corner("low_corner_hz", "low", 2.0, _LARGEST_CORNER_HZ, powers[0]))
    parameters.append(_corner("high_corner_hz", "high", 0.5, _LARGEST_TIME_US, powers[1]))
    if resonant:
        parameters.append(Parameter("high_damping", "damping", None, 1.0, 0.02, 4.0))
    flags = (curve.poles_at_origin, level_only and not resonant)
    return UnitModel(tuple(parameters), low_end, high_end, *flags)


def _corner(name: str, role: str, start: float, largest: float, power: float) -> Parameter:
    return Parameter(name, role, None, start**power, 0.0, largest**power, power)


def _named(kind: str, times: tuple[float, ...] | list[float]) -> list[tuple[str, float]]:
    return [(f"{kind}_s" if k == 0 else f"{kind}_{k + 1}_s", t) for k, t in enumerate(times)]


def _constant(name: str, role: str, time: float) -> Parameter:
    start = math.log(time)
    return Parameter(name, role, time, start, start - _REACH, start + _REACH)
