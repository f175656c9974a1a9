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
from dataclasses import dataclass, replace
from itertools import zip_longest
from typing import Any

from antecurve.algebra.zero_pole_gain import product_coefficients
from antecurve.synthesis.impedance import (
    Ratio,
    RcImpedance,
    derivative_term,
    polynomials,
)
from antecurve.synthesis.tree import Tree, capacitor, parallel, resistor, series

__all__ = [
    "SeriesStep",
    "cauer_1_tree",
    "cauer_2_tree",
    "foster_1_parts",
    "foster_2_branch",
    "remove_series_capacitor_and_resistor",
    "remove_shunt_resistor",
    "resistance_at_origin",
    "shunt_capacitance",
    "without_infinity",
    "without_parallel_branch",
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
        The remainder, 0 at infinite frequency.
    """
    return replace(impedance, resistance_at_infinity=0 * impedance.resistance_at_infinity)


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
        remainder = ratio.named(_less(numerator, resistance, denominator))
        first: Tree = resistor(resistance)
        if not remainder:
            return first
        return series(first, cauer_1_tree(replace(ratio, numerator=remainder)))
    capacitance = denominator[-1] / numerator[-1]
    remainder = ratio.named(_less(denominator, capacitance, (0, *numerator)))
    first = capacitor(capacitance)
    if not remainder:
        return first
    return parallel(first, cauer_1_tree(replace(ratio, denominator=remainder)))


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
        remainder = ratio.named(_less(numerator, 1 / capacitance, denominator[1:])[1:])
        first: Tree = capacitor(capacitance)
        if not remainder:
            return first
        onward = replace(ratio, numerator=remainder, denominator=denominator[1:])
        return series(first, cauer_2_tree(onward))
    resistance = numerator[0] / denominator[0]
    remainder = ratio.named(_less(denominator, 1 / resistance, numerator))
    first = resistor(resistance)
    if not remainder:
        return first
    return parallel(first, cauer_2_tree(replace(ratio, denominator=remainder)))


def remove_shunt_resistor(impedance: RcImpedance) -> Ratio:
    """Take out the resistor Z(0) in parallel.

    Parameters
    ----------
    impedance : RcImpedance
        An impedance that passes direct current, of an exact type.

    Returns
    -------
    Ratio
        The remainder, with a pole at the origin.
    """
    whole = polynomials(impedance)
    conductance = whole.denominator[0] / whole.numerator[0]
    remainder = whole.named(_less(whole.denominator, conductance, whole.numerator))
    return replace(whole, denominator=remainder)


def resistance_at_origin(impedance: RcImpedance) -> Any:
    """Return Z(0) of an impedance that passes direct current.

    Parameters
    ----------
    impedance : RcImpedance
        The impedance.

    Returns
    -------
    float
        R_inf + sum of R_i [ohm].
    """
    whole = polynomials(impedance)
    return whole.numerator[0] / whole.denominator[0]


@dataclass(frozen=True, slots=True)
class SeriesStep:
    """A capacitor and a resistor taken out in series, and what remains.

    Attributes
    ----------
    capacitance : float
        Of the pole at the origin [F].
    resistance : float
        At infinite frequency [ohm].
    remainder : Ratio or None
        What remains; ``None`` for nothing.
    """

    capacitance: Any
    resistance: Any
    remainder: Ratio | None


def remove_series_capacitor_and_resistor(ratio: Ratio) -> SeriesStep:
    """Take out what an impedance has at zero and at infinite frequency.

    Parameters
    ----------
    ratio : Ratio
        Z(s) with a pole at the origin, finite at infinite frequency, of an exact type.

    Returns
    -------
    SeriesStep
        The capacitor, the resistor and the remainder.
    """
    numerator, denominator = ratio.numerator, ratio.denominator
    capacitance = denominator[1] / numerator[0]
    resistance = numerator[-1] / denominator[-1]
    without_capacitor = _less(numerator, 1 / capacitance, denominator[1:])
    remainder = ratio.named(_less(without_capacitor, resistance, denominator)[1:])
    if not remainder:
        return SeriesStep(capacitance, resistance, None)
    onward = replace(ratio, numerator=remainder, denominator=denominator[1:])
    return SeriesStep(capacitance, resistance, onward)


def without_parallel_branch(impedance: RcImpedance, zeros: Sequence[Any], outside: int) -> Ratio:
    """Take out one series RC branch in parallel.

    Parameters
    ----------
    impedance : RcImpedance
        The impedance.
    zeros : sequence of float
        Time constants [s] of all its zeros; see `zeros_of`.
    outside : int
        Index of the zero whose branch is taken out.

    Returns
    -------
    Ratio
        The remainder: the resistor Z(0) and the branches of the other zeros in parallel.
    """
    kept = [t for t in zeros if t != zeros[outside]]
    resistances = [derivative_term(impedance, t) for t in kept]
    numerator = product_coefficients(kept)
    denominator: list[Any] = [0]
    if not impedance.elastance_at_origin:
        direct = resistance_at_origin(impedance)
        denominator = [c / direct for c in numerator]
    for time, resistance in zip(kept, resistances, strict=True):
        others = product_coefficients([t for t in kept if t != time])
        term = [0, *(time / resistance * c for c in others)]
        denominator += [0] * (len(term) - len(denominator))
        denominator = [a + b for a, b in zip(term, denominator, strict=True)]
    return Ratio(tuple(numerator), tuple(denominator))


def _less(minuend: Sequence[Any], factor: Any, other: Sequence[Any]) -> tuple[Any, ...]:
    """minuend - factor other, cut at its highest coefficient that is not 0."""
    pairs = zip_longest(minuend, other, fillvalue=0)
    result = [a - factor * b for a, b in pairs]
    while result and not result[-1]:
        result.pop()
    return tuple(result)
