"""Figures in sentences, with as many digits as they are known to."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from antecurve.analysis.intervals import Proportion
    from antecurve.analysis.spread import Yield

__all__ = ["LEAST_DB", "decibel_text", "share_text", "up_to_text", "within_text", "yield_sentence"]

LEAST_DB = 1e-3
"""No bench shows less [dB]."""
_MOST_DECIMALS = 3  # of a share in per cent: a hundred thousand builds tell no more


def decibel_text(value: float) -> str:
    """Write a figure in dB with two decimals, or with the first digit that is not 0.

    Parameters
    ----------
    value : float
        The figure [dB], 0 or greater.

    Returns
    -------
    str
        Such as ``0.11 dB``.

    Examples
    --------
    >>> decibel_text(0.1092), decibel_text(0.0198), decibel_text(0.0004)
    ('0.11 dB', '0.02 dB', 'below 0.001 dB')
    """
    if value == 0:
        return "0 dB"
    if value < LEAST_DB:
        return f"below {LEAST_DB:g} dB"
    digits = max(2, -math.floor(math.log10(value)))
    return f"{value:.{digits}f} dB"


def within_text(value: float) -> str:
    """Word a figure in dB to either side of 0, or that it is below what counts.

    Parameters
    ----------
    value : float
        The figure [dB], 0 or greater.

    Returns
    -------
    str
        Such as ``±0.02 dB``.
    """
    return decibel_text(value) if value < LEAST_DB else f"±{decibel_text(value)}"


def up_to_text(value: float) -> str:
    """Word a largest figure in dB.

    Parameters
    ----------
    value : float
        The figure [dB], 0 or greater.

    Returns
    -------
    str
        Such as ``at most 0.11 dB``, or ``less than 0.001 dB``.
    """
    return f"less than {LEAST_DB:g} dB" if value < LEAST_DB else f"at most {decibel_text(value)}"


def share_text(share: Proportion) -> str:
    """Write a share of builds in per cent, as far as its interval tells.

    Parameters
    ----------
    share : Proportion
        The share and its interval.

    Returns
    -------
    str
        Such as ``90.37 % (90.18 to 90.55 %)``.

    Examples
    --------
    >>> from antecurve.analysis.intervals import clopper_pearson
    >>> share_text(clopper_pearson(90367, trials=100000))
    '90.37 % (90.18 to 90.55 %)'
    >>> share_text(clopper_pearson(1000, trials=1000))
    '100 % (at least 99.63 %)'
    """
    width = (share.high - share.low) * 100.0
    digits = min(max(1 - math.floor(math.log10(width)), 0), _MOST_DECIMALS) if width else 0
    low, high = f"{share.low * 100:.{digits}f}", f"{share.high * 100:.{digits}f}"
    if share.successes == share.trials:
        return f"100 % (at least {low} %)"
    if share.successes == 0:
        return f"0 % (at most {high} %)"
    return f"{share.fraction * 100:.{digits}f} % ({low} to {high} %)"


def yield_sentence(within: Yield) -> str:
    """Say which share of builds keeps a limit.

    Parameters
    ----------
    within : Yield
        The limit and the share.

    Returns
    -------
    str
        A sentence.
    """
    share = within.proportion
    return (
        f"Builds within ±{within.limit_db:g} dB: {share_text(share)}, with "
        f"{share.confidence * 100:g} % confidence."
    )
