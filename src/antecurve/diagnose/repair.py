"""A unit before and after its repair."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from antecurve.checked import checked
from antecurve.judge.conformity import Decision
from antecurve.judge.verdict import Verdict
from antecurve.results import Result

__all__ = ["Repair"]


@checked
@dataclass(frozen=True, slots=True, eq=False)
class Repair(Result):
    """The verdicts on a unit before and after its repair.

    Attributes
    ----------
    before, after : Verdict
        The verdicts, under the same limits.
    """

    _keys: ClassVar = ("before", "after", "cured")

    before: Verdict
    after: Verdict

    @property
    def cured(self) -> bool:
        """Whether the unit passes after the repair."""
        return self.after.decision is Decision.PASS
