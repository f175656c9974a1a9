"""A job's budget of time, for the whole command: what the search has of it, and what was used."""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import TYPE_CHECKING

from antecurve.cli.surroundings import seconds_since_start
from antecurve.cli.terminal import say_aside

if TYPE_CHECKING:
    from antecurve.job import Job
    from antecurve.pipeline import Design

__all__ = ["SPARE", "Budget", "kept_for_search"]

_REPORT_SECONDS, _TEXT_SECONDS, _OWN_SECONDS = 1.5, 0.2, 2.0  # processor time, as measured
_SECONDS_PER_BUILD = 2e-6  # of a report, for which a dozen networks are built
_SECONDS_PER_BUILD_OF_ONE = 2e-7  # measured, of the text about one network
_LEAST_SHARE = 0.75  # of the budget: by judgement, a poor pick is worse than a late one
_BOUND_SECONDS, _OWN_BOUND_SECONDS = 8.0, 3.0  # most that a first bound takes beyond its time
_EXACT_SECONDS = 2.0  # most that exact values do
SPARE = 2.0
"""Times what was measured: the most that it takes on a machine of half the speed."""


def kept_for_search(budget_seconds: float | None, *, afterwards: float) -> float | None:
    """Keep of a budget what follows a search, slowed down as the start of the process was.

    Parameters
    ----------
    budget_seconds : float or None
        The budget, from the start of the process on [s].
    afterwards : float
        Processor time of what follows [s].

    Returns
    -------
    float or None
        What the search may take from now on [s]; ``None`` without a budget.
    """
    if budget_seconds is None:
        return None
    passed = seconds_since_start()
    slowness = max(1.0, passed / time.process_time())
    return max(budget_seconds - passed - slowness * afterwards, _LEAST_SHARE * budget_seconds)


@dataclass(frozen=True, slots=True)
class Budget:
    """The budget of a job, from the start of the process on.

    Parameters
    ----------
    job : Job
        The job.
    whole : bool
        Whether a report, or all of the text, is wanted, which tell of alternatives as well.
    """

    job: Job
    whole: bool

    @property
    def search_seconds(self) -> float | None:
        """What the search may take [s]; ``None`` without a budget."""
        return kept_for_search(self.job.pick.budget_seconds, afterwards=self._afterwards)

    @property
    def _afterwards(self) -> float:
        """Processor time of what follows a search [s]."""
        seconds = _REPORT_SECONDS if self.whole else _TEXT_SECONDS
        if self.job.network.elements is not None:
            seconds += _OWN_SECONDS
        each = _SECONDS_PER_BUILD if self.whole else _SECONDS_PER_BUILD_OF_ONE
        return seconds + each * self.job.spread.builds

    def tell(self, design: Design, *, before: float) -> None:
        """Say on stderr what of the budget was used, if the job has one.

        Parameters
        ----------
        design : Design
            The design.
        before : float
            Time from the start of the process to that of the search [s].
        """
        budget = self.job.pick.budget_seconds
        if budget is None:
            return
        used, search = seconds_since_start(), design.search.seconds
        most = _EXACT_SECONDS + SPARE * self._afterwards
        own = self.job.network.elements is not None
        most += _OWN_BOUND_SECONDS if own else _BOUND_SECONDS
        say_aside(
            f"{used:.1f} s of a budget of {budget:g} s: {search:.1f} s for the search, "
            f"{max(used - before - search, 0.0):.1f} s for what follows. Not cut short are a first "
            f"lower bound, exact values, builds and report: about {most:.0f} s, more where "
            "other work runs"
        )
