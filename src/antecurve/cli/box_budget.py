"""The budget of a box, for the whole command: what the search has of it, and what was used."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from antecurve.cli.budget import SPARE, kept_for_search
from antecurve.cli.surroundings import seconds_since_start
from antecurve.cli.terminal import say_aside

if TYPE_CHECKING:
    from antecurve.switched.box import Box
    from antecurve.switched.request import BoxJob

__all__ = ["BoxBudget"]

_TEXT_SECONDS, _PAGE_SECONDS = 0.2, 0.6  # processor time of a position, as measured
_SECONDS_PER_BUILD = 2e-6  # of a position: in the box and by itself
_STEP_SECONDS = 4.0  # most that a step takes which is not cut short: a set rounded to parts


@dataclass(frozen=True, slots=True)
class BoxBudget:
    """The budget of a box, from the start of the process on.

    Parameters
    ----------
    job : BoxJob
        The job.
    whole : bool
        Whether alternatives or a report are wanted.
    """

    job: BoxJob
    whole: bool

    @property
    def search_seconds(self) -> float | None:
        """What search and alternatives may take [s]; ``None`` without a budget."""
        return kept_for_search(self.job.common.pick.budget_seconds, afterwards=self._afterwards)

    @property
    def _afterwards(self) -> float:
        """Processor time of analyses and report [s]."""
        each = _PAGE_SECONDS if self.whole else _TEXT_SECONDS
        each += _SECONDS_PER_BUILD * self.job.common.spread.builds
        return each * len(self.job.positions)

    def tell(self, box: Box) -> None:
        """Say on stderr what of the budget was used, if the job has one.

        Parameters
        ----------
        box : Box
            The box.
        """
        from antecurve.switched.position_bound import GRACE_SECONDS

        budget = self.job.common.pick.budget_seconds
        if budget is None:
            return
        used, search = seconds_since_start(), box.search.seconds
        most = GRACE_SECONDS + _STEP_SECONDS + SPARE * self._afterwards
        say_aside(
            f"{used:.1f} s of a budget of {budget:g} s: {search:.1f} s until the parts were "
            "chosen and proved. Not cut short: a step under way, a first bound, builds, report: "
            f"about {most:.0f} s, more beside other work"
        )
