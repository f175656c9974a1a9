"""Cauer's first form of the series arm: a ladder from infinite frequency.

Behind R_inf::

    in --[C1 || (R1 + (C2 || R2))]--[R3]--+-- out
                                          |
                                         [R4]
                                          |
    0  -----------------------------------+-- 0

R3 = R_inf is the ladder's first element, drawn last; it is left out when it is 0.  With a zero
at the origin the ladder ends in a capacitor.

Inside, R_inf comes after the resistor R1 = Z(0), which is taken out in parallel.  What remains
blocks direct current and is a ladder that begins with the resistor it has at infinite frequency::

    in --[R1 || (R2 + (C1 || (R3 + C2)))]--+-- out
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

__all__ = ["CAUER_1", "CAUER_1_INSIDE", "cauer_1_tree"]


def cauer_1_tree(ratio: Ratio) -> Tree:
    """Expand the continued fraction about infinite frequency into a ladder.

    Parameters
    ----------
    ratio : Ratio
        Z(s), of an exact type.

    Returns
    -------
    Tree
        Series resistors and shunt capacitors in turn.
    """
    numerator, denominator = ratio.numerator, ratio.denominator
    if len(numerator) == len(denominator):
        resistance = numerator[-1] / denominator[-1]
        remainder = ratio.named(less(numerator, resistance, denominator))
        first: Tree = resistor(resistance)
        if not remainder:
            return first
        return series(first, cauer_1_tree(replace(ratio, numerator=remainder)))
    capacitance = denominator[-1] / numerator[-1]
    remainder = ratio.named(less(denominator, capacitance, (0, *numerator)))
    first = capacitor(capacitance)
    if not remainder:
        return first
    return parallel(first, cauer_1_tree(replace(ratio, denominator=remainder)))


def _behind(impedance: RcImpedance) -> Tree:
    """The ladder, then R_inf."""
    return behind_infinity(impedance, cauer_1_tree(polynomials(impedance.without_infinity())))


def _inside(impedance: RcImpedance) -> Tree:
    """The resistor Z(0) and the ladder in parallel."""
    return parallel(
        resistor(resistance_at_origin(impedance)), cauer_1_tree(remove_shunt_resistor(impedance))
    )


CAUER_1 = Arm(
    "cauer-1",
    "a ladder of shunt C and series R, a resistor in series, and one across the output",
    _behind,
    Terms.COEFFICIENTS,
)
CAUER_1_INSIDE = Arm(
    "cauer-1-inside",
    "R in parallel with a ladder of series R and shunt C, and a resistor across the output",
    _inside,
    Terms.COEFFICIENTS,
    needs_infinity=True,
    needs_direct_path=True,
)
