"""The formulas of a form as plain data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, ClassVar

from antecurve.networks.topology import Topology
from antecurve.results import Result

__all__ = ["FormFormulas", "Formula", "SectionFormulas"]


@dataclass(frozen=True, slots=True, eq=False)
class Formula(Result):
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

    _keys: ClassVar = ("name", "expression:text", "latex", "remark")

    name: str
    expression: Any
    remark: str = ""

    @property
    def text(self) -> str:
        """The expression with ``**`` for powers, and ``=`` between the sides of an equation."""
        import sympy

        if isinstance(self.expression, sympy.Eq):
            return f"{self.expression.lhs} = {self.expression.rhs}"
        return str(self.expression)

    @property
    def latex(self) -> str:
        """LaTeX with indices below the line; a root is named before its equation."""
        import sympy

        names = {x: _latex_name(x.name) for x in self.expression.free_symbols}
        shown = sympy.latex(self.expression, symbol_names=names)
        if isinstance(self.expression, sympy.Eq):
            return rf"{_latex_name(self.name)}:\quad {shown}"
        if str(self.expression) == self.name:
            return str(shown)  # chosen freely
        base, of_s, _ = self.name.partition("(s)")
        return f"{_latex_name(base)}{of_s} = {shown}"


def _latex_name(name: str) -> str:
    if len(name) == 1 or (name.isalpha() and name.islower()):
        return name if len(name) == 1 else rf"\{name}"
    index = name[1:].lstrip("_")
    if index == "inf":
        index = r"\infty"
    elif index.isalpha() and len(index) > 1:
        index = rf"\mathrm{{{index}}}"
    return f"{name[0]}_{{{index}}}"


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
class FormFormulas(Result):
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

    _keys: ClassVar = (
        "form",
        "description",
        "elements_between_nodes:topology.elements",
        "transfer",
        "input_impedance",
        "output_impedance",
        "arms",
        "level",
        "definitions",
        "loaded_definitions",
        "elements",
        "time_constants_s",
        "conditions",
        "conditions_for",
        "loaded_conditions",
        "load_capacitance:about_load",
    )

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

    @property
    def time_constants_s(self) -> dict[str, Any]:
        """The curve's time constants [s] by their names."""
        return {f.name: f.expression for f in self.time_constants}
