"""What a network form is."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from antecurve.synthesis.impedance import RcImpedance
from antecurve.synthesis.tree import Tree

__all__ = ["Form"]


@dataclass(frozen=True, slots=True)
class Form:
    """A network's shape, by the rule that makes its elements.

    Attributes
    ----------
    name : str
        Name, such as ``foster-1``.
    section : str
        What the arms make together: ``half-section`` (resistor across the output),
        ``rc-shunt`` (resistor and series RC branches across the output),
        ``output-capacitor`` (resistor and capacitor across the output) or ``cascade`` (two
        half-sections, one after the other).
    description : str
        One line in words.
    series_arm : callable or None
        Turns the series arm's impedance (exact fractions or symbolic) into elements; ``None``
        for a cascade.
    terms : str
        What the arm's elements are rational in: its partial ``fractions``, these and its
        ``zeros``, or the ``coefficients`` of its polynomials.
    needs_infinity : bool
        Whether the arm exists only with R_inf above 0 and at least one RC pair.
    needs_direct_path : bool
        Whether the arm exists only without a zero at the origin.
    short_first : bool
        For a cascade: whether the section at the input makes the shorter time constant.
    """

    name: str
    section: str
    description: str
    series_arm: Callable[[RcImpedance], Tree] | None
    terms: str = "fractions"
    needs_infinity: bool = False
    needs_direct_path: bool = False
    short_first: bool = False
