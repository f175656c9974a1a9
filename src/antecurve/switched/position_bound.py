"""A lower bound of a box whose joint search ended early: that of its positions one by one.

The error of a box is the largest of its positions.  Each position, its parts free of those of
the others, is then a network like any other, and what no parts of it are below bounds the box.
"""

from __future__ import annotations

import math
import time
from dataclasses import dataclass, field

import numpy as np

from antecurve.pick.departure import least_departure
from antecurve.pick.early_bound import network_bound
from antecurve.switched.joint_space import JointPick, JointSpace

__all__ = ["Budget", "Clock", "bound_by_positions"]

GRACE_SECONDS = 8.0
"""Beyond the budget [s], for a bound that is not 0 and for proofs: as after the pick of a curve."""
_LEAST_SECONDS = 2.0  # for a bound, however late it is: a position takes a half
_FORMS_SHARE = 1.0 / 3.0  # of the search: sets of positions take the more, the more forms there are
_SEARCH_SHARE = 0.75  # of the budget: what is left is for alternatives, wanted or not
_INTERRUPTED_SECONDS = 2.0  # a position takes a half; whoever interrupts does not want to wait
_MOST_SLOWNESS = 10.0  # times: beside so much else on the machine the whole search takes minutes


@dataclass(frozen=True, slots=True)
class Clock:
    """How long a search has taken.

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
        return self.from_now(_INTERRUPTED_SECONDS)

    def from_now(self, idle_seconds: float) -> float:
        """Work out when some time will have passed on a machine with nothing else to do.

        Parameters
        ----------
        idle_seconds : float
            The time [s].

        Returns
        -------
        float
            Value of `time.perf_counter` [s].
        """
        busy = max(self.busy_seconds, 1e-3)
        slowness = min(max(self.seconds / busy, 1.0), _MOST_SLOWNESS)
        return time.perf_counter() + slowness * idle_seconds


class Budget:
    """Time that a box may take, with its alternatives.

    Parameters
    ----------
    seconds : float, optional
        The budget [s].
    on_clock : bool, optional
        Whether it is time on the clock; else processor time, so that a search comes to the same
        beside other work.
    grace_seconds : float, optional
        Beyond the budget [s], for bounds and proofs.

    Attributes
    ----------
    seconds : float
        The same.
    clock : Clock
        Since when.
    cut_alternatives_short : bool
        Whether it, or an interruption, ended before all alternatives were looked for.
    """

    def __init__(
        self,
        seconds: float = math.inf,
        *,
        on_clock: bool = False,
        grace_seconds: float = GRACE_SECONDS,
    ) -> None:
        self.seconds = seconds
        self.clock = Clock()
        self._on_clock, self._grace = on_clock, grace_seconds
        self._search_seconds = seconds * _SEARCH_SHARE
        self._ended = False
        self.cut_alternatives_short = False

    def end(self) -> None:
        """Allow no more time: after an interruption."""
        self._ended = True

    def begin_alternatives(self) -> None:
        """Allow the whole budget from now on, not only what the search has of it."""
        self._search_seconds = self.seconds

    def for_search(self, most: float = math.inf) -> Budget:
        """Make a budget of what is left, for a search of its own.

        Parameters
        ----------
        most : float, optional
            Time that it gets at most [s].

        Returns
        -------
        Budget
            All of it for that search, nothing beyond it.
        """
        seconds = min(self.remaining, most)
        made = Budget(seconds, on_clock=self._on_clock, grace_seconds=0.0)
        made.begin_alternatives()
        return made

    @property
    def used(self) -> float:
        """What is used of it [s]."""
        return self.clock.seconds if self._on_clock else self.clock.busy_seconds

    @property
    def remaining(self) -> float:
        """What is left [s]."""
        return 0.0 if self._ended else max(self._search_seconds - self.used, 0.0)

    @property
    def search_end(self) -> float:
        """When it is used up: value of `time.perf_counter` [s]."""
        if self._on_clock:
            return time.perf_counter() + self.remaining
        return self.clock.from_now(self.remaining)

    def bound_end(self, share: float = 1.0) -> float:
        """Work out when to give up a bound.

        Parameters
        ----------
        share : float, optional
            Of the time beyond the budget.

        Returns
        -------
        float
            Value of `time.perf_counter` [s].
        """
        grace = share * self._grace
        until_grace_ends = self._search_seconds + grace - self.used
        idle = max(min(until_grace_ends, grace), _LEAST_SECONDS)
        return max(self.search_end, self.clock.from_now(idle))

    @property
    def late(self) -> bool:
        """Whether it is used up."""
        return self._ended or self.used > self._search_seconds

    @property
    def late_for_forms(self) -> bool:
        """Whether a third of it is: no further forms of network are looked into."""
        return self._ended or self.used > self._search_seconds * _FORMS_SHARE

    @property
    def late_for_proofs(self) -> bool:
        """Whether the grace for what no smaller set does is used up, too."""
        return self._ended or self.used > self._search_seconds + self._grace


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
        What no combination is below [Np]; where no search proved one in time, what the powers of s
        of a position tell, which is very small (`antecurve.pick.departure`).
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
    spaces = (position.space for position in space.positions)
    return max(bound, *(least_departure(own.model, own.grids) for own in spaces)), evaluated
