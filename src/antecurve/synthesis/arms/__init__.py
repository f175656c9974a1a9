"""The ways to expand a series arm into elements, one canonical form in each module."""

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
