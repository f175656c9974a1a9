"""The constants of a playback unit, with bounds and priors, and the shapes of a unit."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import IntEnum, StrEnum

from antecurve.curves.model import Curve
from antecurve.errors import InputError
from antecurve.judge.unit_factors import RATE_UNIT, TIME_UNIT

__all__ = ["HighEnd", "LowEnd", "Parameter", "Shape", "curve_parameters", "end_parameters"]

_REACH = math.log(300.0)  # a decade slip and a swapped part at once stay within it
_LARGEST_CORNER_HZ = 2000.0  # 250 times the usual one: a coupling capacitor two decades too small
_LARGEST_TIME_US = 300.0  # four times the treble's 75 us: beyond, it is a fault of the treble
_CONSTANT_SPREAD = 1.5
# Standard deviation of the logarithm of a time constant, by judgement: 95 % within a factor of 20,
# as a wrong, open or shorted part may be anything.
_USUAL_CORNER_HZ = 8.0  # coupling capacitors: half of all corners are below it, by judgement
_USUAL_TIME_US = 1e6 / (2.0 * math.pi * 20e3)  # the high end of the audio band


class LowEnd(IntEnum):
    """Shape of the low end, by its order."""

    FIRST_ORDER = 1
    SECOND_ORDER = 2
    THIRD_ORDER = 3


class HighEnd(StrEnum):
    """Shape of the top."""

    POLE = "one pole"
    PAIR = "second order"
    ZERO = "playback zero"
    ZERO_AND_PAIR = "playback zero, second order"

    @property
    def free(self) -> frozenset[str]:
        """Roles of the coefficients that are free."""
        pair = {"high_2"} if self in (HighEnd.PAIR, HighEnd.ZERO_AND_PAIR) else set()
        zero = {"lift"} if self in (HighEnd.ZERO, HighEnd.ZERO_AND_PAIR) else set()
        return frozenset({"high_1", *pair, *zero})


@dataclass(frozen=True, slots=True)
class Shape:
    """Which coefficients of a unit are free.

    Attributes
    ----------
    low_end : LowEnd
        The low end.
    high_end : HighEnd
        The top.
    """

    low_end: LowEnd = LowEnd.FIRST_ORDER
    high_end: HighEnd = HighEnd.POLE


@dataclass(frozen=True, slots=True)
class Parameter:
    """One constant of the unit.

    Attributes
    ----------
    name : str
        Such as ``treble_s`` or ``low_corner_hz``.
    role : str
        ``pole``, ``zero`` (playback, logarithm of a time constant), ``shelf`` (a playback pole
        as a rate, nominal 0), ``low_1`` to ``low_3``, ``high_1``, ``high_2``, ``lift`` (the
        zero where a feedback stage stops) or ``lead`` (a zero that undoes an ultrasonic pole).
    nominal : float or None
        Nominal value in the unit of the name [s or Hz]; ``None`` where there is none.
    start, lowest, highest : float
        Start and bounds in the fit's own coordinate.
    spread : float
        Width of the prior: standard deviation of a normal one about the start for a logarithm,
        otherwise the scale of a half Cauchy distribution from 0, half of which lies below it.
    power : int
        A coefficient has the unit of this power of a rate [Hz] or time [us].
    """

    name: str
    role: str
    nominal: float | None
    start: float
    lowest: float
    highest: float
    spread: float
    power: int = 1

    @property
    def logarithmic(self) -> bool:
        """Whether the fit's coordinate is the logarithm of a time constant."""
        return self.role in ("pole", "zero")

    @property
    def low(self) -> bool:
        """Whether it is a coefficient of the low end."""
        return self.role.startswith("low")

    @property
    def high(self) -> bool:
        """Whether it is a coefficient of the top."""
        return self.role.startswith("high") or self.role == "lift"

    @property
    def log_prior_width(self) -> float:
        """ln of 1 over the largest density of the prior."""
        if self.logarithmic:
            return math.log(self.spread * math.sqrt(2.0 * math.pi))
        return math.log(math.pi * self.spread / 2.0)

    def value(self, coordinate: float) -> float:
        """Compute the value in the unit of the name.

        Parameters
        ----------
        coordinate : float
            The fit's own coordinate.

        Returns
        -------
        float
            Time constant [s] or corner frequency [Hz]; infinite for a shelf or a corner of the
            top that is not there.
        """
        if self.logarithmic:
            return math.exp(coordinate)
        size = float(max(coordinate, 0.0) ** (1.0 / self.power))
        if self.high:
            return 1.0 / (2.0 * math.pi * size * TIME_UNIT) if size > 0 else math.inf
        if self.role == "shelf":
            return 1.0 / (RATE_UNIT * size) if size > 0 else math.inf
        return size * TIME_UNIT if self.role == "lead" else size

    def coordinate(self, value: float) -> float:
        """Compute the fit's coordinate of a value, within its bounds.

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
            if self.high:
                size = 1.0 / (2.0 * math.pi * value * TIME_UNIT)
            elif self.role == "shelf":
                size = 1.0 / (RATE_UNIT * value)
            elif self.role == "lead":
                size = value / TIME_UNIT
            coordinate = size**self.power
        return min(max(coordinate, self.lowest), self.highest)


def curve_parameters(curve: Curve, *, undo_ultrasonic: bool) -> list[Parameter]:
    """Lay out the playback poles and zeros of a curve.

    Parameters
    ----------
    curve : Curve
        The emphasis curve; its published time constants are the nominal ones.
    undo_ultrasonic : bool
        Whether the unit may have playback zeros that undo the curve's ultrasonic poles.

    Returns
    -------
    list of Parameter
        Poles ``bass_shelf_s``, zeros ``turnover_s``, poles ``treble_s``.

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
        parameters.append(
            Parameter(name, "shelf", None, 1.0, 0.0, _LARGEST_CORNER_HZ, _USUAL_CORNER_HZ)
        )
    parameters += [_constant(n, "zero", t) for n, t in _named("turnover", curve.poles_s)]
    treble = [z for z in curve.zeros_s if z not in shelves]
    parameters += [_constant(n, "pole", t) for n, t in _named("treble", treble)]
    if undo_ultrasonic:
        for name, t in _named("ultrasonic_zero", curve.ultrasonic_poles_s):
            us = t / TIME_UNIT
            parameters.append(Parameter(name, "lead", t, us, 0.0, _LARGEST_TIME_US, _USUAL_TIME_US))
    return parameters


def end_parameters(*, level_only: bool) -> tuple[Parameter, ...]:
    """Lay out the coefficients of low end and top.

    Parameters
    ----------
    level_only : bool
        Whether only levels are compared, no phase and no waveform.

    Returns
    -------
    tuple of Parameter
        ``low_corner_hz`` and ``high_corner_hz`` are the first of either end.
    """
    squared = 2 if level_only else 1
    low, high = (_USUAL_CORNER_HZ, _LARGEST_CORNER_HZ), (_USUAL_TIME_US, _LARGEST_TIME_US)
    return (
        _coefficient("low_corner_hz", "low_1", 2.0, low, squared),
        _coefficient("low_end_2", "low_2", 0.0, low, 2 * squared),
        _coefficient("low_end_3", "low_3", 0.0, low, 3 * squared),
        _coefficient("high_corner_hz", "high_1", 0.5, high, 2),
        _coefficient("high_end_2", "high_2", 0.5, high, 4),
        _coefficient("playback_zero_hz", "lift", 0.0, high, 2),
    )


def _coefficient(
    name: str, role: str, start: float, limits: tuple[float, float], power: int
) -> Parameter:
    usual, largest = limits
    bound = largest**power
    return Parameter(name, role, None, start**power, 0.0, bound, usual**power, power)


def _named(kind: str, times: tuple[float, ...] | list[float]) -> list[tuple[str, float]]:
    return [(f"{kind}_s" if k == 0 else f"{kind}_{k + 1}_s", t) for k, t in enumerate(times)]


def _constant(name: str, role: str, time: float) -> Parameter:
    start = math.log(time)
    return Parameter(name, role, time, start, start - _REACH, start + _REACH, _CONSTANT_SPREAD)
