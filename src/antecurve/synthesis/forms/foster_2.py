"""Foster's second form of the series arm behind R_inf: R, C and series RC in parallel.

::

    in --[R1 || C1 || (R2 + C2)]--[R3]--+-- out
                                        |
                                       [R4]
                                        |
    0  ---------------------------------+-- 0

The partial fractions of the admittance of Z - R_inf.  A curve with a zero at the origin has no
R1; one of first order has no series RC branch.  R3 = R_inf is left out when it is 0.
"""

from __future__ import annotations

from antecurve.synthesis.expansion import (
    foster_2_branch,
    resistance_at_origin,
    shunt_capacitance,
    without_infinity,
)
from antecurve.synthesis.form import Form
from antecurve.synthesis.impedance import RcImpedance, zeros_of
from antecurve.synthesis.tree import Tree, capacitor, parallel, resistor, series

__all__ = ["FORM", "series_arm"]


def series_arm(impedance: RcImpedance) -> Tree:
    """Return the series arm of Foster's second form behind R_inf.

    Parameters
    ----------
    impedance : RcImpedance
        The arm's impedance, of an exact type.

    Returns
    -------
    Tree
        The parallel group, then R_inf.
    """
    infinity = impedance.resistance_at_infinity
    rest = without_infinity(impedance)
    parts: list[Tree] = []
    if not rest.elastance_at_origin:
        parts.append(resistor(resistance_at_origin(rest)))
    parts.append(capacitor(shunt_capacitance(rest)))
    parts += [foster_2_branch(rest, t) for t in zeros_of(rest)]
    return series(parallel(*parts), *([resistor(infinity)] if infinity else []))


FORM = Form(
    "foster-2",
    "half-section",
    "R, C and series RC branches in parallel, a resistor in series, and one across the output",
    series_arm,
    terms="zeros",
)
