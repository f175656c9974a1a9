"""Whether captures given as those of one unit can be of one unit.

Each by itself is fitted by the same family as all together.  Where each is described to within
little more than its noise, and together they are not, no one unit in one state gave them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from antecurve.judge.fit import Fit
from antecurve.judge.observation import Observation

__all__ = ["different_units"]

_TOGETHER = 3.0  # mean square: beyond doubt more than noise
_TIMES = 2.0  # of the mean square: each by itself is clearly better described


def different_units(
    observations: Sequence[Observation],
    together: Fit,
    alone: Callable[[Observation], Fit],
    *,
    enough: float,
) -> str:
    """Say when captures do not seem to be of one unit.

    Parameters
    ----------
    observations : sequence of Observation
        The captures.
    together : Fit
        The joint fit.
    alone : callable
        Fits one capture by itself.
    enough : float
        Mean square of whitened residuals up to which a fit describes a capture.

    Returns
    -------
    str
        A sentence; empty when they may be of one unit.
    """
    worst = max(together.excess)
    if len(observations) < 2 or worst <= _TOGETHER:
        return ""
    most = 0.0
    for observation in observations:
        most = max(most, *alone(observation).excess)
        if most > min(enough, worst / _TIMES):
            return ""
    names = " and ".join(o.name for o in observations)
    return (
        f"the captures do not seem to be of one unit in one state: together {names} leave "
        f"{worst**0.5:.1f} times the noise, each by itself {most**0.5:.1f} times at most; judge "
        "each by itself, or capture again without touching the unit in between"
    )
