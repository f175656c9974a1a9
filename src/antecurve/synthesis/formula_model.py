"""The formulas of a form as plain data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from antecurve.networks.topology import Topology

__all__ = ["FormFormulas", "Formula", "SectionFormulas"]


@dataclass(frozen=True, slots=True, eq=False)
class Formula:
    """A named quantity and what it is equal to.

    Attributes
    ----------
    name : str
        Name of the quantity, such as ``R1`` or ``Rp``.
    expression : sympy.Expr, sympy.Eq, float or None
        What it is equal to; an equation where the quantity is one of its roots; a number, or
        nothing, for a time constant of the curve.
    remark : str
        What the quantity is.
    """

    name: str
    expression: Any
    remark: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class SectionFormulas:
    """What a kind of section knows about its elements, in symbols; see `FormFormulas`.

    Attributes
    ----------
    arms, definitions, loaded_definitions, elements : tuple of Formula
        As in `FormFormulas`.
    conditions, loaded_conditions : tuple of str
        As in `FormFormulas`.
    """

    arms: tuple[Formula, ...]
    definitions: tuple[Formula, ...]
    loaded_definitions: tuple[Formula, ...]
    elements: tuple[Formula, ...]
    conditions: tuple[str, ...]
    loaded_conditions: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class FormFormulas:
    """Everything a form's network is, in symbols.

    Attributes
    ----------
    form : str
        Name of the form.
    description : str
        One line about it.
    topology : Topology
        The elements between their nodes.
    arms : tuple of Formula
        Impedances of the arms in element symbols, and H(s) by them.
    transfer, input_impedance, output_impedance : sympy.Expr
        H(s) and the two impedances as ratios of polynomials in s, in element symbols with
        ``Rs``, ``RL`` and ``CL``.
    definitions : tuple of Formula
        Quantities that the element formulas use, each in terms of those before it, for CL = 0
        (for a form with a capacitor across the output, for any CL).
    loaded_definitions : tuple of Formula
        The same for a load with capacitance, where that is a closed form; else empty.
    elements : tuple of Formula
        Each element by the definitions and time constants; the resistor across the output is
        chosen freely.
    time_constants : tuple of Formula
        The curve's time constants, with their values [s] where a curve was given.
    level : tuple of Formula
        What g0 is, and the level at 1 kHz that it makes.
    conditions : tuple of str
        When every element is positive, for `definitions`.
    loaded_conditions : tuple of str
        The same for `loaded_definitions`.
    conditions_for : str
        The load capacitance that `conditions` are for: ``CL = 0`` or ``any CL``.
    about_load : str
        What the formulas say about CL.
    """

    form: str
    description: str
    topology: Topology
    arms: tuple[Formula, ...]
    transfer: Any
    input_impedance: Any
    output_impedance: Any
    definitions: tuple[Formula, ...]
    loaded_definitions: tuple[Formula, ...]
    elements: tuple[Formula, ...]
    time_constants: tuple[Formula, ...]
    level: tuple[Formula, ...]
    conditions: tuple[str, ...]
    loaded_conditions: tuple[str, ...]
    conditions_for: str
    about_load: str
