"""The output capacitor: R and C across the output, for a second ultrasonic pole.

::

    in --[series arm]--+------+-- out
                       |      |
                      [C]    [R0]
                       |      |
    0  ----------------+------+-- 0

For curves with one pole more than zeros: A = 1 and Q = 1 + s Tc in the notation of
`antecurve.synthesis.sections.one_stage`.  The capacitor makes up Tc together with the load's
capacitance, so that there is no pole beyond the curve.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from antecurve.algebra.unity_roots import unity_roots
from antecurve.algebra.zero_pole_gain import ZeroPoleGain
from antecurve.quantities import format_time_constant
from antecurve.synthesis.arms import CANONICAL
from antecurve.synthesis.sections.one_stage import OneStageSection, Stage, StageProblem
from antecurve.synthesis.sections.refusals import alternating, listed
from antecurve.synthesis.sections.section import Form, Requirements
from antecurve.synthesis.sections.tracks import direct_balances
from antecurve.synthesis.violation import Violation

__all__ = ["OUTPUT_CAPACITOR"]


class _OutputCapacitor(OneStageSection):
    """A series arm, and R and C across the output."""

    default_curve = ZeroPoleGain((3180e-6, 75e-6), (318e-6, 3.18e-6, 0.318e-6))
    excess_poles = (1,)

    def forms(self) -> Sequence[Form]:
        """List one form for each canonical arm."""
        return [
            Form(
                f"output-capacitor-{arm.name}",
                f"the series arm of {arm.name}, and R and C across the output",
                self,
                arm,
            )
            for arm in CANONICAL
        ]

    def solve(self, requirements: Requirements) -> Stage | Violation:
        """Try the roots of D = g N for Tc, shortest first: it keeps most branches positive."""
        problem = StageProblem.of(requirements)
        balances = sorted(direct_balances(problem), key=lambda balance: balance.times[-1])
        failure: Violation | None = None
        for balance in balances:
            stage = Stage.of(problem, balance)
            if isinstance(stage, Stage):
                return stage
            failure = failure or stage
        zeros = problem.curve.zeros_s
        # A root has to lie below the shortest zero where zeros and poles alternate.
        below = any(not zeros or balance.times[-1] < zeros[-1] for balance in balances)
        if failure is None or (alternating(problem.curve) and not below):
            return _no_root(problem)
        return failure


def _no_root(problem: StageProblem) -> Violation:
    """Say that D = g N has no root that the capacitor can make."""
    curve, transfer = problem.curve, problem.transfer()
    have = (
        f"The real roots T of D(-1/T) = g0 N(-1/T) at g0 = {transfer.gain_constant:.4g} are "
        f"{listed(unity_roots(transfer))}"
    )
    low, high = curve.poles_s[-1], curve.poles_s[-2] if len(curve.poles_s) > 1 else math.inf
    if not alternating(curve):
        return Violation(
            "the capacitor across the output needs a root Tc that makes every branch of the "
            f"series arm positive, but none does. {have}"
        )
    return Violation(
        f"the capacitor across the output needs a root Tc, {format_time_constant(low)} < Tc < "
        f"{format_time_constant(high)}, but there is none. {have}. The level is too high, or the "
        "two highest poles are too close together"
    )


OUTPUT_CAPACITOR = _OutputCapacitor()
"""The section with a resistor and a capacitor across the output."""
