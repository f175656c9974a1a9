"""Foster's second form with one branch only, and a ladder with R_inf for the rest.

::

    in --[(R1 + C1) || (R2 + (C2 || R3))]--+-- out
                                           |
                                          [R4]
                                           |
    0  ------------------------------------+-- 0

One series RC branch of the admittance of Z, that of its zero with the longest time constant or
that with the shortest, is taken out in parallel; the rest is Cauer's first form, with a series
resistor of its own.
"""

from __future__ import annotations

from antecurve.synthesis.expansion import cauer_1_tree, foster_2_branch, without_parallel_branch
from antecurve.synthesis.form import Form
from antecurve.synthesis.impedance import RcImpedance, zeros_of
from antecurve.synthesis.tree import Tree, parallel

__all__ = ["FORMS", "series_arm"]


def series_arm(impedance: RcImpedance, *, outside: int) -> Tree:
    """Return the series arm with one series RC branch in parallel with a ladder.

    Parameters
    ----------
    impedance : RcImpedance
        The arm's impedance, of an exact type, R_inf above 0.
    outside : int
        Which zero's branch: 0 for the longest time constant, -1 for the shortest.

    Returns
    -------
    Tree
        The branch and the ladder in parallel.
    """
    zeros = zeros_of(impedance)
    branch = foster_2_branch(impedance, zeros[outside])
    if len(zeros) == 1 and impedance.elastance_at_origin:
        return branch
    return parallel(branch, cauer_1_tree(without_parallel_branch(impedance, zeros, outside)))


def _longest(impedance: RcImpedance) -> Tree:
    return series_arm(impedance, outside=0)


def _shortest(impedance: RcImpedance) -> Tree:
    return series_arm(impedance, outside=-1)


FORMS = (
    Form(
        "foster-2-inside-long",
        "half-section",
        "a series RC branch of the longest time constant in parallel with a ladder of R and C",
        _longest,
        terms="zeros",
        needs_infinity=True,
    ),
    Form(
        "foster-2-inside-short",
        "half-section",
        "a series RC branch of the shortest time constant in parallel with a ladder of R and C",
        _shortest,
        terms="zeros",
        needs_infinity=True,
    ),
)
