"""What a response that changes with the level says: of one unit or two, and of its tops.

A nonlinearity without memory turns a waveform v(t) into f(v(t)).  Harmonic n then changes by
ln(F_n/V_n), F and V the spectra of f(v) and v; linear stages behind it cancel.  Between two levels
the change depends on one number alone: how strong f is.  Two linear units differ by a constant of
the response instead.  Both are tried on what is measured; what leaves least explains it.

A soft compression f(v) = v - k v^3 behind the equaliser leaves a flat top flat, and only lowers it.
A top that a low corner tilts it makes flatter, by some 2 k of the tilt: harmonic n changes by
-k V3_n/V_n, V3 the spectrum of v^3.  One number is fitted to many harmonics, and so known well.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import partial

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.fit import Fit
from antecurve.judge.signal_path import square_harmonics
from antecurve.judge.unit_model import UnitModel

__all__ = [
    "LevelDifference",
    "LevelReading",
    "SoftChange",
    "UnitWaves",
    "dead_zone_change",
    "reading_of",
    "soft_change",
    "unit_waves",
]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

_EXPLAINS = 0.1  # of the power of the difference; kinds of distortion are never quite a formula
_CLEARLY = 3.0  # times less left than by the other reading
_HARDLY = 0.5  # of the power left: not the explanation
_STRENGTHS = np.geomspace(1e-4, 0.5, 38)  # of the peak, in steps of 26 %
_MOVES = np.geomspace(1e-3, 2.0, 23)  # of the logarithm of a constant, in steps of 41 %
_SOFT_ROUNDS = 4  # each takes the error of the share down to a fifth of itself
_MOST_SOFT = 0.3  # of the peak: a third at which the top of v - k v^3 turns
_SMALL = 1e-6  # of the peak: as good as none
_LEVEL_ROUNDS = 3  # each takes the error of the level down to the distortion's share of it
_REACH_HZ = 200e3  # ten times the band: edges are as steep as a network leaves them
_TURNS = 4.0  # points over a turn of the highest harmonic
_FITTED = 3  # gain, delay and share
_LEAST = 1e-9  # of a wave's peak: no harmonic at all


class LevelReading(StrEnum):
    """What a difference between two levels says."""

    ONE_UNIT = "one nonlinear unit"
    TWO_UNITS = "two linear units"
    EITHER = "either"


@dataclass(frozen=True, slots=True, eq=False)
class LevelDifference:
    """Odd harmonics of a record less those of another at a lower level.

    Attributes
    ----------
    orders : numpy.ndarray of float, shape (harmonics,)
        Orders.
    error : numpy.ndarray of complex, shape (harmonics,)
        Difference of the logarithms; gains and delays of both left in.
    sigma : numpy.ndarray of float, shape (harmonics,)
        Standard deviation of its real and of its imaginary part.
    level_ratio : float
        Swing of the lower record over that of the higher, below 1.
    """

    orders: Floats
    error: Complex
    sigma: Floats
    level_ratio: float

    def missed(self, explained: Complex) -> tuple[Floats, Floats]:
        """Compute what an explanation leaves, with gain and delay free.

        Parameters
        ----------
        explained : numpy.ndarray of complex, shape (harmonics,)
            Difference of the logarithms by the explanation.

        Returns
        -------
        tuple of numpy.ndarray of float, shape (harmonics,)
            Real and imaginary parts over their standard deviations.
        """
        missing = self.error - explained

        def without(part: Floats, column: Floats) -> Floats:
            values, weighted = part / self.sigma, column / self.sigma
            taken = float(weighted @ values) / float(weighted @ weighted)
            return np.asarray(values - taken * weighted)

        return without(missing.real, np.ones(missing.size)), without(missing.imag, self.orders)


@dataclass(frozen=True, slots=True, eq=False)
class UnitWaves:
    """A period at the unit's input and output, as the fit has it.

    Attributes
    ----------
    input, output : numpy.ndarray of float, shape (points,)
        Waveforms, each with a peak of 1.
    behind_input : numpy.ndarray of complex, shape (points / 2 + 1,)
        Spectrum of the output over that of the input.
    constants : sequence of callable
        Each takes how far one constant is moved, in the fit's coordinates, and returns the change
        of ln of the response at the orders of the difference.
    """

    input: Floats
    output: Floats
    behind_input: Complex
    constants: Sequence[Callable[[float], Complex]]


@dataclass(frozen=True, slots=True)
class SoftChange:
    """A soft change of the tops of a wave with its level.

    Attributes
    ----------
    share : float
        Share of the peak that a third-order term takes at the higher level; negative where it adds.
    deviation : float
        Its standard deviation.
    """

    share: float
    deviation: float


def soft_change(difference: LevelDifference, waves: UnitWaves) -> SoftChange:
    """Fit a third-order term behind the equaliser to what changes with the level.

    Parameters
    ----------
    difference : LevelDifference
        What is measured.
    waves : UnitWaves
        What the unit was given and gave, at the higher level.

    Returns
    -------
    SoftChange
        The term, by least squares; what it leaves beyond noise raises its deviation.
    """
    values, share = np.concatenate(difference.missed(0.0 * difference.error)), 0.0
    for _ in range(_SOFT_ROUNDS):
        of_one = _soft_slope(difference, waves.output, share)
        without = replace(difference, error=of_one)
        column = np.concatenate(without.missed(0.0 * of_one))
        power = float(column @ column)
        share = float(np.clip(column @ values / power, -_MOST_SOFT, _MOST_SOFT))
    missed = values - share * column
    raised = max(1.0, float(missed @ missed) / (missed.size - _FITTED))
    return SoftChange(share, math.sqrt(raised / power))


def _soft_slope(difference: LevelDifference, fitted: Floats, share: float) -> Complex:
    """Difference of the logarithms by a third-order term, over its share.

    The fit has the tops as flat as the records have them on average; the term makes them so of
    tops that tilt more.
    """
    ratio, orders = difference.level_ratio, np.arange(1, int(difference.orders.max()) + 1, 2)
    small = share if abs(share) > _SMALL else _SMALL
    lines = np.fft.rfft(fitted)

    def changes(wave: Floats) -> tuple[Complex, Complex]:
        own, high, low = (
            np.fft.rfft(v)[orders]
            for v in (wave, _compressed(wave, small), _compressed(ratio * wave, small) / ratio)
        )
        return np.log(high / own), np.log(low / own)

    wave = fitted
    for _ in range(_SOFT_ROUNDS if share else 0):
        mean = np.mean(changes(wave), axis=0)
        every = np.interp(np.arange(lines.size), orders, mean)
        wave = np.fft.irfft(lines * np.exp(-every), fitted.size)
        wave = wave / np.abs(wave).max()
    high, low = changes(wave)
    at = (difference.orders.astype(int) - 1) // 2
    return np.asarray((high - low)[at] / small, dtype=complex)


def unit_waves(
    fit: Fit, index: int, orders: Floats, *, square_hz: float | None = None
) -> UnitWaves:
    """Compute what the unit of a fit is given in a capture, and gives.

    Parameters
    ----------
    fit : Fit
        The fit.
    index : int
        Which capture: one of a square wave.
    orders : numpy.ndarray of float, shape (harmonics,)
        Orders at which the difference is known.
    square_hz : float, optional
        Frequency of the square wave [Hz]; by default that of the capture.

    Returns
    -------
    UnitWaves
        The waves without the capture's noise, gain and delay.
    """
    problem, units, unknowns = fit.solution.problem, fit.solution.units, fit.solution.unknowns
    fundamental = square_hz or float(fit.observations[index].frequency_hz[0])
    points = 2 ** math.ceil(math.log2(_TURNS * _REACH_HZ / fundamental))
    odd = np.arange(1, int(_REACH_HZ / fundamental) + 1, 2)
    rise_s = problem.rise_time(unknowns).value_s
    square = square_harmonics(
        odd.astype(float), frequency_hz=fundamental, duty=0.5, rise_time_s=rise_s
    ).value
    hertz = np.asarray(odd * fundamental, dtype=float)
    unit = problem.model.log_response(units, hertz)
    path = problem.log_response(unknowns, hertz, index)
    spectrum = np.zeros((3, points // 2 + 1), dtype=complex)
    spectrum[:, odd] = square * np.exp(path - unit), square * np.exp(path), np.exp(unit)
    wave_in, wave_out = np.fft.irfft(spectrum[:2], points)
    size = np.abs(wave_in).max(), np.abs(wave_out).max()
    moves = [
        partial(_moved, problem.model, units, orders * fundamental, k) for k in range(units.size)
    ]
    behind = spectrum[2] * size[0] / size[1]
    return UnitWaves(wave_in / size[0], wave_out / size[1], behind, moves)


def _moved(
    model: UnitModel, units: Floats, frequency_hz: Floats, constant: int, by: float
) -> Complex:
    """Change of ln of the response by a move of one constant, which stays 0 or above."""
    other = units.copy()
    other[constant] += by
    if not model.parameters[constant].logarithmic:
        other[constant] = max(other[constant], 0.0)
    change = model.log_response(other, frequency_hz) - model.log_response(units, frequency_hz)
    return np.asarray(change)


def reading_of(difference: LevelDifference, waves: UnitWaves) -> LevelReading:
    """Tell a nonlinear unit from two linear ones, where the difference can.

    Parameters
    ----------
    difference : LevelDifference
        What is measured, beyond doubt more than noise.
    waves : UnitWaves
        What the unit was given and gave, at the higher level.

    Returns
    -------
    LevelReading
        One of the two where it alone explains the difference.
    """

    def beyond_noise(explained: Complex) -> float:
        power = sum(float(m @ m) for m in difference.missed(explained))
        return max(power - 2.0 * difference.orders.size, 0.0)

    whole = max(beyond_noise(0.0 * difference.error), _LEAST)

    def share(explained: Complex) -> float:
        return beyond_noise(explained) / whole

    by_level = min(
        share(_by_distortion(difference, wave, behind, law, strength))
        for wave, behind in ((waves.output, None), (waves.input, waves.behind_input))
        for law in _LAWS
        for strength in _STRENGTHS
    )
    by_unit = min(share(move(s)) for move in waves.constants for s in (*-_MOVES, *_MOVES))
    if by_level < _EXPLAINS and _CLEARLY * by_level < by_unit:
        return LevelReading.ONE_UNIT
    if by_level > _HARDLY or (by_unit < _EXPLAINS and _CLEARLY * by_unit < by_level):
        return LevelReading.TWO_UNITS
    return LevelReading.EITHER


def dead_zone_change(difference: LevelDifference, waves: UnitWaves, share: float) -> Complex:
    """Compute what a dead zone at the output changes between two levels.

    Parameters
    ----------
    difference : LevelDifference
        What is measured.
    waves : UnitWaves
        What the unit gave, at the higher level.
    share : float
        Half width of the zone over the peak, 0 to 1.

    Returns
    -------
    numpy.ndarray of complex, shape (harmonics,)
        Difference of the logarithms.
    """
    return _by_distortion(difference, waves.output, None, _with_dead_zone, share)


def _by_distortion(
    difference: LevelDifference,
    wave: Floats,
    behind: Complex | None,
    law: Callable[[Floats, float], Floats],
    strength: float,
) -> Complex:
    """Difference of the logarithms by a distortion of the wave."""
    high = law(wave, strength)
    swing, level = _swing(high, behind), difference.level_ratio
    low = high
    for _ in range(_LEVEL_ROUNDS):  # until the outputs have the levels measured
        low = law(level * wave, strength)
        level *= difference.level_ratio * swing / max(_swing(low, behind), _LEAST)
        level = min(level, 1.0)
    orders = difference.orders.astype(int)
    one, other = (np.fft.rfft(v)[orders] for v in (high, low))
    small = _LEAST * wave.size
    if min(np.abs(one).min(), np.abs(other).min()) < small:
        return np.full(orders.size, 1e6, dtype=complex)
    return np.asarray(np.log(one / other))


def _swing(wave: Floats, behind: Complex | None) -> float:
    if behind is not None:
        wave = np.fft.irfft(np.fft.rfft(wave) * behind, wave.size)
    return float(np.ptp(wave))


def _compressed(wave: Floats, strength: float) -> Floats:
    return np.asarray(wave - strength * wave**3)


def _expanded(wave: Floats, strength: float) -> Floats:
    return np.asarray(wave + strength * wave**3)


def _clipped(wave: Floats, strength: float) -> Floats:
    return np.clip(wave, strength - 1.0, 1.0 - strength)


def _with_dead_zone(wave: Floats, strength: float) -> Floats:
    return np.asarray(np.sign(wave) * np.maximum(np.abs(wave) - strength, 0.0))


_LAWS = (_compressed, _expanded, _clipped, _with_dead_zone)
