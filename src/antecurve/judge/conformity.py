"""Conformity with a limit by the guard-banded rule of JCGM 106.

JCGM 106:2012, Evaluation of measurement data: The role of measurement uncertainty in conformity
assessment.  A measured value y with standard uncertainty u and a normal distribution conforms
with an upper limit T with probability Phi((T - y)/u) (clause 7.3.1).  Acceptance within a guard
band as wide as the expanded uncertainty U = 2 u (clause 8.3.3.2, "w = r U" with r = 1) keeps the
chance that an accepted unit lies beyond the limit at 2.3 % or less; rejection likewise asks for
evidence beyond the limit by U (clause 8.3.3.3).  What lies between is undecided.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import ClassVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from antecurve.checked import checked
from antecurve.errors import InputError
from antecurve.quantities import check_band, check_number
from antecurve.results import Result

__all__ = [
    "BandDecision",
    "Decision",
    "LimitBand",
    "combined_decision",
    "conformance_probability",
    "decide",
]


class Decision(StrEnum):
    """What the evidence says about a limit."""

    PASS = "pass"
    FAIL = "fail"
    UNDECIDED = "undecided"


@checked
@dataclass(frozen=True, slots=True)
class LimitBand:
    """A limit on the magnitude of the deviation within a band.

    Attributes
    ----------
    low_hz, high_hz : float
        The band [Hz], above 0, low below high.
    limit_db : float
        Largest magnitude allowed [dB], above 0.

    Raises
    ------
    InputError
        When a number is out of range.
    """

    low_hz: float
    high_hz: float
    limit_db: float

    def __post_init__(self) -> None:
        check_band((self.low_hz, self.high_hz))
        check_number(self.limit_db, field="limit", unit="dB")

    @property
    def band_hz(self) -> tuple[float, float]:
        """Its ends [Hz]."""
        return self.low_hz, self.high_hz


@dataclass(frozen=True, slots=True)
class BandDecision(Result):
    """The decision on one limit, and the point that decided it.

    Attributes
    ----------
    band : LimitBand
        The limit.
    decision : Decision
        Pass, fail or undecided.
    frequency_hz : float
        The frequency [Hz] that decided.
    deviation_db : float
        The deviation there, signed [dB].
    expanded_uncertainty_db : float
        Its expanded uncertainty, 95 % [dB].
    """

    _keys: ClassVar = (
        "band_hz:band.band_hz",
        "limit_db:band.limit_db",
        "verdict:decision",
        "frequency_hz",
        "deviation_db",
        "expanded_uncertainty_db",
    )

    band: LimitBand
    decision: Decision
    frequency_hz: float
    deviation_db: float
    expanded_uncertainty_db: float


def conformance_probability(
    value: float,
    *,
    standard_uncertainty: float,
    lower: float = -math.inf,
    upper: float = math.inf,
) -> float:
    """Compute the probability that the true value lies within limits.

    Phi((T_U - y)/u) - Phi((T_L - y)/u), JCGM 106:2012, 7.3 and 7.4.

    Parameters
    ----------
    value : float
        Measured value y.
    standard_uncertainty : float
        Standard uncertainty u in the same unit, above 0.
    lower, upper : float, optional
        Limits T_L and T_U.

    Returns
    -------
    float
        Between 0 and 1.

    Raises
    ------
    InputError
        When the uncertainty is not above 0.

    Examples
    --------
    >>> round(conformance_probability(0.0, standard_uncertainty=0.25, lower=-0.5, upper=0.5), 4)
    0.9545
    """
    if not standard_uncertainty > 0:
        raise InputError("standard_uncertainty", standard_uncertainty, "it must be above 0")
    from scipy.special import ndtr

    below = ndtr((upper - value) / standard_uncertainty)
    return float(below - ndtr((lower - value) / standard_uncertainty))


def decide(
    frequency_hz: ArrayLike,
    deviation_db: ArrayLike,
    expanded_uncertainty_db: ArrayLike,
    *,
    band: LimitBand,
) -> BandDecision:
    """Decide whether a deviation conforms with a limit throughout a band.

    Pass when abs(d) + U <= limit everywhere, fail when abs(d) - U > limit anywhere.

    Parameters
    ----------
    frequency_hz : array_like, shape (frequencies,)
        Frequencies [Hz]; those outside the band are passed over.
    deviation_db, expanded_uncertainty_db : array_like, shape (frequencies,)
        Deviation and its expanded uncertainty [dB].
    band : LimitBand
        The limit.

    Returns
    -------
    BandDecision
        With the frequency that decided: the surest excess of a failure, otherwise the largest
        abs(d) + U.

    Raises
    ------
    InputError
        When no frequency lies in the band.
    """
    frequency = np.asarray(frequency_hz, float)
    inside = (frequency >= band.low_hz * (1 - 1e-9)) & (frequency <= band.high_hz * (1 + 1e-9))
    if not inside.any():
        raise InputError("band", [band.low_hz, band.high_hz], "no frequency was judged within it")
    frequency = frequency[inside]
    deviation: NDArray[np.float64] = np.asarray(deviation_db, float)[inside]
    expanded: NDArray[np.float64] = np.asarray(expanded_uncertainty_db, float)[inside]
    size = np.abs(deviation)
    if np.any(size - expanded > band.limit_db):
        decision, at = Decision.FAIL, int(np.argmax(size - expanded))
    else:
        at = int(np.argmax(size + expanded))
        passed = size[at] + expanded[at] <= band.limit_db
        decision = Decision.PASS if passed else Decision.UNDECIDED
    return BandDecision(
        band, decision, float(frequency[at]), float(deviation[at]), float(expanded[at])
    )


def combined_decision(decisions: tuple[BandDecision, ...]) -> BandDecision:
    """Combine several decisions: a failure, else an open one, else the tightest pass.

    Parameters
    ----------
    decisions : tuple of BandDecision
        One per limit, at least one.

    Returns
    -------
    BandDecision
        The one that rules, by the share of its limit that is used up.

    Raises
    ------
    InputError
        When there is none.
    """
    if not decisions:
        raise InputError("limits", (), "at least one limit is needed")

    def rank(entry: BandDecision) -> tuple[int, float]:
        order = (Decision.PASS, Decision.UNDECIDED, Decision.FAIL).index(entry.decision)
        sign = -1.0 if entry.decision is Decision.FAIL else 1.0
        used = abs(entry.deviation_db) + sign * entry.expanded_uncertainty_db
        return order, used / entry.band.limit_db

    return max(decisions, key=rank)
