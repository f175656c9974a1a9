"""Cauer's second form of the series arm behind R_inf: a ladder from zero frequency.

::

    in --[R1 || (C1 + (R2 || C2))]--[R3]--+-- out
                                          |
                                         [R4]
                                          |
    0  -----------------------------------+-- 0

A curve with a zero at the origin begins with a series capacitor.  R3 = R_inf is left out when
it is 0.
"""

from __future__ import annotations

from antecurve.synthesis.expansion import cauer_2_tree, without_infinity
from antecurve.synthesis.form import Form
from antecurve.synthesis.impedance import RcImpedance, polynomials
from antecurve.synthesis.tree import Tree, resistor, series

__all__ = ["FORM", "series_arm"]


def series_arm(impedance: RcImpedance) -> Tree:
    """Return the series arm of Cauer's second form behind R_inf.

    Parameters
    ----------
    impedance : RcImpedance
        The arm's impedance, of an exact type.

    Returns
    -------
    Tree
        The ladder, then R_inf.
    """
    infinity = impedance.resistance_at_infinity
    ladder = cauer_2_tree(polynomials(without_infinity(impedance)))
    return series(ladder, *([resistor(infinity)] if infinity else []))


FORM = Form(
    "cauer-2",
    "half-section",
    "a ladder of series C and shunt R, a resistor in series, and one across the output",
    series_arm,
    terms="coefficients",
)
