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

from collections.abc import Sequence
from functools import partial
from typing import Any

from antecurve.algebra.zero_pole_gain import product_coefficients
from antecurve.synthesis.arms.arm import Arm, Terms, behind_infinity
from antecurve.synthesis.arms.cauer_1 import cauer_1_tree
from antecurve.synthesis.impedance import (
    Ratio,
    RcImpedance,
    derivative_term,
    resistance_at_origin,
    zeros_of,
)
from antecurve.synthesis.tree import Tree, capacitor, parallel, resistor, series

__all__ = [
    "FOSTER_2",
    "FOSTER_2_INSIDE_LONG",
    "FOSTER_2_INSIDE_SHORT",
    "FOSTER_2_WHOLE",
    "shunt_capacitance",
]


def _direct(impedance: RcImpedance) -> list[Tree]:
    """The resistor Z(0), where direct current passes."""
    if impedance.elastance_at_origin:
        return []
    return [resistor(resistance_at_origin(impedance))]


def _branch(impedance: RcImpedance, time_constant: Any) -> Tree:
    """The series RC branch of the admittance at a zero of Z: R = s dZ/ds there, C = T/R."""
    resistance = derivative_term(impedance, time_constant)
    return series(resistor(resistance), capacitor(time_constant / resistance))


def _branches(impedance: RcImpedance) -> list[Tree]:
    """One series RC branch per zero of the impedance."""
    return [_branch(impedance, t) for t in zeros_of(impedance)]


def shunt_capacitance(impedance: RcImpedance) -> Any:
    """Compute the capacitance that is left of an impedance without R_inf at infinite frequency.

    Parameters
    ----------
    impedance : RcImpedance
        An impedance with R_inf = 0.

    Returns
    -------
    float
        1 / (K + sum of R_i/T_i) [F].
    """
    total = impedance.elastance_at_origin
    for resistance, time in impedance.branches:
        total = resistance / time + total
    return 1 / total


def _without_branch(impedance: RcImpedance, zeros: Sequence[Any], outside: int) -> Ratio:
    """What remains without the branch of one zero: Z(0) and the other branches in parallel."""
    kept = [t for t in zeros if t != zeros[outside]]
    resistances = [derivative_term(impedance, t) for t in kept]
    numerator = product_coefficients(kept)
    denominator: list[Any] = [0]
    if not impedance.elastance_at_origin:
        direct = resistance_at_origin(impedance)
        denominator = [c / direct for c in numerator]
    for time, resistance in zip(kept, resistances, strict=True):
        others = product_coefficients([t for t in kept if t != time])
        term = [0, *(time / resistance * c for c in others)]
        denominator += [0] * (len(term) - len(denominator))
        denominator = [a + b for a, b in zip(term, denominator, strict=True)]
    return Ratio(tuple(numerator), tuple(denominator))


def _behind(impedance: RcImpedance) -> Tree:
    """R, C and branches in parallel, then R_inf."""
    inner = impedance.without_infinity()
    capacitance = capacitor(shunt_capacitance(inner))
    group = parallel(*_direct(inner), capacitance, *_branches(inner))
    return behind_infinity(impedance, group)


def _whole(impedance: RcImpedance) -> Tree:
    """R and branches in parallel, R_inf in the branches."""
    return parallel(*_direct(impedance), *_branches(impedance))


def _inside(impedance: RcImpedance, *, outside: int) -> Tree:
    """One branch in parallel with a ladder."""
    zeros = zeros_of(impedance)
    branch = _branch(impedance, zeros[outside])
    if len(zeros) == 1 and impedance.elastance_at_origin:
        return branch
    return parallel(branch, cauer_1_tree(_without_branch(impedance, zeros, outside)))


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
