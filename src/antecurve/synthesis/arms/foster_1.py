"""Foster's first form of the series arm: parallel RC pairs in series.

Behind R_inf::

    in --[R1 || C1]--[R2 || C2]--[R3]--+-- out
                                       |
                                      [R4]
                                       |
    0  --------------------------------+-- 0

One pair per zero of the curve; a zero at the origin is a series capacitor.  R3 = R_inf is left
out when it is 0.  R_inf may also go into one of the pairs, that of the longest or that of the
shortest time constant::

    in --[R1 || C1]--[R2 || (R3 + C2)]--+-- out

A pair R || C in series with R_inf is the same impedance as R2 || (R3 + C2):

.. math:: R_2 = R_\\infty + R, \\quad R_3 = R_\\infty R_2 / R, \\quad C_2 = T R / R_2^2 .
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial

from antecurve.synthesis.arms.arm import Arm, behind_infinity
from antecurve.synthesis.impedance import RcImpedance
from antecurve.synthesis.tree import Tree, capacitor, parallel, resistor, series

__all__ = ["FOSTER_1", "FOSTER_1_INSIDE_LONG", "FOSTER_1_INSIDE_SHORT"]


def _pairs(impedance: RcImpedance) -> list[Tree]:
    """A capacitor for a pole at the origin, then a parallel RC pair for each partial fraction."""
    parts: list[Tree] = []
    if impedance.elastance_at_origin:
        parts.append(capacitor(1 / impedance.elastance_at_origin))
    return parts + [parallel(resistor(r), capacitor(t / r)) for r, t in impedance.branches]


def _behind(impedance: RcImpedance) -> Tree:
    """Parallel pairs in series, longest time constant first, then R_inf."""
    return behind_infinity(impedance, *_pairs(impedance))


def _inside(impedance: RcImpedance, *, pair: int) -> Tree:
    """The other pairs in series, then the one that R_inf goes into."""
    infinity = impedance.resistance_at_infinity
    index = pair % len(impedance.branches)
    resistance, time = impedance.branches[index]
    others = replace(
        impedance.without_infinity(),
        branches=impedance.branches[:index] + impedance.branches[index + 1 :],
    )
    whole = infinity + resistance
    branch = series(
        resistor(infinity * whole / resistance), capacitor(time * resistance / (whole * whole))
    )
    return series(*_pairs(others), parallel(resistor(whole), branch))


FOSTER_1 = Arm(
    "foster-1",
    "parallel RC pairs in series with a resistor, and a resistor across the output",
    _behind,
    rounds_once=True,
)
FOSTER_1_INSIDE_LONG = Arm(
    "foster-1-inside-long",
    "as foster-1, the series resistor taken into the pair of the longest time constant",
    partial(_inside, pair=0),
    needs_infinity=True,
)
FOSTER_1_INSIDE_SHORT = Arm(
    "foster-1-inside-short",
    "as foster-1, the series resistor taken into the pair of the shortest time constant",
    partial(_inside, pair=-1),
    needs_infinity=True,
)
