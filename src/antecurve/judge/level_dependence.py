"""Two records at one frequency and unlike levels: a linear unit scales, another does not.

The harmonics of both, each over those of the same fit, differ by a gain and a delay only.  What
is missing in the fit is missing in both and cancels: the test rests on no model of the unit.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from antecurve.curves.model import REFERENCE_FREQUENCY_HZ
from antecurve.judge.level_reading import (
    LevelDifference,
    LevelReading,
    SoftChange,
    UnitWaves,
    dead_zone_change,
    reading_of,
    soft_change,
)
from antecurve.judge.observation import ResidualFinding, ResidualKind
from antecurve.quantities import DB_PER_NEPER

__all__ = [
    "LOUDER_DB",
    "RelativeHarmonics",
    "least_soft_change",
    "least_soft_change_shown",
    "level_findings",
    "shows_dead_zone",
    "unlike_levels",
]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

_CHANCE = 1e-5  # that noise is taken for it, per pair of records
_LIKE_FREQUENCY = 0.02  # harmonics of one order then see the same response to 0.01 dB
_UNLIKE_LEVEL = 1.3  # 2.3 dB: of usual distortion a fifth or more changes
_NOTABLE_DB = 0.03  # quadratic mean over the band: converters and probes differ by less
_AGAIN = (
    "Capture both levels again without touching the unit in between. Judge it at the level of use, "
    "and look for the level where the change begins"
)
_WORDS = {
    LevelReading.ONE_UNIT: (
        "Two linear units do not differ so: the unit compresses, clips or has a dead zone. Judge "
        "it at the level of use, and look for the level where the change begins"
    ),
    LevelReading.EITHER: (
        f"The unit compresses, clips or has a dead zone, or these are two units. {_AGAIN}"
    ),
    LevelReading.TWO_UNITS: (
        "No compression, clipping or dead zone does so: these are two units, or one that was "
        "touched in between. Judge each capture by itself"
    ),
}

LOUDER_DB = 10.0
"""By how much louder a further record is advised: a third-order term grows to ten times [dB]."""
_NOTABLE_SHARE = 0.02  # 0.17 dB of the peak; a low corner that moves by 4 % looks alike
_SOFTLY = (
    "The unit {does}, or its low corner moved in between. Judge it at the level of use, and "
    "compare the swings with the step of the generator"
)

_LEAST_HARMONICS = 2  # gain, delay and share are fitted to their real and imaginary parts

Waves = Callable[[int, Floats], UnitWaves]


@dataclass(frozen=True, slots=True, eq=False)
class RelativeHarmonics:
    """Odd harmonics of a record over those of a fit.

    Attributes
    ----------
    name : str
        The capture.
    fundamental_hz : float
        Frequency of the square wave [Hz].
    level_v : float
        Half the swing of the record [V].
    orders : numpy.ndarray of float, shape (harmonics,)
        Orders.
    error : numpy.ndarray of complex, shape (harmonics,)
        Ratio to the fit, less 1.
    variance : numpy.ndarray of float, shape (harmonics,)
        Variance of its real and of its imaginary part.
    rounding : numpy.ndarray of float, shape (harmonics,)
        What steps of the converter may add to it at most, as hardly any noise blurs them.
    """

    name: str
    fundamental_hz: float
    level_v: float
    orders: Floats
    error: Complex
    variance: Floats
    rounding: Floats

    @property
    def level_noise(self) -> float:
        """Relative noise of the fundamental, by the median over all: of 1/n each has n times."""
        return float(np.median(np.sqrt(self.variance) / self.orders))


def level_findings(
    harmonics: Sequence[RelativeHarmonics],
    *,
    band_hz: tuple[float, float],
    waves: Waves | None = None,
) -> list[ResidualFinding]:
    """Describe responses that depend on the level.

    Parameters
    ----------
    harmonics : sequence of RelativeHarmonics
        One a square-wave record.
    band_hz : tuple of float
        The band judged [Hz].
    waves : callable, optional
        Takes the number of the record at the higher level and orders, and returns the unit's
        waves; by default nothing tells one nonlinear unit from two linear ones.

    Returns
    -------
    list of ResidualFinding
        One a pair of records whose responses differ by more than noise.
    """
    findings = []
    for first, second in unlike_levels(harmonics):
        low, high = harmonics[first], harmonics[second]
        difference = _difference(low, high, band_hz[1])
        size = 0.0 if difference is None else _size_db(difference)
        of_unit = None if difference is None or waves is None else waves(second, difference.orders)
        if difference is None:
            continue
        if size > 0.0:
            read = LevelReading.EITHER if of_unit is None else reading_of(difference, of_unit)
            text = f"the response changes by {size:.2g} dB with the level. {_WORDS[read]}"
            findings.append(_finding(low, high, difference, text=text, reading=read))
        elif of_unit is not None:
            softly = _softly(soft_change(difference, of_unit))
            if softly:
                findings.append(_finding(low, high, difference, text=softly))
    return findings


def least_soft_change(
    harmonics: Sequence[RelativeHarmonics], *, band_hz: tuple[float, float], waves: Waves
) -> float:
    """Compute which soft compression would show between records at two levels.

    Parameters
    ----------
    harmonics : sequence of RelativeHarmonics
        One a square-wave record.
    band_hz : tuple of float
        The band judged [Hz].
    waves : callable
        As in `level_findings`.

    Returns
    -------
    float
        Least share of the peak that would be said; infinite where no pair of records is alike.
    """
    shares = [math.inf]
    for first, second in unlike_levels(harmonics):
        difference = _difference(harmonics[first], harmonics[second], band_hz[1])
        if difference is not None:
            change = soft_change(difference, waves(second, difference.orders))
            shares.append(max(_NOTABLE_SHARE, _certain(change)))
    return min(shares)


def least_soft_change_shown(
    harmonics: RelativeHarmonics,
    *,
    band_hz: tuple[float, float],
    square_hz: float,
    waves: Callable[[float, Floats], UnitWaves],
) -> float:
    """Predict which soft compression a further record at a higher level would show.

    Parameters
    ----------
    harmonics : RelativeHarmonics
        Those of the record there is.
    band_hz : tuple of float
        The band judged [Hz].
    square_hz : float
        Frequency at which both levels are captured, with as many periods and samples [Hz].
    waves : callable
        Takes a frequency [Hz] and orders, and returns the unit's waves.

    Returns
    -------
    float
        Least share of the peak at the higher level, `LOUDER_DB` above, that would be said where
        noise keeps its share of the swing; infinite where too few harmonics lie in the band.
    """
    inside = harmonics.orders * square_hz <= band_hz[1]
    orders = harmonics.orders[inside]
    if orders.size <= _LEAST_HARMONICS:
        return math.inf
    sigma, error = np.sqrt(harmonics.variance[inside]), harmonics.error[inside]
    sigma = math.sqrt(2.0) * sigma * _erratic(error, sigma)  # two records
    planned = LevelDifference(orders, 0.0 * error, sigma, 10.0 ** (-LOUDER_DB / 20.0))
    return max(_NOTABLE_SHARE, _certain(soft_change(planned, waves(square_hz, orders))))


def shows_dead_zone(
    harmonics: Sequence[RelativeHarmonics],
    *,
    band_hz: tuple[float, float],
    waves: Waves,
    share: float,
) -> bool:
    """Tell whether records at two levels would show a dead zone.

    Parameters
    ----------
    harmonics : sequence of RelativeHarmonics
        One a square-wave record.
    band_hz : tuple of float
        The band judged [Hz].
    waves : callable
        As in `level_findings`.
    share : float
        Its half width over the half swing of the higher level, 0 to 1.

    Returns
    -------
    bool
        Whether what it changes is by itself more than would be said of a pair.
    """
    for first, second in unlike_levels(harmonics):
        difference = _difference(harmonics[first], harmonics[second], band_hz[1])
        if difference is not None:
            made = dead_zone_change(difference, waves(second, difference.orders), share)
            if _size_db(replace(difference, error=made)) > 0.0:
                return True
    return False


def _certain(change: SoftChange) -> float:
    """The least share that is beyond chance."""
    from scipy.special import chdtri

    return change.deviation * math.sqrt(float(chdtri(1, _CHANCE)))


def _softly(change: SoftChange) -> str:
    """A soft change in words; empty where there is none beyond doubt."""
    if abs(change.share) < max(_NOTABLE_SHARE, _certain(change)):
        return ""
    tilt = "less" if change.share > 0.0 else "more"
    does = "compresses softly" if change.share > 0.0 else "expands, as with a dead zone"
    return (
        f"the tops tilt {tilt} with the level, as by a change of {100.0 * abs(change.share):.2g} % "
        f"at the peak. {_SOFTLY.format(does=does)}"
    )


def unlike_levels(harmonics: Sequence[RelativeHarmonics]) -> list[tuple[int, int]]:
    """Find records at one frequency whose levels differ.

    Parameters
    ----------
    harmonics : sequence of RelativeHarmonics
        One a square-wave record.

    Returns
    -------
    list of tuple of int
        Numbers of each pair, that at the lower level first.
    """
    pairs = []
    for pair in combinations(range(len(harmonics)), 2):
        first, second = sorted(pair, key=lambda k: harmonics[k].level_v)
        low, high = harmonics[first], harmonics[second]
        alike = abs(low.fundamental_hz / high.fundamental_hz - 1.0) <= _LIKE_FREQUENCY
        if alike and high.level_v >= _UNLIKE_LEVEL * low.level_v:
            pairs.append((first, second))
    return pairs


def _finding(
    low: RelativeHarmonics,
    high: RelativeHarmonics,
    difference: LevelDifference,
    *,
    text: str,
    reading: LevelReading = LevelReading.EITHER,
) -> ResidualFinding:
    """The finding on one pair of records, what differs added to the uncertainty."""
    level = 20.0 * math.log10(high.level_v / low.level_v)
    hertz = difference.orders * high.fundamental_hz
    size = DB_PER_NEPER * difference.error.real
    size = np.abs(size - np.interp(REFERENCE_FREQUENCY_HZ, hertz, size))
    two = reading is LevelReading.TWO_UNITS
    return ResidualFinding(
        ResidualKind.TWO_UNITS if two else ResidualKind.LEVEL,
        high.name,
        f"{high.name}, {level:.1f} dB above {low.name}: {text}",
        high.fundamental_hz,
        hertz,
        0.0 * size,
        size,
        forbids_pass=True,
    )


def _difference(
    low: RelativeHarmonics, high: RelativeHarmonics, highest_hz: float
) -> LevelDifference | None:
    """The difference within the band; none where too few harmonics lie in it."""
    orders, first, second = np.intersect1d(low.orders, high.orders, return_indices=True)
    inside = orders * high.fundamental_hz <= highest_hz
    orders, first, second = orders[inside], first[inside], second[inside]
    if orders.size <= _LEAST_HARMONICS:
        return None
    sigma = np.sqrt(low.variance[first] + high.variance[second])
    error = high.error[second] - low.error[first]
    sigma = sigma * _erratic(error, sigma)
    return LevelDifference(orders, error, sigma, low.level_v / high.level_v)


def _erratic(error: Complex, sigma: Floats) -> float:
    """What steps of converters, which are erratic from harmonic to harmonic, add to noise."""
    return max(_scatter(error.real / sigma), _scatter(error.imag / sigma), 1.0)


def _scatter(values: Floats) -> float:
    """Standard deviation of what neighbours do not share, by their second differences."""
    return float(np.sqrt(np.mean(np.diff(values, 2) ** 2) / 6.0))


def _size_db(difference: LevelDifference) -> float:
    """Quadratic mean of the difference, of level or of phase [dB]; 0 where noise explains it."""
    from scipy.special import chdtri

    missed = difference.missed(0.0 * difference.error)
    chi_square = sum(float(m @ m) for m in missed)
    if chi_square < float(chdtri(2 * difference.orders.size - 2, _CHANCE)):
        return 0.0
    sigma = DB_PER_NEPER * difference.sigma
    well_known = sigma <= max(_NOTABLE_DB, float(np.sort(sigma)[2]))
    squares = [
        float(np.mean((m * sigma)[which] ** 2 - sigma[which] ** 2))
        for m in missed
        for which in (well_known, np.ones_like(well_known))
    ]
    size = math.sqrt(max(0.0, *squares))
    return size if size > _NOTABLE_DB else 0.0
