"""Two half-sections, one after the other, in either order.

::

    in --[R1]--[R2 || C1]--+--[R3 || C2]--+-- out
                           |              |
                          [R4]           [R5]
                           |              |
    0  --------------------+--------------+-- 0

Each section's pair makes one zero of the curve.  R1 is left out when it is 0; a zero at the
origin is a series capacitor.  The values come from `antecurve.synthesis.cascade`.
"""

from __future__ import annotations

import math

from antecurve.synthesis.cascade import Cascade
from antecurve.synthesis.form import Form
from antecurve.synthesis.tree import Layout, Tree, capacitor, parallel, resistor, series

__all__ = ["FORMS", "lay_out"]


def lay_out(cascade: Cascade) -> Layout:
    """Return the elements of a cascade between their nodes.

    Parameters
    ----------
    cascade : Cascade
        The values.

    Returns
    -------
    Layout
        The resistor at the input and the first pair, the second pair, then both shunt
        resistors, that across the output last.
    """
    layout = Layout()
    pairs: list[Tree] = []
    for strength, time in zip(cascade.strengths, cascade.time_constants, strict=True):
        if math.isinf(time):
            pairs.append(capacitor(1.0 / strength))
        else:
            pairs.append(parallel(resistor(strength), capacitor(time / strength)))
    first = pairs[0]
    if cascade.resistance_at_input:
        first = series(resistor(cascade.resistance_at_input), first)
    middle = "middle"
    layout.add(first, "in", middle)
    layout.add(pairs[1], middle, "out")
    layout.add(resistor(cascade.shunt_resistances[0]), middle, "0")
    layout.add(resistor(cascade.shunt_resistances[1]), "out", "0")
    return layout


FORMS = (
    Form(
        "cascade-long-first",
        "cascade",
        "two sections of an RC pair and a shunt R, the longer time constant at the input",
        None,
    ),
    Form(
        "cascade-short-first",
        "cascade",
        "two sections of an RC pair and a shunt R, the shorter time constant at the input",
        None,
        short_first=True,
    ),
)
