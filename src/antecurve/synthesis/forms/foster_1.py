"""Foster's first form: R_inf and parallel RC pairs in series, with a shunt resistor.

::

    in --[R1 || C1]--[R2 || C2]--[R3]--+-- out
                                       |
                                      [R4]
                                       |
    0  --------------------------------+-- 0

One pair per zero of the curve; a zero at the origin is a series capacitor.  R3 = R_inf is left
out when it is 0.
"""

from __future__ import annotations

from antecurve.synthesis.expansion import foster_1_parts
from antecurve.synthesis.form import Form
from antecurve.synthesis.impedance import RcImpedance
from antecurve.synthesis.tree import Tree, resistor, series

__all__ = ["FORM", "series_arm"]


def series_arm(impedance: RcImpedance) -> Tree:
    """Return the series arm of Foster's first form.

    Parameters
    ----------
    impedance : RcImpedance
        The arm's impedance, of an exact type.

    Returns
    -------
    Tree
        Parallel pairs in series, longest time constant first, then R_inf.
    """
    infinity = impedance.resistance_at_infinity
    return series(*foster_1_parts(impedance), *([resistor(infinity)] if infinity else []))


FORM = Form(
    "foster-1",
    "half-section",
    "parallel RC pairs in series with a resistor, and a resistor across the output",
    series_arm,
)
