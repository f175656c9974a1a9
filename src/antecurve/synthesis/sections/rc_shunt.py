"""The RC shunt: a shunt arm with RC branches of its own.

::

    in --[series arm]--+----------+-- out
                       |          |
                  [Rx + Cx]      [R0]
                       |          |
    0  ----------------+----------+-- 0

For curves that begin with a pole from low frequency, such as one that rises towards DC up to a
stated bound.  In the notation of `antecurve.synthesis.sections.one_stage` A holds the zeros that
the shunt arm takes, one RC branch for each; where the curve has one pole more than zeros there is
a capacitor across the output as well.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import lru_cache
from itertools import combinations

from antecurve.algebra.unity_roots import unity_roots
from antecurve.algebra.zero_pole_gain import ZeroPoleGain
from antecurve.synthesis.arms import CANONICAL
from antecurve.synthesis.sections.one_stage import OneStageSection, Stage, StageProblem
from antecurve.synthesis.sections.refusals import listed
from antecurve.synthesis.sections.section import Form, Requirements
from antecurve.synthesis.sections.tracks import (
    NegativeBranch,
    Sweep,
    bracketed_balances,
    direct_balances,
    nearest_miss,
)
from antecurve.synthesis.violation import Violation

__all__ = ["RC_SHUNT"]

# The arms expand one and the same solution.  A search for what would be feasible takes some 120.
_REMEMBERED = 256


class _RcShunt(OneStageSection):
    """A series arm, and R with series RC branches across the output."""

    default_curve = ZeroPoleGain((7950e-6, 3180e-6, 75e-6), (79577e-6, 318e-6, 3.18e-6))
    excess_poles = (-1, 0, 1)
    arms_with_zeros = 2

    def forms(self) -> Sequence[Form]:
        """List one form for each canonical arm."""
        return [
            Form(
                f"rc-shunt-{arm.name}",
                f"the series arm of {arm.name}, and R with a series RC branch across the output",
                self,
                arm,
            )
            for arm in CANONICAL
        ]

    def solve(self, requirements: Requirements) -> Stage | Violation:
        """Solve for the arms.

        Of several solutions the one with fewest zeros in the shunt arm is taken, and among those
        the one with the longest time constants in Q; for a curve without ultrasonic pole, the
        one whose pole is farthest from the audio band.
        """
        start = StageProblem.of(requirements)
        if start.loaded or start.implied:
            return _bracketed(start, explain=requirements.explain, closely=requirements.closely)
        failure: Violation | None = None
        for problem in _shares(start):
            for balance in direct_balances(problem):
                stage = Stage.of(problem, balance)
                if isinstance(stage, Stage):
                    return stage
                failure = failure or stage
        return failure or _no_root(start)


def _shares(start: StageProblem) -> Iterator[StageProblem]:
    """Every way to share the zeros between the arms, of which none makes the same one twice."""
    zeros = start.curve.zeros_s
    for count in range(1, len(zeros) + 1):
        for taken in dict.fromkeys(combinations(zeros, count)):
            problem = replace(start, taken=taken)
            if all(len(set(arm)) == len(arm) for arm in (taken, problem.kept)):
                yield problem


@lru_cache(maxsize=_REMEMBERED)
def _bracketed(start: StageProblem, *, explain: bool, closely: bool) -> Stage | Violation:
    """Solve for the pole beyond the curve, where one is unknown."""
    failure: Violation | None = None
    sweep = Sweep.of(start)
    for close in (False, True) if closely else (False,):
        sweep = Sweep.of(start, closely=True) if close else sweep
        best: Stage | None = None
        for problem in _shares(start):
            below = best.balance.implied_pole if best else math.inf
            for balance in bracketed_balances(problem, sweep, closely=close, below=below):
                stage = Stage.of(problem, balance)
                if isinstance(stage, Violation):
                    failure = failure or stage
                elif not start.implied:
                    return stage
                elif best is None or stage.balance.implied_pole < best.balance.implied_pole:
                    best = stage
        if best is not None:
            return best
    if failure is None and explain:
        failure = _miss(start, sweep)
    return failure or _no_root(start)


def _miss(start: StageProblem, sweep: Sweep) -> Violation | None:
    """The inequality that is nearest to holding, or the branch that comes out negative."""
    miss = nearest_miss(_shares(start), sweep)
    if isinstance(miss, NegativeBranch):
        stage = Stage.of(miss.problem, miss.balance)
        return stage if isinstance(stage, Violation) else None
    return miss


def _no_root(problem: StageProblem) -> Violation:
    """Say that D = g N has no root that a branch of the shunt arm can make."""
    curve, transfer = problem.curve, problem.transfer()
    roots = listed(unity_roots(transfer))
    return Violation(
        "a shunt arm with its own RC needs a root above one of the curve's zeros, Tq > Tz. "
        f"The real roots T of D(-1/T) = g0 N(-1/T) at g0 = {transfer.gain_constant:.4g} are "
        f"{roots}; the zeros are {listed(curve.zeros_s)}",
        structural=not curve.zeros_s,
    )


RC_SHUNT = _RcShunt()
"""The section with RC branches in its shunt arm."""
