"""A shunt arm with an RC branch of its own, and a canonical series arm.

::

    in --[series arm]--+----------+-- out
                       |          |
                  [Rx + Cx]      [R0]
                       |          |
    0  ----------------+----------+-- 0

For curves that begin with a pole from low frequency, such as one that rises towards DC up to a
stated bound.  One RC branch for every zero that the shunt arm takes; where the curve has one
pole more than zeros, a capacitor across the output as well.
"""

from __future__ import annotations

from antecurve.synthesis.form import Form
from antecurve.synthesis.forms import cauer_1, cauer_2, foster_1, foster_2

__all__ = ["FORMS"]

FORMS = tuple(
    Form(
        f"rc-shunt-{canonical.FORM.name}",
        "rc-shunt",
        f"the series arm of {canonical.FORM.name}, and R with a series RC branch across the output",
        canonical.series_arm,
        terms=canonical.FORM.terms,
    )
    for canonical in (foster_1, foster_2, cauer_1, cauer_2)
)
