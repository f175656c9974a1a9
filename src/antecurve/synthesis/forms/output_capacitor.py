"""A capacitor across the output for a second ultrasonic pole, and a canonical series arm.

::

    in --[series arm]--+------+-- out
                       |      |
                      [C]    [R0]
                       |      |
    0  ----------------+------+-- 0

For curves with one pole more than zeros.  The capacitor makes up a time constant together with
the load's capacitance, so that no pole beyond the curve is left.
"""

from __future__ import annotations

from antecurve.synthesis.form import Form
from antecurve.synthesis.forms import cauer_1, cauer_2, foster_1, foster_2

__all__ = ["FORMS"]

FORMS = tuple(
    Form(
        f"output-capacitor-{canonical.FORM.name}",
        "output-capacitor",
        f"the series arm of {canonical.FORM.name}, and R and C across the output",
        canonical.series_arm,
        terms=canonical.FORM.terms,
    )
    for canonical in (foster_1, foster_2, cauer_1, cauer_2)
)
