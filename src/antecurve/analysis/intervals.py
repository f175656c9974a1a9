"""The interval of a proportion."""

from __future__ import annotations

import math
from dataclasses import dataclass

from antecurve.errors import InputError
from antecurve.results import Result

__all__ = ["Proportion", "clopper_pearson"]


@dataclass(frozen=True, slots=True)
class Proportion(Result):
    """A fraction of trials with its two-sided interval.

    Attributes
    ----------
    successes, trials : int
        What was counted.
    fraction : float
        successes / trials.
    low, high : float
        Ends of the interval.
    confidence : float
        Confidence of the interval.
    """

    successes: int
    trials: int
    fraction: float
    low: float
    high: float
    confidence: float


def clopper_pearson(successes: int, *, trials: int, confidence: float = 0.95) -> Proportion:
    """Work out the exact interval of a proportion.

    The ends are the quantiles of two beta distributions: low = B(a/2; k, n - k + 1) and
    high = B(1 - a/2; k + 1, n - k) with a = 1 - confidence; 0 and 1 where k is 0 or n.

    Parameters
    ----------
    successes : int
        Number of successes k, 0 to `trials`.
    trials : int
        Number of trials n, 1 or more.
    confidence : float, optional
        Two-sided confidence, above 0 and below 1.

    Returns
    -------
    Proportion
        Fraction and interval.

    Raises
    ------
    InputError
        When a number is out of range.

    References
    ----------
    C. J. Clopper, E. S. Pearson, "The use of confidence or fiducial limits illustrated in the
    case of the binomial", Biometrika 26 (1934) 404-413.

    Examples
    --------
    >>> interval = clopper_pearson(81, trials=263)
    >>> round(interval.low, 4), round(interval.high, 4)
    (0.2527, 0.3676)
    """
    if trials < 1:
        raise InputError("trials", trials, "it must be 1 or more")
    if not 0 <= successes <= trials:
        raise InputError("successes", successes, f"it must lie between 0 and {trials}")
    if not 0 < confidence < 1:
        raise InputError("confidence", confidence, "it must lie above 0 and below 1")
    tail = (1.0 - confidence) / 2.0
    low, high = _ends(successes, trials, tail)
    return Proportion(successes, trials, successes / trials, low, high, confidence)


def _ends(k: int, n: int, tail: float) -> tuple[float, float]:
    """Quantiles of the two beta distributions; of x**n alone where all or none succeeded."""
    if k == n:
        return math.exp(math.log(tail) / n), 1.0
    if k == 0:
        return 0.0, -math.expm1(math.log(tail) / n)
    from scipy.special import betaincinv

    return float(betaincinv(k, n - k + 1, tail)), float(betaincinv(k + 1, n - k, 1.0 - tail))
