"""Cauer's second form of the whole series arm: a ladder from zero frequency down to R_inf.

::

    in --[R1 || (C1 + (R2 || (C2 + R3)))]--+-- out
                                           |
                                          [R4]
                                           |
    0  ------------------------------------+-- 0

R_inf is not taken out: it is what the ladder ends in.  A curve with a zero at the origin begins
with a series capacitor.
"""

from __future__ import annotations

from antecurve.synthesis.expansion import cauer_2_tree
from antecurve.synthesis.form import Form
from antecurve.synthesis.impedance import RcImpedance, polynomials
from antecurve.synthesis.tree import Tree

__all__ = ["FORM", "series_arm"]


def series_arm(impedance: RcImpedance) -> Tree:
    """Return the series arm as one ladder about zero frequency.

    Parameters
    ----------
    impedance : RcImpedance
        The arm's impedance, of an exact type, R_inf above 0.

    Returns
    -------
    Tree
        The ladder.
    """
    return cauer_2_tree(polynomials(impedance))


FORM = Form(
    "cauer-2-whole",
    "half-section",
    "a ladder of series C and shunt R that ends in a resistor, and a resistor across the output",
    series_arm,
    terms="coefficients",
    needs_infinity=True,
)
