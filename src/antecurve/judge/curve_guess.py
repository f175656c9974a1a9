"""Which published curve a unit is set to, from captures of it.

The unit is judged, so that its response is known with an uncertainty.  Each curve of the
catalogue, and flat, is then weighed as what a correct unit set to it may do: r is the response over
the curve's inverse at octaves, re its mean, normal with the covariance

.. math:: S = diag(u^2 + u_0^2) + \\sum_n c_n c_n^T

with u the standard uncertainty, u_0 what a sound unit does beside its constants, and c_n what each
time constant, a low and a high corner do within their usual departures.  Probabilities are by
Bayes' theorem with equal priors; curves that differ in name alone count once.  That none of them
fits is one more alternative: constants ten times as far off about any of them, or a decibel beside.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from antecurve.checked import checked
from antecurve.curves.catalogue import catalogue, curve_label, named_curve
from antecurve.curves.model import FLAT, Curve, level_db
from antecurve.judge.capture import Captures
from antecurve.judge.deviation import Deviation
from antecurve.judge.findings import time_range_text
from antecurve.judge.network_estimate import JudgedThrough
from antecurve.judge.verdict import FittedValue
from antecurve.judge.verdicts import JudgeRequest, judge_unit
from antecurve.networks.conditions import Conditions, conditions_of
from antecurve.quantities import format_time_constant
from antecurve.results import Result

__all__ = ["CurveGuess", "RankedCurve", "guess_unit_curve", "ranked_curves"]

Floats = NDArray[np.float64]

_PER_OCTAVE = 1.0  # a response of first-order corners has about one independent value an octave
_BESIDE_DB = 0.15  # of a sound unit beside its constants: half of what good units are sold with
_OF_CONSTANT = 0.05  # standard departure of a time constant: parts of 5 % and 2.5 % together
_OTHERS = ((0.5, 0.15), (0.5, 1.0))
"""Departure of time constants and dB beside them, of a unit set to no published curve: one by other
constants, and one with a shape or a fault of its own."""
_LOW_CORNER_HZ, _HIGH_CORNER_HZ = 5.0, 100e3  # usual ends of a unit; an effect of this size
_LEVEL_DB = 100.0  # of the level, which is free
_ROUNDS = 3  # the curve that the fit starts from may lack a constant of the unit
_FITS = 3.0  # mean square of the residual over its standard deviation: beyond, no curve fits
_UNSOUND_DB = _FITS * _BESIDE_DB  # that no constants explain: beyond, the unit is not sound
_EVEN = 0.5  # probability: below, the first curve is likelier wrong than right
_STEP = 1e-4  # of a time constant, for its derivative


@dataclass(frozen=True, slots=True)
class RankedCurve(Result):
    """A published curve and how likely the unit is set to it.

    Attributes
    ----------
    names : tuple of str
        Its names in the catalogue; several where curves have the same time constants.
    probability : float
        Of all published curves, if it is set to one of them, 0 to 1.
    largest_db : float
        Largest magnitude of the unit's deviation from it over the band, re the mean [dB].
    """

    names: tuple[str, ...]
    probability: float
    largest_db: float


@dataclass(frozen=True, slots=True)
class CurveGuess(Result):
    """Which published curve a unit is set to.

    Attributes
    ----------
    curve : Curve
        The most probable one.
    ranked : tuple of RankedCurve
        All of them, the most probable first.
    fits : bool
        Whether a sound unit set to it may have the response.
    constants : tuple of FittedValue
        The unit's own time constants, where it was fitted.
    none_probability : float
        Probability that it is set to none of them, 0 to 1.
    """

    _keys: ClassVar = ("curve:curve.name", "ranked", "fits", "constants", "none_probability")

    curve: Curve
    ranked: tuple[RankedCurve, ...]
    fits: bool
    constants: tuple[FittedValue, ...] = ()
    none_probability: float = 0.0

    @property
    def text(self) -> str:
        """Say which it is, how surely, and what comes next; or that none fits, and by how much."""
        best, second = self.ranked[:2]
        name = " or ".join(map(curve_label, best.names))
        other = " or ".join(map(curve_label, second.names))
        if not self.fits:
            return (
                "no published curve fits as a sound unit does. The unit is judged by the nearest, "
                f"{name}: off by up to {best.largest_db:.1f} dB. Next comes {other}, "
                f"{second.largest_db:.1f} dB{self._own_constants}"
            )
        published = 1.0 - self.none_probability
        likely = best.probability * published > _EVEN
        told = "set to" if likely else "the captures don't tell which curve it is set to: perhaps"
        return (
            f"{told} {name} with a probability of {_share(best.probability * published)}. "
            f"Next comes {other}, {_share(second.probability * published)}: off by up to "
            f"{second.largest_db:.1f} dB, against {best.largest_db:.1f} dB. "
            f"None of the published curves: {_share(self.none_probability)}"
        )

    @property
    def _own_constants(self) -> str:
        """What the unit plays by itself, and how it is stated."""
        if not self.constants:
            return ""
        words = ", ".join(
            f"{c.name.removesuffix('_s').replace('_', ' ')} {time_range_text(c)}"
            for c in self.constants
        )
        turnovers = [c for c in self.constants if c.name.startswith("turnover")]
        zeros = _times([c for c in self.constants if c not in turnovers])
        stated = f"zeros {zeros}" + (f" and poles {_times(turnovers)}" if turnovers else "")
        return f". Its own constants are {words}. To judge it by them, state {stated} of its curve"


def _times(constants: list[FittedValue]) -> str:
    return ", ".join(format_time_constant(c.value).replace("µ", "u") for c in constants)


def _share(probability: float) -> str:
    if probability > 0.999:
        return "over 99.9 %"
    return "below 0.1 %" if probability < 0.001 else f"{100.0 * probability:.1f} %"


@checked
def guess_unit_curve(
    captures: Captures,
    design: JudgedThrough,
    *,
    conditions: Conditions | None = None,
    measured: Mapping[str, float] | None = None,
    request: JudgeRequest | None = None,
) -> CurveGuess:
    """Guess which published curve a unit is set to.

    Parameters
    ----------
    captures, design, conditions, measured, request
        As in `antecurve.judge.verdicts.judge_unit`.

    Returns
    -------
    CurveGuess
        The curves of the catalogue by their probability.

    Raises
    ------
    InputError
        When a capture can't be used.
    """
    conditions = conditions_of(design, conditions)
    curve = conditions.playback_curve
    for _ in range(_ROUNDS):
        verdict = judge_unit(
            captures,
            design,
            conditions=replace(conditions, unit_curve=curve),
            measured=measured,
            request=request,
        )
        guess = ranked_curves(verdict.deviation, curve)
        if abs(verdict.unlike_any_db) > _UNSOUND_DB:
            guess = _by_distance(guess)
        if guess.curve == curve:
            break
        curve = guess.curve
    if abs(verdict.unlike_any_db) > _UNSOUND_DB:
        return guess  # its constants are fitted to what no constants make
    return replace(guess, constants=tuple(f for f in verdict.fitted if f.unit == "s"))


def _by_distance(guess: CurveGuess) -> CurveGuess:
    """The curves by how far off the unit is: its probabilities are those of a sound unit."""
    ranked = tuple(sorted(guess.ranked, key=lambda r: r.largest_db))
    return replace(guess, curve=named_curve(ranked[0].names[0]), ranked=ranked, fits=False)


def ranked_curves(deviation: Deviation, judged_by: Curve) -> CurveGuess:
    """Rank the catalogue by the response of a unit.

    Parameters
    ----------
    deviation : Deviation
        The unit's deviation from ideal playback.
    judged_by : Curve
        The curve of that playback.

    Returns
    -------
    CurveGuess
        Its curves by their probability.
    """
    low, high = deviation.frequency_hz[[0, -1]]
    octaves = round(_PER_OCTAVE * math.log2(high / low))
    frequency = np.geomspace(low, high, max(octaves, 2) + 1)

    def at(values: Floats) -> Floats:
        return np.interp(np.log(frequency), np.log(deviation.frequency_hz), values)

    level = at(deviation.deviation_db) - level_db(judged_by, frequency, published=True)
    # Where the captures tell nothing the uncertainty is infinite; a hundred decibels say the same.
    standard = np.minimum(at(deviation.expanded_uncertainty_db) / 2.0, _LEVEL_DB)
    groups: dict[tuple[object, ...], list[Curve]] = {}
    for curve in (*catalogue(), named_curve(FLAT)):
        key = (curve.zeros_s, curve.poles_s, curve.zeros_at_origin, curve.poles_at_origin)
        groups.setdefault(key, []).append(curve)
    weighed = [(_weight(level, standard, frequency, same[0]), same) for same in groups.values()]
    evidence = np.array([weight for (weight, _, _), _ in weighed])
    odds = np.exp(evidence - evidence.max())
    order = np.argsort(-odds, kind="stable")
    ranked = tuple(
        RankedCurve(
            tuple(curve.name for curve in weighed[k][1]),
            float(odds[k] / odds.sum()),
            weighed[k][0][2],
        )
        for k in order
    )
    (_, mean_square, _), best = weighed[order[0]]
    none = np.array([
        _weight(level, standard, frequency, same[0], of_constant=share, beside_db=beside)[0]
        for same in groups.values() for share, beside in _OTHERS
    ])  # fmt: skip
    against = np.exp(evidence - none.max()).sum() / np.exp(none - none.max()).mean()
    none_probability = float(1.0 / (1.0 + against))
    fits = mean_square < _FITS and none_probability < _EVEN
    return CurveGuess(best[0], ranked, fits, none_probability=none_probability)


def _weight(
    level: Floats,
    standard: Floats,
    frequency: Floats,
    curve: Curve,
    *,
    of_constant: float = _OF_CONSTANT,
    beside_db: float = _BESIDE_DB,
) -> tuple[float, float, float]:
    """Log evidence of a curve, mean square of the residual, and its largest value [dB]."""
    residual = level + level_db(curve, frequency, published=True)
    residual = residual - residual.mean()
    columns = np.array(
        [np.full(frequency.size, _LEVEL_DB), *_departures(curve, frequency, of_constant)]
    )
    covariance = np.diag(standard**2 + beside_db**2) + columns.T @ columns
    root = np.linalg.cholesky(covariance)
    white = np.linalg.solve(root, residual)
    evidence = -0.5 * float(white @ white) - float(np.log(np.diag(root)).sum())
    return evidence, float(white @ white) / frequency.size, float(np.abs(residual).max())


def _departures(curve: Curve, frequency: Floats, of_constant: float) -> list[Floats]:
    """What the constants of a unit and its ends do within their usual departures [dB]."""
    nominal = level_db(curve, frequency, published=True)
    moved = [replace(curve, zeros_s=times) for times in _each_moved(curve.zeros_s)]
    moved += [replace(curve, poles_s=times) for times in _each_moved(curve.poles_s)]
    share = of_constant / _STEP
    columns = [share * (level_db(m, frequency, published=True) - nominal) for m in moved]
    low = -10.0 * np.log10(1.0 + (_LOW_CORNER_HZ / frequency) ** 2)
    high = -10.0 * np.log10(1.0 + (frequency / _HIGH_CORNER_HZ) ** 2)
    return [*columns, low, high]


def _each_moved(times: tuple[float, ...]) -> list[tuple[float, ...]]:
    """The time constants with one of them longer by a step, for each of them."""
    return [
        (*times[:index], time * (1.0 + _STEP), *times[index + 1 :])
        for index, time in enumerate(times)
    ]
