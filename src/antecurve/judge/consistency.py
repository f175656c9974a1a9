"""Whether captures given as those of one unit can be of one unit.

Each by itself is fitted by the same family as all together.  Where each is described to within
little more than its noise, and together they are not, no one unit in one state gave them.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from antecurve.judge.captures import Capture
from antecurve.judge.fit import Fit

__all__ = ["different_units"]

_TOGETHER = 3.0
_TIMES = 2.0


def different_units(
    captures: Sequence[Capture], together: Fit, alone: Callable[[Capture], Fit], *, enough: float
) -> str:
    """Say when captures do not seem to be of one unit.

    Parameters
    ----------
    captures : sequence of SquareWaveCapture or SweepCapture
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
    if len(captures) < 2 or worst <= _TOGETHER:
        return ""
    most = 0.0
    for capture in captures:
        most = max(most, *alone(capture).excess)
        if most > min(enough, worst / _TIMES):
            return ""
    names = " and ".join(c.name for c in captures)
    return (
        f"the captures do not seem to be of one unit in one state: together {names} leave "
        f"{worst**0.5:.1f} times the noise, each by itself {most**0.5:.1f} times at most; judge "
        "each by itself, or capture again without touching the unit in between"
    )
