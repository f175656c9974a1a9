"""RC impedances by their partial fractions, their polynomials and their zeros.

An RC impedance has simple poles and zeros on the negative real axis that alternate, a pole
lowest, and positive partial fractions (Foster; the textbook conditions).  Everything here works
on floats, on exact fractions and on elements of a symbolic field alike.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import pairwise, zip_longest
from typing import Any

from antecurve.algebra.zero_pole_gain import product_coefficients

__all__ = [
    "Ratio",
    "RcImpedance",
    "derivative_term",
    "exact_fractions",
    "less",
    "polynomials",
    "remove_shunt_resistor",
    "resistance_at_origin",
    "zeros_of",
]

Scalar = Any
"""A float, a `fractions.Fraction` or an element of a symbolic field."""


@dataclass(frozen=True, slots=True)
class RcImpedance:
    """Z(s) = R_inf + K/s + sum of R_i / (1 + s T_i).

    Attributes
    ----------
    resistance_at_infinity : float
        R_inf [ohm], 0 or greater.
    elastance_at_origin : float
        K = 1/C of the series capacitor [1/F]; 0 when the impedance passes direct current.
    branches : tuple of tuple of float
        Pairs (R_i [ohm], T_i [s]), each above 0, longest time constant first.
    zero_symbols : tuple
        For symbolic work: what to call the time constants of the zeros where they have no
        rational expression.
    zero_resistances : tuple
        For symbolic work: what to call the resistance s dZ/ds at each of these zeros.
    coefficients : Ratio or None
        For symbolic work: what to call the coefficients of Z(s), with or without R_inf as the
        form needs it, where their own expressions are too long.
    """

    resistance_at_infinity: Scalar
    elastance_at_origin: Scalar
    branches: tuple[tuple[Scalar, Scalar], ...]
    zero_symbols: tuple[Scalar, ...] = ()
    zero_resistances: tuple[Scalar, ...] = ()
    coefficients: Ratio | None = None

    @property
    def is_resistor(self) -> bool:
        """Whether it is R_inf alone."""
        return not self.branches and not self.elastance_at_origin

    def without_infinity(self) -> RcImpedance:
        """Take R_inf out.

        Returns
        -------
        RcImpedance
            The remainder, 0 at infinite frequency.
        """
        return replace(self, resistance_at_infinity=0 * self.resistance_at_infinity)


@dataclass(frozen=True, slots=True)
class Ratio:
    """A ratio of polynomials in s.

    Attributes
    ----------
    numerator, denominator : tuple
        Coefficients of ascending powers of s, without zeros at the high end.
    naming : callable or None
        For symbolic work: gives names to the coefficients of a remainder that is too long.
    """

    numerator: tuple[Scalar, ...]
    denominator: tuple[Scalar, ...]
    naming: Callable[[tuple[Scalar, ...]], tuple[Scalar, ...]] | None = None

    def named(self, remainder: tuple[Scalar, ...]) -> tuple[Scalar, ...]:
        """Name a remainder's coefficients where there is a naming.

        Parameters
        ----------
        remainder : tuple
            The coefficients.

        Returns
        -------
        tuple
            The same, or symbols for them.
        """
        return remainder if self.naming is None else self.naming(remainder)


def exact_fractions(impedance: RcImpedance) -> RcImpedance:
    """Convert each float to the fraction that it is.

    Parameters
    ----------
    impedance : RcImpedance
        Floats [ohm, 1/F, s].

    Returns
    -------
    RcImpedance
        The same numbers as `fractions.Fraction`: expansions of it are free of rounding.
    """
    return RcImpedance(
        Fraction(impedance.resistance_at_infinity),
        Fraction(impedance.elastance_at_origin),
        tuple((Fraction(r), Fraction(t)) for r, t in impedance.branches),
    )


def polynomials(impedance: RcImpedance) -> Ratio:
    """Write the impedance as a ratio of polynomials.

    Parameters
    ----------
    impedance : RcImpedance
        The impedance; fractions or symbolic field elements, so that nothing is rounded.

    Returns
    -------
    Ratio
        Z(s).
    """
    if impedance.coefficients is not None:
        return impedance.coefficients
    elastance = impedance.elastance_at_origin
    times = [t for _, t in impedance.branches]
    denominator = product_coefficients(times)
    if elastance:
        denominator = [0, *denominator]
    infinity = impedance.resistance_at_infinity
    numerator = [infinity * c for c in denominator] if infinity else []
    for index, (resistance, _) in enumerate(impedance.branches):
        term = [resistance * c for c in product_coefficients(times[:index] + times[index + 1 :])]
        numerator = _plus(numerator, [0, *term] if elastance else term)
    if elastance:
        numerator = _plus(numerator, [elastance * c for c in product_coefficients(times)])
    while numerator and not numerator[-1]:
        numerator.pop()
    return Ratio(tuple(numerator), tuple(denominator))


def _plus(one: list[Scalar], other: list[Scalar]) -> list[Scalar]:
    return [a + b for a, b in zip_longest(one, other, fillvalue=0)]


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
    remainder = whole.named(less(whole.denominator, conductance, whole.numerator))
    return replace(whole, denominator=remainder)


def resistance_at_origin(impedance: RcImpedance) -> Scalar:
    """Compute Z(0) of an impedance that passes direct current.

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


def less(minuend: Sequence[Scalar], factor: Scalar, other: Sequence[Scalar]) -> tuple[Scalar, ...]:
    """Subtract a multiple of a polynomial, cut at its highest coefficient that is not 0.

    Parameters
    ----------
    minuend, other : sequence
        Coefficients of ascending powers of s.
    factor : scalar
        What multiplies `other`.

    Returns
    -------
    tuple
        Coefficients of minuend - factor other.
    """
    pairs = zip_longest(minuend, other, fillvalue=0)
    result = [a - factor * b if b else a for a, b in pairs]
    while result and not result[-1]:
        result.pop()
    return tuple(result)


def derivative_term(impedance: RcImpedance, time_constant: Scalar) -> Scalar:
    """Compute s dZ/ds at s = -1/T, a sum of positive terms.

    Parameters
    ----------
    impedance : RcImpedance
        The impedance.
    time_constant : float
        T [s], not one of the impedance's own.

    Returns
    -------
    float
        K T + sum of R_i (T_i/T) / (1 - T_i/T)**2 [ohm].

    Notes
    -----
    With zero symbols it has a name of its own.
    """
    if impedance.zero_resistances and time_constant in impedance.zero_symbols:
        return impedance.zero_resistances[impedance.zero_symbols.index(time_constant)]
    total = impedance.elastance_at_origin * time_constant
    for resistance, time in impedance.branches:
        ratio = time / time_constant
        total = resistance * ratio / ((1 - ratio) * (1 - ratio)) + total
    return total


def zeros_of(impedance: RcImpedance) -> tuple[Scalar, ...]:
    """Find the time constants of the zeros of an impedance.

    Parameters
    ----------
    impedance : RcImpedance
        Fractions (see `exact_fractions`), or elements of a symbolic field with zero symbols.

    Returns
    -------
    tuple of Fraction
        Time constants [s], longest first: one between any two neighbouring poles, and with
        R_inf above 0 one below the shortest.

    Notes
    -----
    Z falls along the real axis between poles, so each zero has a bracket.  Bisection to
    floating-point precision, then one Newton step in exact fractions: in error by about 1e-30,
    whatever the slope lacks at its sixteenth digit.
    """
    if impedance.zero_symbols:
        ratio = polynomials(impedance)
        if len(ratio.numerator) == 2:
            return (ratio.numerator[1] / ratio.numerator[0],)
        return impedance.zero_symbols[: len(ratio.numerator) - 1]
    corners = [0.0] if impedance.elastance_at_origin else []
    corners += [1.0 / float(t) for _, t in impedance.branches]
    floats = RcImpedance(
        float(impedance.resistance_at_infinity),
        float(impedance.elastance_at_origin),
        tuple((float(r), float(t)) for r, t in impedance.branches),
    )
    if impedance.resistance_at_infinity:
        beyond = 2.0 * corners[-1] if corners[-1] else 1.0
        while _at(floats, beyond) <= 0:
            beyond *= 2.0
        corners.append(beyond)
    return tuple(
        _polished(impedance, floats, _bisected(floats, low, high))
        for low, high in pairwise(corners)
    )


def _at(impedance: RcImpedance, x: Scalar) -> Scalar:
    """Z at s = -x."""
    total = impedance.resistance_at_infinity
    if impedance.elastance_at_origin:
        total = total - impedance.elastance_at_origin / x
    for resistance, time in impedance.branches:
        total = total + resistance / (1 - x * time)
    return total


def _bisected(impedance: RcImpedance, low: float, high: float) -> float:
    """Root of Z(-x), which rises from below 0 to above it between the ends."""
    while True:
        middle = 0.5 * (low + high)
        if not low < middle < high:
            return middle
        if _at(impedance, middle) < 0:
            low = middle
        else:
            high = middle


def _polished(impedance: RcImpedance, floats: RcImpedance, start: float) -> Fraction:
    """Root near one that is known to 1e-16; a slope right to 1e-14 leaves 1e-30 of it."""
    x = Fraction(start)
    slope = Fraction(derivative_term(floats, 1.0 / start) / start)
    return 1 / Fraction(x - _at(impedance, x) / slope).limit_denominator(10**60)
