"""Cauer's first form of the series arm: a ladder from infinite frequency.

::

    in --[C1 || (R1 + (C2 || R2))]--[R3]--+-- out
                                          |
                                         [R4]
                                          |
    0  -----------------------------------+-- 0

R3 = R_inf is the ladder's first element, drawn last; it is left out when it is 0.  With a zero
at the origin the ladder ends in a capacitor.
"""

from __future__ import annotations

from antecurve.synthesis.expansion import cauer_1_tree, without_infinity
from antecurve.synthesis.form import Form
from antecurve.synthesis.impedance import RcImpedance, polynomials
from antecurve.synthesis.tree import Tree, resistor, series

__all__ = ["FORM", "series_arm"]


def series_arm(impedance: RcImpedance) -> Tree:
    """Return the series arm of Cauer's first form.

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
    ladder = cauer_1_tree(polynomials(without_infinity(impedance)))
    return series(ladder, *([resistor(infinity)] if infinity else []))


FORM = Form(
    "cauer-1",
    "half-section",
    "a ladder of shunt C and series R, a resistor in series, and one across the output",
    series_arm,
    terms="coefficients",
)
