"""Cauer's first form behind a shunt resistor: R_inf taken out after the resistor Z(0).

::

    in --[R1 || (R2 + (C1 || (R3 + C2)))]--+-- out
                                           |
                                          [R4]
                                           |
    0  ------------------------------------+-- 0

R1 = Z(0) is taken out in parallel; what is left blocks direct current and is a ladder from
infinite frequency, which begins with the resistor it has there.
"""

from __future__ import annotations

from antecurve.synthesis.expansion import (
    cauer_1_tree,
    remove_shunt_resistor,
    resistance_at_origin,
)
from antecurve.synthesis.form import Form
from antecurve.synthesis.impedance import RcImpedance
from antecurve.synthesis.tree import Tree, parallel, resistor

__all__ = ["FORM", "series_arm"]


def series_arm(impedance: RcImpedance) -> Tree:
    """Return the series arm as a resistor in parallel with Cauer's first form.

    Parameters
    ----------
    impedance : RcImpedance
        The arm's impedance, of an exact type, R_inf above 0, finite at zero frequency.

    Returns
    -------
    Tree
        The resistor and the ladder in parallel.
    """
    return parallel(
        resistor(resistance_at_origin(impedance)), cauer_1_tree(remove_shunt_resistor(impedance))
    )


FORM = Form(
    "cauer-1-inside",
    "half-section",
    "R in parallel with a ladder of series R and shunt C, and a resistor across the output",
    series_arm,
    terms="coefficients",
    needs_infinity=True,
    needs_direct_path=True,
)
