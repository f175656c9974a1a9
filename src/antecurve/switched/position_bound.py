"""A lower bound of a box whose joint search ended early: that of its positions one by one.

The error of a box is the largest of its positions.  Each position, its parts free of those of
the others, is then a network like any other, and what no parts of it are below bounds the box.
"""

from __future__ import annotations

import math
import time
from dataclasses import dataclass, field

import numpy as np

from antecurve.pick.early_bound import network_bound
from antecurve.switched.joint_space import JointPick, JointSpace

__all__ = ["Budget", "Clock", "bound_by_positions"]

_GRACE_SECONDS = 20.0  # beyond the budget, for a bound that is not 0 and for proofs: by judgement
_INTERRUPTED_SECONDS = 2.0  # a position takes a half; whoever interrupts does not want to wait
_MOST_SLOWNESS = 10.0  # times: beside so much else on the machine the whole search takes minutes


@dataclass(frozen=True, slots=True)
class Clock:
    """How long a search has taken, and how long a bound may take after it.

    Attributes
    ----------
    start, start_cpu : float
        `time.perf_counter` and `time.process_time` at its start [s].
    """

    start: float = field(default_factory=time.perf_counter)
    start_cpu: float = field(default_factory=time.process_time)

    @property
    def seconds(self) -> float:
        """Time since the start [s]."""
        return time.perf_counter() - self.start

    @property
    def busy_seconds(self) -> float:
        """Processor time since the start [s]: what else the machine does is not in it."""
        return time.process_time() - self.start_cpu

    def soon(self) -> float:
        """Work out when to give up a bound after an interruption.

        Returns
        -------
        float
            Value of `time.perf_counter` [s].
        """
        return self._from_now(_INTERRUPTED_SECONDS)

    def grace_end(self) -> float:
        """Work out when to give up a bound.

        Returns
        -------
        float
            Value of `time.perf_counter` [s]: some seconds of an idle machine from now.
        """
        return self._from_now(_GRACE_SECONDS)

    def _from_now(self, idle_seconds: float) -> float:
        busy = max(self.busy_seconds, 1e-3)
        slowness = min(max(self.seconds / busy, 1.0), _MOST_SLOWNESS)
        return time.perf_counter() + slowness * idle_seconds


class Budget:
    """Processor time that a box may take until there is a pick: beside other work it is alike.

    Parameters
    ----------
    seconds : float, optional
        The job's budget [s].

    Attributes
    ----------
    seconds : float
        The same.
    clock : Clock
        Since when.
    """

    def __init__(self, seconds: float = math.inf) -> None:
        self.seconds = seconds
        self.clock = Clock()

    def renew(self) -> None:
        """Allow as much time again from now on."""
        self.clock = Clock()

    @property
    def remaining(self) -> float:
        """What is left [s]."""
        return max(self.seconds - self.clock.busy_seconds, 0.0)

    @property
    def late(self) -> bool:
        """Whether it is used up."""
        return self.clock.busy_seconds > self.seconds

    @property
    def late_for_forms(self) -> bool:
        """Whether half of it is: no further forms of network are looked into."""
        return self.clock.busy_seconds > self.seconds / 2.0

    @property
    def late_for_proofs(self) -> bool:
        """Whether the grace for what no smaller set does is used up, too."""
        return self.clock.busy_seconds > self.seconds + _GRACE_SECONDS


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
    order = np.argsort(pick.errors_db)[::-1].tolist()
    try:
        for number in order:
            if time.perf_counter() >= until:
                break
            position = space.positions[number].space
            now = time.perf_counter()
            # The first is the likeliest, yet none may take the time of all.
            end = until if number == order[-1] else now + (until - now) / 2.0
            bound, count = network_bound(position, limit, known=bound, until=end)
            evaluated += count
    except KeyboardInterrupt:
        pass
    return bound, evaluated
