"""Cauer's second form of the series arm: a ladder from zero frequency.

Behind R_inf, which is left out when it is 0::

    in --[R1 || (C1 + (R2 || C2))]--[R3]--+-- out
                                          |
                                         [R4]
                                          |
    0  -----------------------------------+-- 0

A curve with a zero at the origin begins with a series capacitor.  Of the whole arm, R_inf is
what the ladder ends in::

    in --[R1 || (C1 + (R2 || (C2 + R3)))]--+-- out

Inside, R_inf comes after the first two elements of the ladder, R1 = Z(0) in parallel and C1 in
series; then the ladder goes on::

    in --[R1 || (C1 + R2 + (R3 || C2))]--+-- out
"""

from __future__ import annotations

from dataclasses import replace

from antecurve.synthesis.arms.arm import Arm, Terms, behind_infinity
from antecurve.synthesis.impedance import (
    Ratio,
    RcImpedance,
    less,
    polynomials,
    remove_shunt_resistor,
    resistance_at_origin,
)
from antecurve.synthesis.tree import Tree, capacitor, parallel, resistor, series

__all__ = ["CAUER_2", "CAUER_2_INSIDE", "CAUER_2_WHOLE", "cauer_2_tree"]


def cauer_2_tree(ratio: Ratio) -> Tree:
    """Expand the continued fraction about zero frequency into a ladder.

    Parameters
    ----------
    ratio : Ratio
        Z(s), of an exact type.

    Returns
    -------
    Tree
        Series capacitors and shunt resistors in turn.
    """
    numerator, denominator = ratio.numerator, ratio.denominator
    if not denominator[0]:
        capacitance = denominator[1] / numerator[0]
        remainder = ratio.named(less(numerator, 1 / capacitance, denominator[1:])[1:])
        first: Tree = capacitor(capacitance)
        if not remainder:
            return first
        onward = replace(ratio, numerator=remainder, denominator=denominator[1:])
        return series(first, cauer_2_tree(onward))
    resistance = numerator[0] / denominator[0]
    remainder = ratio.named(less(denominator, 1 / resistance, numerator))
    first = resistor(resistance)
    if not remainder:
        return first
    return parallel(first, cauer_2_tree(replace(ratio, denominator=remainder)))


def _behind(impedance: RcImpedance) -> Tree:
    """The ladder, then R_inf."""
    return behind_infinity(impedance, cauer_2_tree(polynomials(impedance.without_infinity())))


def _whole(impedance: RcImpedance) -> Tree:
    """One ladder."""
    return cauer_2_tree(polynomials(impedance))


def _inside(impedance: RcImpedance) -> Tree:
    """R in parallel with C, R and the remainder of the ladder in series."""
    ratio = remove_shunt_resistor(impedance)
    numerator, denominator = ratio.numerator, ratio.denominator
    capacitance, resistance = denominator[1] / numerator[0], numerator[-1] / denominator[-1]
    without_capacitor = less(numerator, 1 / capacitance, denominator[1:])
    remainder = ratio.named(less(without_capacitor, resistance, denominator)[1:])
    parts: list[Tree] = [capacitor(capacitance), resistor(resistance)]
    if remainder:
        onward = replace(ratio, numerator=remainder, denominator=denominator[1:])
        parts.append(cauer_2_tree(onward))
    return parallel(resistor(resistance_at_origin(impedance)), series(*parts))


CAUER_2 = Arm(
    "cauer-2",
    "a ladder of series C and shunt R, a resistor in series, and one across the output",
    _behind,
    Terms.COEFFICIENTS,
)
CAUER_2_WHOLE = Arm(
    "cauer-2-whole",
    "a ladder of series C and shunt R that ends in a resistor, and a resistor across the output",
    _whole,
    Terms.COEFFICIENTS,
    needs_infinity=True,
)
CAUER_2_INSIDE = Arm(
    "cauer-2-inside",
    "R in parallel with C, R and a ladder in series, and a resistor across the output",
    _inside,
    Terms.COEFFICIENTS,
    needs_infinity=True,
    needs_direct_path=True,
)
