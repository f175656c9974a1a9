"""The ways to expand a series arm into elements, one canonical form in each module.

Foster's forms are the partial fractions of Z(s) and of its admittance Y(s)/s; Cauer's are the
continued fractions of Z(s) about infinite frequency (series R, then shunt C, ...) and about zero
frequency (series C, shunt R, ...).  On exact fractions nothing is rounded on the way; on elements
of a symbolic field the results are the formulas.

References
----------
Textbook theory of one-ports with two kinds of elements (Foster 1924, Cauer 1926).
"""

from __future__ import annotations

from antecurve.synthesis.arms.cauer_1 import CAUER_1, CAUER_1_INSIDE
from antecurve.synthesis.arms.cauer_2 import CAUER_2, CAUER_2_INSIDE, CAUER_2_WHOLE
from antecurve.synthesis.arms.foster_1 import (
    FOSTER_1,
    FOSTER_1_INSIDE_LONG,
    FOSTER_1_INSIDE_SHORT,
)
from antecurve.synthesis.arms.foster_2 import (
    FOSTER_2,
    FOSTER_2_INSIDE_LONG,
    FOSTER_2_INSIDE_SHORT,
    FOSTER_2_WHOLE,
)

__all__ = ["ARMS", "CANONICAL"]

CANONICAL = (FOSTER_1, FOSTER_2, CAUER_1, CAUER_2)
"""The four canonical forms, R_inf in series behind them."""

ARMS = (
    *CANONICAL,
    FOSTER_1_INSIDE_LONG,
    FOSTER_1_INSIDE_SHORT,
    FOSTER_2_INSIDE_LONG,
    FOSTER_2_INSIDE_SHORT,
    FOSTER_2_WHOLE,
    CAUER_1_INSIDE,
    CAUER_2_INSIDE,
    CAUER_2_WHOLE,
)
"""Every expansion, in the order in which forms are listed."""
