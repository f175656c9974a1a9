"""Foster's second form of the series arm: the partial fractions of its admittance.

Behind R_inf, which is left out when it is 0::

    in --[R1 || C1 || (R2 + C2)]--[R3]--+-- out
                                        |
                                       [R4]
                                        |
    0  ---------------------------------+-- 0

A curve with a zero at the origin has no R1; one of first order has no series RC branch.  Of the
whole arm, R_inf left in, there is one branch per zero of Z::

    in --[R1 || (R2 + C1) || (R3 + C2)]--+-- out

Inside: one branch only, that of the zero with the longest time constant or with the shortest, in
parallel with Cauer's first form of what remains, which has a series resistor of its own::

    in --[(R1 + C1) || (R2 + (C2 || R3))]--+-- out
"""

from __future__ import annotations

from functools import partial

from antecurve.synthesis.arms.arm import Arm, Terms, behind_infinity
from antecurve.synthesis.expansion import (
    cauer_1_tree,
    foster_2_branch,
    resistance_at_origin,
    shunt_capacitance,
    without_infinity,
    without_parallel_branch,
)
from antecurve.synthesis.impedance import RcImpedance, zeros_of
from antecurve.synthesis.tree import Tree, capacitor, parallel, resistor

__all__ = ["FOSTER_2", "FOSTER_2_INSIDE_LONG", "FOSTER_2_INSIDE_SHORT", "FOSTER_2_WHOLE"]


def _direct(impedance: RcImpedance) -> list[Tree]:
    """The resistor Z(0), where direct current passes."""
    if impedance.elastance_at_origin:
        return []
    return [resistor(resistance_at_origin(impedance))]


def _branches(impedance: RcImpedance) -> list[Tree]:
    """One series RC branch per zero of the impedance."""
    return [foster_2_branch(impedance, t) for t in zeros_of(impedance)]


def _behind(impedance: RcImpedance) -> Tree:
    """R, C and branches in parallel, then R_inf."""
    inner = without_infinity(impedance)
    capacitance = capacitor(shunt_capacitance(inner))
    group = parallel(*_direct(inner), capacitance, *_branches(inner))
    return behind_infinity(impedance, group)


def _whole(impedance: RcImpedance) -> Tree:
    """R and branches in parallel, R_inf in the branches."""
    return parallel(*_direct(impedance), *_branches(impedance))


def _inside(impedance: RcImpedance, *, outside: int) -> Tree:
    """One branch in parallel with a ladder."""
    zeros = zeros_of(impedance)
    branch = foster_2_branch(impedance, zeros[outside])
    if len(zeros) == 1 and impedance.elastance_at_origin:
        return branch
    return parallel(branch, cauer_1_tree(without_parallel_branch(impedance, zeros, outside)))


FOSTER_2 = Arm(
    "foster-2",
    "R, C and series RC branches in parallel, a resistor in series, and one across the output",
    _behind,
    Terms.ZEROS,
)
FOSTER_2_WHOLE = Arm(
    "foster-2-whole",
    "R and series RC branches in parallel, and a resistor across the output",
    _whole,
    Terms.ZEROS,
    needs_infinity=True,
)
FOSTER_2_INSIDE_LONG = Arm(
    "foster-2-inside-long",
    "a series RC branch of the longest time constant in parallel with a ladder of R and C",
    partial(_inside, outside=0),
    Terms.ZEROS,
    needs_infinity=True,
)
FOSTER_2_INSIDE_SHORT = Arm(
    "foster-2-inside-short",
    "a series RC branch of the shortest time constant in parallel with a ladder of R and C",
    partial(_inside, outside=-1),
    Terms.ZEROS,
    needs_infinity=True,
)
