"""Cauer's second form with R_inf taken out after its first two elements.

::

    in --[R1 || (C1 + R2 + (R3 || C2))]--+-- out
                                         |
                                        [R4]
                                         |
    0  ----------------------------------+-- 0

R1 = Z(0) in parallel and C1 in series are the first steps of the ladder from zero frequency;
then the resistor at infinite frequency is taken out, and the ladder goes on.
"""

from __future__ import annotations

from antecurve.synthesis.expansion import (
    cauer_2_tree,
    remove_series_capacitor_and_resistor,
    remove_shunt_resistor,
    resistance_at_origin,
)
from antecurve.synthesis.form import Form
from antecurve.synthesis.impedance import RcImpedance
from antecurve.synthesis.tree import Tree, capacitor, parallel, resistor, series

__all__ = ["FORM", "series_arm"]


def series_arm(impedance: RcImpedance) -> Tree:
    """Return the series arm with R_inf inside the ladder.

    Parameters
    ----------
    impedance : RcImpedance
        The arm's impedance, of an exact type, R_inf above 0, finite at zero frequency.

    Returns
    -------
    Tree
        The resistor in parallel with C, R and the rest of the ladder in series.
    """
    taken = remove_series_capacitor_and_resistor(remove_shunt_resistor(impedance))
    parts: list[Tree] = [capacitor(taken.capacitance), resistor(taken.resistance)]
    if taken.rest is not None:
        parts.append(cauer_2_tree(taken.rest))
    return parallel(resistor(resistance_at_origin(impedance)), series(*parts))


FORM = Form(
    "cauer-2-inside",
    "half-section",
    "R in parallel with C, R and a ladder in series, and a resistor across the output",
    series_arm,
    terms="coefficients",
    needs_infinity=True,
    needs_direct_path=True,
)
