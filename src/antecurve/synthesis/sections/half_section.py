"""The half-section: a resistor across the output.

Notation as in `antecurve.synthesis.sections.one_stage`; A = 1, and Q = 1 but for the factor
1 + s tau of the load's capacitance, tau = Rp CL.  The poles beyond the curve are closed forms.
With y the factor that they add to g, so that the gain at 1 kHz stays (w = 2 pi 1 kHz, g without
them, l = g prod(z)/prod(p), q = g N(-1/tau)/D(-1/tau)):

.. math::
    T_5 &= \\tau (1 - q y),\\; y^2 = 1 + w^2 T_5^2 \\\\
    T &= y\\,l (1 + R_s/R_p),\\; y^2 = 1 + w^2 T^2
        \\quad\\text{(no ultrasonic pole, CL = 0)} \\\\
    T T_5 &= y\\,l R_s C_L,\\; T + T_5 = T T_5/\\tau + \\tau (1 - q y),\\;
        y^2 = (1 - w^2 T T_5)^2 + w^2 (T + T_5)^2
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from antecurve.algebra.zero_pole_gain import ZeroPoleGain
from antecurve.curves.model import REFERENCE_ANGULAR_FREQUENCY as W
from antecurve.quantities import format_time_constant
from antecurve.synthesis.arms import ARMS
from antecurve.synthesis.sections.elements import implied_pole_at_level
from antecurve.synthesis.sections.one_stage import Balance, OneStageSection, Stage, StageProblem
from antecurve.synthesis.sections.section import Form, Requirements
from antecurve.synthesis.violation import Violation, at_level

__all__ = ["HALF_SECTION"]


class _HalfSection(OneStageSection):
    """A series arm and a resistor across the output."""

    default_curve = ZeroPoleGain((3180e-6, 75e-6), (318e-6, 3.18e-6))
    excess_poles = (-1, 0)

    def forms(self) -> Sequence[Form]:
        """List one form for every arm, by its name."""
        return [Form(arm.name, arm.description, self, arm) for arm in ARMS]

    def solve(self, requirements: Requirements) -> Stage | Violation:
        """Solve for the arms by closed forms."""
        problem = StageProblem.of(requirements)
        balance = _loaded(problem) if problem.loaded else _unloaded(problem)
        return balance if isinstance(balance, Violation) else Stage.of(problem, balance)


def _unloaded(problem: StageProblem) -> Balance | Violation:
    """Without the load's capacitance: no pole beyond the curve, or the implied one."""
    constant = problem.transfer().gain_constant
    bare = Balance(constant, ())
    if not problem.implied:
        return bare
    slope = problem.elements(bare).implied_pole()
    pole = implied_pole_at_level(slope)
    if not math.isfinite(pole):
        return Violation(
            "the curve must still rise to the gain at high frequency, w g T1 T3.../(T2...) "
            f"(1 + Rs/Rp) < 1. With w = 2 pi 1 kHz and g = {constant:.4g}: {W * slope:.4g} < 1 "
            f"does not hold {at_level(problem.gain)}"
        )
    return Balance(problem.transfer((pole,)).gain_constant, (), implied_pole=pole)


def _loaded(problem: StageProblem) -> Balance | Violation:
    """With the load's capacitance: T5, and the implied pole where there is one."""
    tau = problem.load_time
    q = problem.transfer().at(-1.0 / tau)
    if problem.implied:
        return _both_beyond(problem, q)
    # T5 grows with y, and y with T5: without end where -q is too large.
    reach = -W * tau * q
    if not (q < 1.0 and reach < 1.0):
        return _no_load_pole(problem, q, reach)
    if q == -1.0:
        pole = 2.0 * tau / (1.0 - (W * tau) ** 2)
    else:
        inside = 1.0 + (W * tau) ** 2 * (1.0 - q * q)
        pole = tau * (1.0 - q * q) / (1.0 + q * math.sqrt(inside))
    return Balance(problem.transfer((pole,)).gain_constant, (tau,), load_pole=pole)


def _no_load_pole(problem: StageProblem, q: float, reach: float) -> Violation:
    """Say that T5 would be negative, or infinite."""
    name = "the pole T5 = tau (1 - g N(-1/tau)/D(-1/tau)) that the load's capacitance adds must be"
    known = f"tau = Rp CL = {format_time_constant(problem.load_time)}"
    end = f"does not hold {at_level(problem.gain)}"
    if not q < 1.0:
        return Violation(f"{name} above 0, g N/D < 1. With {known}: {q:.4g} < 1 {end}")
    return Violation(
        f"{name} finite at the level at 1 kHz, -w tau g N/D < 1. With w = 2 pi 1 kHz and {known}: "
        f"{reach:.4g} < 1 {end}"
    )


def _both_beyond(problem: StageProblem, q: float) -> Balance | Violation:
    """The implied pole and T5, by their product and their sum."""
    tau = problem.load_time
    lead = problem.lead(problem.transfer())
    across = lead * problem.loading.source_resistance * problem.loading.load_capacitance
    tilt = across / tau - tau * q
    a = 1.0 - W**4 * across**2 - W**2 * tilt**2
    b = W**2 * (across - tau * tilt)
    c = 1.0 + W**2 * tau**2
    discriminant = b * b + a * c
    y = c / (b + math.sqrt(discriminant)) if discriminant >= 0.0 else math.nan
    if not (math.isfinite(y) and y > 0.0):
        return Violation(
            "the curve must still rise to the gain at high frequency, (w^2 b)^2 + (w b/tau - w tau "
            f"q)^2 < 1. With w = 2 pi 1 kHz, b = g T1 T3.../(T2...) Rs CL, q = g N(-1/tau)/"
            f"D(-1/tau) = {q:.4g} and tau = Rp CL = {format_time_constant(tau)}: {1.0 - a:.4g} < 1 "
            f"does not hold {at_level(problem.gain)}"
        )
    both, total = across * y, tau + tilt * y
    square = total * total - 4.0 * both
    if not (total > 0.0 and square >= 0.0):
        return Violation(
            "the two poles beyond the curve must be real and above 0, T + T5 >= 2 sqrt(T T5): "
            f"{format_time_constant(total)} >= {format_time_constant(2.0 * math.sqrt(both))} does "
            f"not hold {at_level(problem.gain)}"
        )
    longer = 0.5 * (total + math.sqrt(square))
    beyond = (longer, both / longer)
    return Balance(problem.transfer(beyond).gain_constant, (tau,), beyond[1], longer)


HALF_SECTION = _HalfSection()
"""The section with a resistor across the output."""
