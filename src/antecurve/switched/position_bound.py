"""A lower bound of a box whose joint search ended early: that of its positions one by one.

The error of a box is the largest of its positions.  Each position, its parts free of those of
the others, is then a network like any other, and what no parts of it are below bounds the box.
"""

from __future__ import annotations

import time

import numpy as np

from antecurve.pick.early_bound import network_bound
from antecurve.switched.joint_space import JointPick, JointSpace

__all__ = ["bound_by_positions"]


def bound_by_positions(
    space: JointSpace, pick: JointPick, limit: float, *, until: float
) -> tuple[float, int]:
    """Bound the largest error of a box from below.

    Parameters
    ----------
    space : JointSpace
        The combinations.
    pick : JointPick
        The best that is known: positions that are further off come first.
    limit : float
        Its error [Np]; bounds are shares of it.
    until : float
        Value of `time.perf_counter` at which to stop.

    Returns
    -------
    bound : float
        What no combination is below [Np]; 0 where none was proved in time.
    evaluated : int
        Combinations of a position that were evaluated one by one.

    Notes
    -----
    An interruption from the keyboard ends it with the bound so far.
    """
    bound, evaluated = 0.0, 0
    try:
        for number in np.argsort(pick.errors_db)[::-1].tolist():
            if time.perf_counter() >= until:
                break
            position = space.positions[number].space
            bound, count = network_bound(position, limit, known=bound, until=until)
            evaluated += count
    except KeyboardInterrupt:
        pass
    return bound, evaluated
