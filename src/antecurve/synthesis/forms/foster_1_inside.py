"""Foster's first form with R_inf taken out inside one of its pairs.

::

    in --[R1 || C1]--[R2 || (R3 + C2)]--+-- out
                                        |
                                       [R4]
                                        |
    0  ---------------------------------+-- 0

A pair R || C in series with R_inf is the same impedance as R2 || (R3 + C2):

.. math:: R_2 = R_\\infty + R, \\quad R_3 = R_\\infty R_2 / R, \\quad C_2 = T R / R_2^2 .

The pair may be the one with the longest time constant or the one with the shortest.
"""

from __future__ import annotations

from antecurve.synthesis.expansion import foster_1_parts, without_infinity
from antecurve.synthesis.form import Form
from antecurve.synthesis.impedance import RcImpedance
from antecurve.synthesis.tree import Tree, capacitor, parallel, resistor, series

__all__ = ["FORMS", "series_arm"]


def series_arm(impedance: RcImpedance, *, inside: int) -> Tree:
    """Return the series arm with R_inf inside one pair.

    Parameters
    ----------
    impedance : RcImpedance
        The arm's impedance, of an exact type, R_inf above 0.
    inside : int
        Which pair: 0 for the longest time constant, -1 for the shortest.

    Returns
    -------
    Tree
        The other pairs in series, then the one that holds R_inf.
    """
    infinity = impedance.resistance_at_infinity
    index = inside % len(impedance.branches)
    resistance, time = impedance.branches[index]
    rest = without_infinity(impedance)
    others = RcImpedance(
        rest.resistance_at_infinity,
        rest.elastance_at_origin,
        rest.branches[:index] + rest.branches[index + 1 :],
    )
    whole = infinity + resistance
    branch = series(
        resistor(infinity * whole / resistance), capacitor(time * resistance / (whole * whole))
    )
    return series(*foster_1_parts(others), parallel(resistor(whole), branch))


def _longest(impedance: RcImpedance) -> Tree:
    return series_arm(impedance, inside=0)


def _shortest(impedance: RcImpedance) -> Tree:
    return series_arm(impedance, inside=-1)


FORMS = (
    Form(
        "foster-1-inside-long",
        "half-section",
        "as foster-1, the series resistor taken into the pair of the longest time constant",
        _longest,
        needs_infinity=True,
    ),
    Form(
        "foster-1-inside-short",
        "half-section",
        "as foster-1, the series resistor taken into the pair of the shortest time constant",
        _shortest,
        needs_infinity=True,
    ),
)
