"""What every expansion of a series arm is: a rule that turns an RC impedance into elements."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import Enum, auto

from antecurve.synthesis.impedance import RcImpedance, exact_fractions
from antecurve.synthesis.tree import Tree, resistor, series
from antecurve.synthesis.violation import Violation

__all__ = ["Arm", "Terms", "behind_infinity"]


class Terms(Enum):
    """What the elements of an arm are rational functions of."""

    FRACTIONS = auto()
    """Its partial fractions."""
    ZEROS = auto()
    """Its partial fractions and its zeros."""
    COEFFICIENTS = auto()
    """The coefficients of its numerator and denominator."""


@dataclass(frozen=True, slots=True)
class Arm:
    """An expansion of an RC impedance into elements.

    Attributes
    ----------
    name : str
        Name, such as ``foster-1``; also that of the half-section with this arm.
    description : str
        The half-section with this arm, in one line.
    expand : callable
        From the impedance, of exact fractions or in symbols, to the elements.  The same rule
        makes the values and the formulas.
    terms : Terms
        What the elements are rational functions of.
    needs_infinity : bool
        Whether the arm exists only with R_inf above 0 and at least one RC pair.
    needs_direct_path : bool
        Whether the arm exists only without a zero at the origin.
    rounds_once : bool
        Whether each element is one quotient of partial fractions, as right in floats as it is
        rounded from exact fractions.
    """

    name: str
    description: str
    expand: Callable[[RcImpedance], Tree]
    terms: Terms = Terms.FRACTIONS
    needs_infinity: bool = False
    needs_direct_path: bool = False
    rounds_once: bool = False

    def violation(self, impedance: RcImpedance) -> Violation | None:
        """Say where an element would be 0 ohm, or the arm that of another form.

        Parameters
        ----------
        impedance : RcImpedance
            The impedance to expand.

        Returns
        -------
        Violation or None
            The condition that does not hold.
        """
        if self.needs_infinity and not (impedance.resistance_at_infinity and impedance.branches):
            if not impedance.branches:
                words = (
                    "the series arm must hold an RC pair, but the curve has no zero apart from the "
                    "origin"
                )
            else:
                words = (
                    "the series arm must end in a resistance, R_inf > 0, but here R_inf is 0. "
                    "Without an ultrasonic pole it always is"
                )
            return Violation(words, structural=True)
        if self.needs_direct_path and impedance.elastance_at_origin:
            return Violation(
                "the series arm must pass direct current, but a zero at the origin puts a "
                "capacitor in series",
                structural=True,
            )
        return None

    def elements(self, impedance: RcImpedance) -> Tree:
        """Expand an impedance of floats, without rounding on the way.

        Parameters
        ----------
        impedance : RcImpedance
            The impedance; a resistor alone needs no expansion.

        Returns
        -------
        Tree
            The elements, their values as exact fractions or correctly rounded floats.
        """
        if impedance.is_resistor:
            return resistor(impedance.resistance_at_infinity)
        return self.expand(impedance if self.rounds_once else exact_fractions(impedance))


def behind_infinity(impedance: RcImpedance, *parts: Tree) -> Tree:
    """Put parts in series with R_inf, which is left out where it is 0.

    Parameters
    ----------
    impedance : RcImpedance
        The arm's impedance.
    *parts : Tree
        What makes the impedance without R_inf.

    Returns
    -------
    Tree
        The whole arm.
    """
    infinity = impedance.resistance_at_infinity
    return series(*parts, *([resistor(infinity)] if infinity else []))
