"""Foster's second form of the whole series arm: R and series RC branches in parallel.

::

    in --[R1 || (R2 + C1) || (R3 + C2)]--+-- out
                                         |
                                        [R4]
                                         |
    0  ----------------------------------+-- 0

The partial fractions of the admittance of Z, R_inf not taken out: one branch per zero of Z.  A
curve with a zero at the origin has no R1.
"""

from __future__ import annotations

from antecurve.synthesis.expansion import foster_2_branch, resistance_at_origin
from antecurve.synthesis.form import Form
from antecurve.synthesis.impedance import RcImpedance, zeros_of
from antecurve.synthesis.tree import Tree, parallel, resistor

__all__ = ["FORM", "series_arm"]


def series_arm(impedance: RcImpedance) -> Tree:
    """Return the series arm of Foster's second form with R_inf left in.

    Parameters
    ----------
    impedance : RcImpedance
        The arm's impedance, of an exact type, R_inf above 0.

    Returns
    -------
    Tree
        R and series RC branches in parallel.
    """
    parts: list[Tree] = []
    if not impedance.elastance_at_origin:
        parts.append(resistor(resistance_at_origin(impedance)))
    parts += [foster_2_branch(impedance, t) for t in zeros_of(impedance)]
    return parallel(*parts)


FORM = Form(
    "foster-2-whole",
    "half-section",
    "R and series RC branches in parallel, and a resistor across the output",
    series_arm,
    terms="zeros",
    needs_infinity=True,
)
