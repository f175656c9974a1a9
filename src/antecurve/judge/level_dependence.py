"""Two records at one frequency and unlike levels: a linear unit scales, another does not.

The harmonics of both, each over those of the same fit, differ by a gain and a delay only.  What
is missing in the fit is missing in both and cancels: the test rests on no model of the unit.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from antecurve.judge.observation import ResidualFinding, ResidualKind
from antecurve.quantities import DB_PER_NEPER

__all__ = ["RelativeHarmonics", "level_findings"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

_CHANCE = 1e-5  # that noise is taken for it, per pair of records
_LIKE_FREQUENCY = 0.02  # harmonics of one order then see the same response to 0.01 dB
_UNLIKE_LEVEL = 1.3  # 2.3 dB: of usual distortion a fifth or more changes
_NOTABLE_DB = 0.03  # quadratic mean over the band: converters and probes differ by less


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
    """

    name: str
    fundamental_hz: float
    level_v: float
    orders: Floats
    error: Complex
    variance: Floats


def level_findings(
    harmonics: Sequence[RelativeHarmonics], *, band_hz: tuple[float, float]
) -> list[ResidualFinding]:
    """Describe responses that depend on the level.

    Parameters
    ----------
    harmonics : sequence of RelativeHarmonics
        One a square-wave record.
    band_hz : tuple of float
        The band judged [Hz].

    Returns
    -------
    list of ResidualFinding
        One a pair of records whose responses differ by more than noise.
    """
    findings = []
    for one, other in combinations(harmonics, 2):
        if abs(one.fundamental_hz / other.fundamental_hz - 1.0) > _LIKE_FREQUENCY:
            continue
        low, high = sorted((one, other), key=lambda h: h.level_v)
        if high.level_v < _UNLIKE_LEVEL * low.level_v:
            continue
        size = _difference_db(low, high, band_hz[1])
        if size > 0.0:
            level = 20.0 * math.log10(high.level_v / low.level_v)
            text = (
                f"{high.name}, {level:.1f} dB above {low.name}: the response changes by "
                f"{size:.2g} dB with the level. The unit compresses, clips or has a dead zone, "
                "or these are two units. Judge it at the level of use, and look for the level "
                "where the change begins"
            )
            kind, at = ResidualKind.LEVEL, high.fundamental_hz
            findings.append(ResidualFinding(kind, high.name, text, at, forbids_pass=True))
    return findings


def _difference_db(low: RelativeHarmonics, high: RelativeHarmonics, highest_hz: float) -> float:
    """Quadratic mean of the difference within the band [dB]; 0 where noise explains it."""
    from scipy.special import chdtri

    orders, first, second = np.intersect1d(low.orders, high.orders, return_indices=True)
    inside = orders * high.fundamental_hz <= highest_hz
    orders, first, second = orders[inside], first[inside], second[inside]
    if orders.size < 3:
        return 0.0
    sigma = np.sqrt(low.variance[first] + high.variance[second])
    missed = []
    for part, column in (("real", np.ones(orders.size)), ("imag", orders / orders[-1])):
        values = getattr(high.error[second] - low.error[first], part) / sigma
        weighted = column / sigma
        missed.append(values - weighted * float(weighted @ values) / float(weighted @ weighted))
    chi_square = sum(float(m @ m) for m in missed)
    size = DB_PER_NEPER * float(np.sqrt(np.mean((missed[0] * sigma) ** 2)))
    noise = DB_PER_NEPER * float(np.sqrt(np.mean(sigma**2)))
    size = math.sqrt(max(0.0, size**2 - noise**2))
    certain = chi_square > float(chdtri(2 * orders.size - 2, _CHANCE))
    return size if certain and size > _NOTABLE_DB else 0.0
