"""The partial fractions of a section in the curve's time constants.

The same formulas as in `antecurve.synthesis.half_section`, over a field of rational functions;
`antecurve.synthesis.symbolic_section_proof` puts them back.  Where Q holds roots of D = g N, which
are no rational functions of the curve, each is a symbol of its own with the equation that defines
it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

from antecurve.synthesis.formula_model import Formula
from antecurve.synthesis.symbolic_arm import ELASTANCE, INFINITY, branch_name
from antecurve.synthesis.symbolic_curve import SymbolicCurve
from antecurve.synthesis.symbolic_section_proof import LEVEL, SectionSymbols, prove_section

__all__ = ["SectionFormulas", "section_formulas"]

_TOGETHER = "to be solved together with the other equations"


@dataclass(frozen=True, slots=True, eq=False)
class SectionFormulas:
    """A section's quantities as formulas.

    Attributes
    ----------
    definitions : tuple of Formula
        In order, for CL = 0 unless the section has a capacitor across the output.
    loaded_definitions : tuple of Formula
        With CL; empty where `definitions` are for any CL.
    shunt : tuple of Formula
        Elements of the shunt arm in the order of the layout: resistor and capacitor of each
        branch, the capacitor across the output.
    series_times : tuple of str
        Names of the series arm's time constants.
    infinity : bool
        Whether the series arm has R_inf.
    conditions : tuple of str
        When every element is positive, for `definitions`.
    loaded_conditions : tuple of str
        The same for `loaded_definitions`.
    """

    definitions: tuple[Formula, ...]
    loaded_definitions: tuple[Formula, ...]
    shunt: tuple[Formula, ...]
    series_times: tuple[str, ...]
    infinity: bool
    conditions: tuple[str, ...]
    loaded_conditions: tuple[str, ...]


def section_formulas(
    names: SymbolicCurve, *, taken: Sequence[str], output_resistor: str, capacitor: bool
) -> SectionFormulas:
    """Return the formulas of a section and prove them.

    Parameters
    ----------
    names : SymbolicCurve
        The curve's time constants.
    taken : sequence of str
        Names of the zeros that the shunt arm makes.
    output_resistor : str
        Reference of the resistor across the output.
    capacitor : bool
        Whether there is a capacitor across the output.

    Returns
    -------
    SectionFormulas
        Definitions, shunt elements and conditions.

    Raises
    ------
    ArithmeticError
        When substituting back fails.
    """
    import sympy

    rest = _proved(names, tuple(taken), capacitor)
    resistor, load = sympy.symbols(f"{output_resistor} RL", positive=True)
    rp = Formula("Rp", resistor * load / (resistor + load), "shunt resistance, load included")
    loaded = (rp, *rest.loaded_definitions) if rest.loaded_definitions else ()
    return replace(rest, definitions=(rp, *rest.definitions), loaded_definitions=loaded)


@lru_cache(maxsize=64)
def _proved(names: SymbolicCurve, taken: tuple[str, ...], capacitor: bool) -> SectionFormulas:
    """The formulas but for that of Rp."""
    plain = SectionSymbols(names, taken, capacitor=capacitor, loaded=False)
    prove_section(plain)
    definitions = [*_unknowns(plain), *_fractions(plain)]
    loaded_definitions: list[Formula] = []
    loaded_conditions: tuple[str, ...] = ()
    if not capacitor:
        loaded = SectionSymbols(names, taken, capacitor=False, loaded=True)
        prove_section(loaded)
        loaded_definitions = [*_unknowns(loaded), *_fractions(loaded)]
        loaded_conditions = _conditions(loaded)
    return SectionFormulas(
        tuple(definitions),
        tuple(loaded_definitions),
        _shunt_elements(plain),
        plain.kept,
        not plain.implied,
        _conditions(plain),
        loaded_conditions,
    )


def _positive(name: str) -> Any:
    import sympy

    return sympy.Symbol(name, positive=True)


def _times(names: Iterable[str]) -> Any:
    import sympy

    return sympy.Mul(*(_positive(name) for name in names))


def _unknowns(symbols: SectionSymbols) -> list[Formula]:
    """What the roots in Q and the poles beyond the curve are."""
    found: list[Formula] = []
    if symbols.loaded:
        found.append(
            Formula("tau", _positive("Rp") * _positive("CL"), "the load's own time constant")
        )
    coupled = bool(symbols.taken) and bool(symbols.beyond)
    found += _root_definitions(symbols, coupled and (symbols.loaded or len(symbols.taken) > 1))
    if symbols.loaded and not symbols.taken:
        return found + _closed_poles(symbols)
    if symbols.loaded:
        return found + _coupled_poles(symbols)
    if symbols.implied:
        remark = "pole that any such network has beyond the curve"
        found.append(Formula(symbols.implied_pole, _implied_pole(symbols), remark))
    return found


def _implied_pole(symbols: SectionSymbols) -> Any:
    """The implied pole for CL = 0, from R_inf = 0."""
    import sympy

    return sympy.factor(symbols.implied_without_load().as_expr())


def _root_definitions(symbols: SectionSymbols, coupled: bool) -> list[Formula]:
    import sympy

    found = []
    names = symbols.names
    poles = [_positive(p) for p in (*names.poles, *symbols.beyond)]
    if symbols.implied and not coupled:
        poles[-1] = symbols.implied_without_load().as_expr()
    for root in symbols.roots:
        if root == "tau":
            continue
        time = _positive(root)
        left = sympy.Mul(*(1 - p / time for p in poles))
        right = sympy.Mul(*(1 - _positive(z) / time for z in names.zeros))
        if names.found.zeros_at_origin:
            right = -right / time
        remark = f"root of D = g0 N that {_maker(symbols, root)} makes"
        if coupled:
            remark += f", {_TOGETHER}"
        found.append(Formula(root, sympy.Eq(left, _positive(LEVEL) * right), remark))
    return found


def _maker(symbols: SectionSymbols, root: str) -> str:
    if root != "Tc":
        return "a shunt branch"
    return "the load's capacitance" if symbols.loaded else "the capacitor"


def _closed_poles(symbols: SectionSymbols) -> list[Formula]:
    """T5, and the implied pole, of a shunt arm that is a resistor."""
    import sympy

    tau = _positive("tau")
    balance = sympy.factor(symbols.balance_at_tau().as_expr())
    remark = "the one pole beyond the curve that the load's capacitance adds"
    if not symbols.implied:
        return [Formula("T_load", tau * (1 - balance), remark)]
    both, total = _positive("P_T"), _positive("S_T")
    shorter = (total - sympy.sqrt(total**2 - 4 * both)) / 2
    return [
        Formula("P_T", _pole_product(symbols), "product of the two poles beyond the curve"),
        Formula("S_T", both / tau + tau * (1 - balance), "their sum"),
        Formula(symbols.implied_pole, total - shorter, "pole for the one the curve lacks"),
        Formula("T_load", shorter, "pole that the load's capacitance adds"),
    ]


def _pole_product(symbols: SectionSymbols) -> Any:
    """The product of T5 and the implied pole, from R_inf = 0."""
    names = symbols.names
    lead = _positive(LEVEL) * _times(names.zeros) / _times(names.poles)
    return lead * _positive("Rs") * _positive("CL")


def _coupled_poles(symbols: SectionSymbols) -> list[Formula]:
    """T5, and the implied pole, where Q holds other roots as well."""
    import sympy

    product = sympy.Eq(_times(symbols.roots), _positive("tau") * _times(symbols.taken))
    remark = f"pole that the load's capacitance adds, {_TOGETHER}"
    if not symbols.implied:
        return [Formula("T_load", product, remark)]
    pole = symbols.implied_pole
    return [
        Formula(pole, product, f"pole for the one the curve lacks, {_TOGETHER}"),
        Formula("T_load", _pole_product(symbols) / _positive(pole), remark),
    ]


def _fractions(symbols: SectionSymbols) -> list[Formula]:
    """The partial fractions of the series arm, and the capacitances of the shunt branches."""
    import sympy

    found = []
    for name, value in symbols.fractions().items():
        expression = value.as_expr()
        if name == INFINITY:
            found.append(
                Formula(name, _infinity(symbols, expression), "series arm at infinite frequency")
            )
            continue
        remark = "partial fraction of the series arm"
        if name == ELASTANCE:
            remark = "1/C of the series arm at zero frequency"
        found.append(Formula(name, sympy.factor(expression), remark))
    for zero, capacitance in symbols.shunt_capacitances().items():
        expression = sympy.factor(capacitance.as_expr())
        found.append(Formula(_shunt_name(zero), expression, "capacitance of the shunt branch"))
    return found


def _shunt_name(zero: str) -> str:
    """Such as ``cz1`` for ``Tz1``."""
    return f"c{zero[1:]}"


def _infinity(symbols: SectionSymbols, expression: Any) -> Any:
    """R_inf in the way in which it reads best."""
    import sympy

    source = _positive("Rs")
    whole = expression + source
    if symbols.capacitive:
        return sympy.factor(whole) - source
    shunt = _positive("Rp") * _times(symbols.taken) / _times(symbols.roots)
    return shunt * (sympy.factor(whole / shunt + 1) - 1) - source


def _shunt_elements(symbols: SectionSymbols) -> tuple[Formula, ...]:
    import sympy

    found = []
    for zero in symbols.taken:
        capacitance = _positive(_shunt_name(zero))
        found += [Formula("R", _positive(zero) / capacitance), Formula("C", capacitance)]
    if symbols.capacitor:
        whole = sympy.factor(symbols.whole_capacitance().as_expr())
        found.append(Formula("C", whole - _positive("CL")))
    return tuple(found)


def _conditions(symbols: SectionSymbols) -> tuple[str, ...]:
    """When every element is positive."""
    names = symbols.names
    corners = [(t, n) for t, n in zip(names.found.zeros_s, names.zeros, strict=True)]
    corners += [(t, n) for t, n in zip(names.found.poles_s, names.poles, strict=True)]
    conditions = [" > ".join(n for _, n in sorted(corners, reverse=True))]
    if symbols.taken:
        chain = [name for pair in zip(symbols.roots, symbols.taken, strict=False) for name in pair]
        conditions = [" > ".join([*chain, *symbols.roots[len(symbols.taken) :]])]
        conditions += [f"{branch_name(z)} > 0" for z in symbols.kept]
    elif symbols.capacitor:
        conditions = [f"{branch_name(z)} > 0" for z in symbols.kept]
    elif "tau" in symbols.roots and names.zeros:
        conditions.append(f"tau < {names.zeros[-1]}")
    if symbols.implied:
        if symbols.loaded and not symbols.taken:
            conditions.append("S_T^2 >= 4 P_T")
        if names.zeros and not symbols.taken:
            conditions.append(f"{symbols.implied_pole} < {names.zeros[-1]}")
    else:
        if symbols.loaded and names.poles:
            conditions.append(f"0 < T_load <= {names.poles[-1]}")
        conditions.append(_infinity_condition(symbols))
    if symbols.capacitor:
        conditions.append("CL < the whole capacitance across the output")
    return tuple(c for c in conditions if c)


def _infinity_condition(symbols: SectionSymbols) -> str:
    names = symbols.names
    zeros, poles = " ".join(names.zeros), " ".join(names.poles)
    reach = f"g0 {zeros}/({poles})" if poles else f"g0 {zeros}"
    if symbols.loaded:
        load = " ".join([*names.poles, "T_load"])
        if symbols.taken:
            return f"R_inf >= 0: g0 {zeros} Rs CL <= {load}"
        return f"R_inf >= 0: {' '.join(['g0', *names.zeros, 'tau', 'Rs'])} <= Rp {load}"
    rp = " ".join(["Rp", *symbols.taken])
    roots = [q for q in symbols.roots if q != "Tc"]
    z = f"{rp}/({' '.join(roots)})" if len(roots) > 1 else "/".join([rp, *roots])
    if symbols.capacitor:
        return f"R_inf >= 0: {z} >= Rs Tc {reach}"
    if symbols.taken:
        return f"R_inf >= 0: {reach} <= Z/(Z + Rs) with Z = {z}"
    return f"R_inf >= 0: {reach} <= Rp/(Rp + Rs)"
