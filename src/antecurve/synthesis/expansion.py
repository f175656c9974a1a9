"""Expansions of an RC impedance into elements: Foster's and Cauer's, over any field.

The two Cauer expansions are continued fractions of Z(s): about infinite frequency (take out
series R, then shunt C, ...) and about zero frequency (series C, shunt R, ...).  Foster's forms
are the partial fractions of Z(s) and of its admittance Y(s)/s.  On exact fractions nothing is
rounded on the way; on elements of a symbolic field the results are the formulas.

References
----------
Textbook theory of one-ports with two kinds of elements (Foster 1924, Cauer 1926).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from antecurve.synthesis.impedance import Ratio, RcImpedance, derivative_term, polynomials
from antecurve.synthesis.tree import Tree, capacitor, parallel, resistor, series

__all__ = [
    "cauer_1_tree",
    "cauer_2_tree",
    "foster_1_parts",
    "foster_2_branch",
    "remove_shunt_resistor",
    "shunt_capacitance",
    "without_infinity",
]


def without_infinity(impedance: RcImpedance) -> RcImpedance:
    """Return the impedance with R_inf taken out.

    Parameters
    ----------
    impedance : RcImpedance
        The impedance.

    Returns
    -------
    RcImpedance
        The rest, 0 at infinite frequency.
    """
    return RcImpedance(
        0 * impedance.resistance_at_infinity, impedance.elastance_at_origin, impedance.branches
    )


def foster_1_parts(impedance: RcImpedance) -> list[Tree]:
    """Return the partial fractions of an impedance as elements, R_inf left aside.

    Parameters
    ----------
    impedance : RcImpedance
        The impedance.

    Returns
    -------
    list of Tree
        A capacitor for a pole at the origin, then a parallel RC pair per branch.
    """
    parts: list[Tree] = []
    if impedance.elastance_at_origin:
        parts.append(capacitor(1 / impedance.elastance_at_origin))
    parts += [parallel(resistor(r), capacitor(t / r)) for r, t in impedance.branches]
    return parts


def foster_2_branch(impedance: RcImpedance, time_constant: Any) -> Tree:
    """Return the series RC branch of the admittance at one of the impedance's zeros.

    Parameters
    ----------
    impedance : RcImpedance
        The impedance.
    time_constant : float
        Time constant [s] of the zero.

    Returns
    -------
    Tree
        R = s dZ/ds there, in series with C = T/R.
    """
    resistance = derivative_term(impedance, time_constant)
    return series(resistor(resistance), capacitor(time_constant / resistance))


def shunt_capacitance(impedance: RcImpedance) -> Any:
    """Return the capacitance an impedance without R_inf comes down to at infinite frequency.

    Parameters
    ----------
    impedance : RcImpedance
        An impedance with R_inf = 0.

    Returns
    -------
    float
        1 / (K + sum of R_i/T_i) [F].
    """
    total = impedance.elastance_at_origin
    for resistance, time in impedance.branches:
        total = resistance / time + total
    return 1 / total


def cauer_1_tree(ratio: Ratio) -> Tree:
    """Return the continued fraction about infinite frequency as a ladder.

    Parameters
    ----------
    ratio : Ratio
        Z(s), of an exact type.

    Returns
    -------
    Tree
        Series resistors and shunt capacitors in turn.
    """
    numerator, denominator = ratio.numerator, ratio.denominator
    if len(numerator) == len(denominator):
        resistance = numerator[-1] / denominator[-1]
        rest = _less(numerator, resistance, denominator)
        first: Tree = resistor(resistance)
        return series(first, cauer_1_tree(Ratio(rest, denominator))) if rest else first
    capacitance = denominator[-1] / numerator[-1]
    rest = _less(denominator, capacitance, (0, *numerator))
    first = capacitor(capacitance)
    return parallel(first, cauer_1_tree(Ratio(numerator, rest))) if rest else first


def cauer_2_tree(ratio: Ratio) -> Tree:
    """Return the continued fraction about zero frequency as a ladder.

    Parameters
    ----------
    ratio : Ratio
        Z(s), of an exact type.

    Returns
    -------
    Tree
        Series capacitors and shunt resistors in turn.
    """
    numerator, denominator = ratio.numerator, ratio.denominator
    if not denominator[0]:
        capacitance = denominator[1] / numerator[0]
        rest = _less(numerator, 1 / capacitance, denominator[1:])
        first: Tree = capacitor(capacitance)
        return series(first, cauer_2_tree(Ratio(rest[1:], denominator[1:]))) if rest else first
    resistance = numerator[0] / denominator[0]
    rest = _less(denominator, 1 / resistance, numerator)
    first = resistor(resistance)
    return parallel(first, cauer_2_tree(Ratio(numerator, rest))) if rest else first


def remove_shunt_resistor(impedance: RcImpedance) -> Ratio:
    """Take the resistor Z(0) out that is in parallel with all the rest.

    Parameters
    ----------
    impedance : RcImpedance
        An impedance that passes direct current, of an exact type.

    Returns
    -------
    Ratio
        The rest, with a pole at the origin.
    """
    whole = polynomials(impedance)
    conductance = whole.denominator[0] / whole.numerator[0]
    return Ratio(whole.numerator, _less(whole.denominator, conductance, whole.numerator))


def _less(left: Sequence[Any], factor: Any, right: Sequence[Any]) -> tuple[Any, ...]:
    """left - factor right, cut at its highest coefficient that is not 0."""
    size = max(len(left), len(right))
    result = [
        (left[k] if k < len(left) else 0) - factor * (right[k] if k < len(right) else 0)
        for k in range(size)
    ]
    while result and not result[-1]:
        result.pop()
    return tuple(result)
