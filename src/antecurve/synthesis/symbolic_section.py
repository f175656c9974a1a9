"""The formulas of a section with one series arm and one shunt arm.

The element formulas are those of `antecurve.synthesis.sections.one_stage`, over a field of rational
functions; `antecurve.synthesis.symbolic_section_proof` puts them back.  Where Q holds roots of
D = g N, which are no rational functions of the curve, each is a symbol of its own with the equation
that defines it.
"""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from typing import TYPE_CHECKING, Any, NamedTuple

from antecurve.networks.topology import Topology
from antecurve.synthesis.arms.arm import Arm
from antecurve.synthesis.formula_model import Formula, SectionFormulas
from antecurve.synthesis.symbolic_arm import (
    ELASTANCE,
    INFINITY,
    branch_name,
)
from antecurve.synthesis.symbolic_curve import SymbolicCurve, positive
from antecurve.synthesis.symbolic_network import arm_trees, prove_transfer, shown_impedance
from antecurve.synthesis.symbolic_proof import series_arm_formulas
from antecurve.synthesis.symbolic_section_proof import GAIN_CONSTANT, StageSymbols, prove_section
from antecurve.synthesis.tree import capacitor, parallel, resistor

if TYPE_CHECKING:
    from antecurve.synthesis.sections.one_stage import StageProblem

__all__ = ["stage_formulas"]

_TOGETHER = "to be solved together with the other equations"


def stage_formulas(
    arm: Arm, names: SymbolicCurve, problem: StageProblem, topology: Topology
) -> SectionFormulas:
    """Derive the formulas of a section with one series arm, and prove them.

    Parameters
    ----------
    arm : Arm
        How the series arm is expanded.
    names : SymbolicCurve
        The curve's time constants.
    problem : StageProblem
        How the zeros are shared between the arms.
    topology : Topology
        The elements.

    Returns
    -------
    SectionFormulas
        Definitions, elements and conditions.

    Raises
    ------
    ArithmeticError
        When substituting back fails.
    """
    stage = _proved(names, _taken(names, problem), problem.own_capacitor)
    series_arm = series_arm_formulas(
        arm, stage.kept, infinity=not stage.implied, at_origin=bool(names.curve.zeros_at_origin)
    )
    chosen = topology.refs[-1]
    rp = Formula(
        "Rp",
        positive(chosen) * positive("RL") / (positive(chosen) + positive("RL")),
        "shunt resistance, load included",
    )
    expressions = [
        *series_arm.elements,
        *(formula.expression for formula in stage.shunt),
        positive(chosen),
    ]
    remarks = [""] * (len(expressions) - 1) + ["chosen: it sets the impedance of the whole"]
    loaded = stage.loaded_definitions
    return SectionFormulas(
        _arm_formulas(topology),
        (rp, *stage.definitions, *series_arm.definitions),
        (rp, *loaded, *series_arm.definitions) if loaded else (),
        tuple(map(Formula, topology.refs, expressions, remarks)),
        stage.conditions,
        stage.loaded_conditions,
    )


def _taken(names: SymbolicCurve, problem: StageProblem) -> tuple[str, ...]:
    """Names of the zeros that the shunt arm makes; of equal zeros the first."""
    free = list(zip(names.zeros, names.curve.zeros_s, strict=True))
    taken = []
    for time in problem.taken:
        pair = next(pair for pair in free if pair[1] == time)
        free.remove(pair)
        taken.append(pair[0])
    return tuple(taken)


def _arm_formulas(topology: Topology) -> tuple[Formula, ...]:
    """The arms' impedances and H(s) by them, which is proved."""
    import sympy

    prove_transfer(
        topology,
        lambda arms, load, source: 1 + (source + arms[0]) * (load + sum(1 / z for z in arms[1:])),
    )
    series_arm, *shunt = arm_trees(topology, {ref: positive(ref) for ref in topology.refs})
    load = resistor(positive("RL")), capacitor(positive("CL"))
    s = sympy.Symbol("s")
    z, zp, source = (positive(name) for name in ("Z", "Zp", "Rs"))
    return (
        Formula("Z", shown_impedance(series_arm, s), "series arm"),
        Formula("Zp", shown_impedance(parallel(*shunt, *load), s), "shunt arm, load included"),
        Formula("H", zp / (source + z + zp), "output voltage over EMF"),
    )


class _Stage(NamedTuple):
    """The formulas of a section before the series arm is expanded, but for that of Rp."""

    definitions: tuple[Formula, ...]
    loaded_definitions: tuple[Formula, ...]
    shunt: tuple[Formula, ...]
    kept: tuple[str, ...]
    implied: bool
    conditions: tuple[str, ...]
    loaded_conditions: tuple[str, ...]


@lru_cache(maxsize=64)
def _proved(names: SymbolicCurve, taken: tuple[str, ...], own_capacitor: bool) -> _Stage:
    """The formulas that all arms of a section share, for CL = 0 and with CL, proved once."""
    plain, *loaded = (
        StageSymbols(names, taken, capacitor=own_capacitor, loaded=with_load)
        for with_load in ((False,) if own_capacitor else (False, True))
    )
    for symbols in (plain, *loaded):
        prove_section(symbols)
    return _Stage(
        (*_unknowns(plain), *_fractions(plain)),
        tuple(f for symbols in loaded for f in (*_unknowns(symbols), *_fractions(symbols))),
        _shunt_elements(plain),
        plain.kept,
        plain.implied,
        _conditions(plain),
        tuple(c for symbols in loaded for c in _conditions(symbols)),
    )


def _times(names: Iterable[str]) -> Any:
    import sympy

    return sympy.Mul(*(positive(name) for name in names))


def _unknowns(symbols: StageSymbols) -> list[Formula]:
    """What the roots in Q and the poles beyond the curve are."""
    import sympy

    formulas: list[Formula] = []
    if symbols.loaded:
        formulas.append(
            Formula("tau", positive("Rp") * positive("CL"), "the load's own time constant")
        )
    coupled = bool(symbols.taken) and bool(symbols.beyond)
    formulas += _root_definitions(symbols, coupled and (symbols.loaded or len(symbols.taken) > 1))
    if symbols.loaded and not symbols.taken:
        return formulas + _closed_poles(symbols)
    if symbols.loaded:
        return formulas + _coupled_poles(symbols)
    if symbols.implied:
        pole = sympy.factor(symbols.elements.implied_pole().as_expr())
        remark = "pole that any such network has beyond the curve"
        formulas.append(Formula(symbols.implied_pole, pole, remark))
    return formulas


def _root_definitions(symbols: StageSymbols, coupled: bool) -> list[Formula]:
    import sympy

    formulas = []
    names = symbols.names
    poles = [positive(p) for p in (*names.poles, *symbols.beyond)]
    if symbols.implied and not coupled:
        poles[-1] = symbols.elements.implied_pole().as_expr()
    for root in symbols.roots:
        if root == "tau":
            continue
        time = positive(root)
        denominator = sympy.Mul(*(1 - p / time for p in poles))
        numerator = sympy.Mul(*(1 - positive(z) / time for z in names.zeros))
        if names.curve.zeros_at_origin:
            numerator = -numerator / time
        remark = f"root of D = g0 N that {_maker(symbols, root)} makes"
        if symbols.taken:
            remark += f": the one with {_order_conditions(symbols)[0]}, so that it is positive"
        if coupled:
            remark += f", {_TOGETHER}"
        formulas.append(
            Formula(root, sympy.Eq(denominator, positive(GAIN_CONSTANT) * numerator), remark)
        )
    return formulas


def _maker(symbols: StageSymbols, root: str) -> str:
    if root != "Tc":
        return "a shunt branch"
    return "the load's capacitance" if symbols.loaded else "the capacitor"


def _closed_poles(symbols: StageSymbols) -> list[Formula]:
    """T5, and the implied pole, of a shunt arm that is a resistor."""
    import sympy

    tau = positive("tau")
    balance = sympy.factor(symbols.elements.curve.at(-1 / symbols.field["tau"]).as_expr())
    remark = "the one pole beyond the curve that the load's capacitance adds"
    if not symbols.implied:
        return [Formula("T_load", tau * (1 - balance), remark)]
    both, total = positive("P_T"), positive("S_T")
    shorter = (total - sympy.sqrt(total**2 - 4 * both)) / 2
    return [
        Formula("P_T", _pole_product(symbols), "product of the two poles beyond the curve"),
        Formula("S_T", both / tau + tau * (1 - balance), "their sum"),
        Formula(
            symbols.implied_pole,
            total - shorter,
            "pole for the one the curve lacks, the longer root",
        ),
        Formula(
            "T_load",
            shorter,
            "pole that the load's capacitance adds, the shorter root: it vanishes with CL",
        ),
    ]


def _pole_product(symbols: StageSymbols) -> Any:
    """The product of T5 and the implied pole, from R_inf = 0."""
    names = symbols.names
    lead = positive(GAIN_CONSTANT) * _times(names.zeros) / _times(names.poles)
    return lead * positive("Rs") * positive("CL")


def _coupled_poles(symbols: StageSymbols) -> list[Formula]:
    """T5, and the implied pole, where Q holds other roots as well."""
    import sympy

    product = sympy.Eq(_times(symbols.roots), positive("tau") * _times(symbols.taken))
    remark = f"pole that the load's capacitance adds, {_TOGETHER}"
    if not symbols.implied:
        return [Formula("T_load", product, remark)]
    pole = symbols.implied_pole
    return [
        Formula(pole, product, f"pole for the one the curve lacks, {_TOGETHER}"),
        Formula("T_load", _pole_product(symbols) / positive(pole), remark),
    ]


def _fractions(symbols: StageSymbols) -> list[Formula]:
    """The partial fractions of the series arm, and the capacitances of the shunt branches."""
    import sympy

    formulas = []
    for name, value in symbols.fractions().items():
        expression = value.as_expr()
        if name == INFINITY:
            formulas.append(
                Formula(name, _infinity(symbols, expression), "series arm at infinite frequency")
            )
            continue
        remark = "partial fraction of the series arm"
        if name == ELASTANCE:
            remark = "1/C of the series arm at zero frequency"
        formulas.append(Formula(name, sympy.factor(expression), remark))
    for zero, capacitance in symbols.branch_capacitances().items():
        expression = sympy.factor(capacitance.as_expr())
        formulas.append(Formula(_shunt_name(zero), expression, "capacitance of the shunt branch"))
    return formulas


def _shunt_name(zero: str) -> str:
    """Such as ``cz1`` for ``Tz1``."""
    return f"c{zero[1:]}"


def _infinity(symbols: StageSymbols, expression: Any) -> Any:
    """R_inf in the way in which it reads best."""
    import sympy

    source = positive("Rs")
    whole = expression + source
    if symbols.capacitive:
        return sympy.factor(whole) - source
    shunt = positive("Rp") * _times(symbols.taken) / _times(symbols.roots)
    return shunt * (sympy.factor(whole / shunt + 1) - 1) - source


def _shunt_elements(symbols: StageSymbols) -> tuple[Formula, ...]:
    import sympy

    formulas = []
    for zero in symbols.taken:
        capacitance = positive(_shunt_name(zero))
        formulas += [Formula("R", positive(zero) / capacitance), Formula("C", capacitance)]
    if symbols.capacitor:
        whole = sympy.factor(symbols.elements.whole_capacitance().as_expr())
        formulas.append(Formula("C", whole - positive("CL")))
    return tuple(formulas)


def _conditions(symbols: StageSymbols) -> tuple[str, ...]:
    """When every element is positive."""
    names = symbols.names
    conditions = _order_conditions(symbols)
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


def _order_conditions(symbols: StageSymbols) -> list[str]:
    """The order of time constants that makes every branch positive."""
    names = symbols.names
    positive = [f"{branch_name(z)} > 0" for z in symbols.kept]
    if symbols.taken:
        chain = [name for pair in zip(symbols.roots, symbols.taken, strict=False) for name in pair]
        return [" > ".join([*chain, *symbols.roots[len(symbols.taken) :]]), *positive]
    corners = [
        *zip(names.curve.zeros_s, names.zeros, strict=True),
        *zip(names.curve.poles_s, names.poles, strict=True),
    ]
    order = " > ".join(name for _, name in sorted(corners, reverse=True))
    if symbols.capacitor:
        return [order, *positive]
    if "tau" in symbols.roots and names.zeros:
        return [order, f"tau < {names.zeros[-1]}"]
    return [order]


def _infinity_condition(symbols: StageSymbols) -> str:
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
