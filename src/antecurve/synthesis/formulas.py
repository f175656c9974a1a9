"""The formulas of a form: H(s), impedances, and each element, derived and proved when asked for.

Three identities make the proof, each between rational functions in all symbols and s: the
network's H(s) from its spanning trees is Zp/(Rs + Z + Zp) of its arms; the elements of the
series arm make its partial fractions; and the partial fractions make the curve.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from antecurve.algebra.zero_pole_gain import ZeroPoleGain
from antecurve.curves.model import Curve
from antecurve.errors import UnattainableError
from antecurve.networks.symbolic import Solution, solve
from antecurve.networks.topology import Loading, Topology
from antecurve.synthesis.expansion import without_infinity
from antecurve.synthesis.form import Form
from antecurve.synthesis.formula_model import FormFormulas, Formula
from antecurve.synthesis.half_section import Section, solve_section
from antecurve.synthesis.nearest_feasible import OTHER_FORMS, UNBOUNDED_REMEDY
from antecurve.synthesis.rational import Violation
from antecurve.synthesis.realise import ExactNetwork, realise
from antecurve.synthesis.registry import named_form
from antecurve.synthesis.symbolic_arm import (
    RemainderNames,
    coefficient_definitions,
    relabelled,
    symbol_field,
    symbolic_impedance,
    zero_count,
    zero_definitions,
)
from antecurve.synthesis.symbolic_cascade import cascade_formulas
from antecurve.synthesis.symbolic_curve import SymbolicCurve, level_formulas, symbolic_curve
from antecurve.synthesis.symbolic_proof import arm_proof, prove, tree_impedance
from antecurve.synthesis.symbolic_section import section_formulas
from antecurve.synthesis.tree import Layout, Tree, capacitor, parallel, resistor, series

__all__ = ["form_formulas"]

_LOADING = Loading(50.0, 47e3, 0.0)
_SHUNT = 500.0
_SHORT = 2
_GAINS = (1e-2, 1e-3, 1e-4, 1e-1)


def form_formulas(form: str, curve: Curve | None = None) -> FormFormulas:
    """Return the formulas of a form, each proved by substituting back symbolically.

    Parameters
    ----------
    form : str
        Name of the form.
    curve : Curve, optional
        The curve whose zeros and poles the formulas are for; by default the disc curve with
        one ultrasonic pole, for an output capacitor with two, and for an RC shunt arm the disc
        curve that rises towards DC up to a bound.

    Returns
    -------
    FormFormulas
        H(s), input and output impedance, definitions and elements.

    Raises
    ------
    InputError
        When there is no such form.
    UnattainableError
        When the form does not make such a curve at any usual level.
    ArithmeticError
        When substituting back fails.

    Examples
    --------
    >>> found = form_formulas("foster-1")
    >>> [f"{f.name} = {f.expression}" for f in found.elements[:2]]
    ['R1 = r1', 'C1 = T1/r1']
    >>> print(found.definitions[1].name, "=", found.definitions[1].expression)
    r1 = Rp*(T1 - T2)*(T1 - T4)/(T1*g0*(T1 - T3))
    """
    chosen = named_form(form)
    names = symbolic_curve(chosen.section, curve)
    return _derived(chosen, names)


@lru_cache(maxsize=64)
def _derived(form: Form, names: SymbolicCurve) -> FormFormulas:
    example = _example(form, names.found)
    topology = example.network.topology
    solution = solve(topology)
    times = [
        Formula(name, value if names.given else None, kind)
        for group, values, kind in (
            (names.zeros, names.found.zeros_s, "zero of the curve [s]"),
            (names.poles, names.found.poles_s, "pole of the curve [s]"),
        )
        for name, value in zip(group, values, strict=True)
    ]
    shared: dict[str, Any] = {
        "form": form.name,
        "description": form.description,
        "topology": topology,
        "transfer": _ratio(solution.transfer_numerator, solution.transfer_denominator),
        "input_impedance": _ratio(solution.input_numerator, solution.input_denominator),
        "output_impedance": _ratio(solution.output_numerator, solution.output_denominator),
        "time_constants": tuple(times),
    }
    if form.series_arm is None:
        return _cascade(form, names, solution, shared)
    return _section(form, names, solution, shared)


def _example(form: Form, found: ZeroPoleGain[float]) -> ExactNetwork:
    """An exact network of the form for the curve, to know which elements there are."""
    reason: Violation | None = None
    for gain in _GAINS:
        result = realise(form, found, loading=_LOADING, gain=gain, shunt_resistance=_SHUNT)
        if isinstance(result, ExactNetwork):
            return result
        reason = reason or result
    assert reason is not None
    action = "choose another form or another curve"
    if found.poles_at_origin:
        action = UNBOUNDED_REMEDY
    else:
        others = [f for f in OTHER_FORMS if f != form.name and _made(named_form(f), found)]
        action = f"the form {others[0]} makes it" if others else action
    raise UnattainableError(form.name, reason.condition, action)


def _made(form: Form, found: ZeroPoleGain[float]) -> bool:
    return any(
        isinstance(
            realise(form, found, loading=_LOADING, gain=g, shunt_resistance=_SHUNT, explain=False),
            ExactNetwork,
        )
        for g in _GAINS
    )


def _ratio(numerator: tuple[Any, ...], denominator: tuple[Any, ...]) -> Any:
    import sympy

    s = sympy.Symbol("s")
    top, bottom = (
        sympy.Add(*(sympy.factor_terms(c) * s**k for k, c in enumerate(p)))
        for p in (numerator, denominator)
    )
    return top / bottom


def _taken(form: Form, names: SymbolicCurve) -> list[str]:
    """Names of the zeros that the shunt arm makes."""
    for gain in _GAINS:
        section = solve_section(
            names.found, kind=form.section, loading=_LOADING, gain=gain, shunt_resistance=_SHUNT
        )
        if isinstance(section, Section):
            # Of equal zeros the shunt arm makes as many as it has branches of their time constant.
            left = dict(zip(names.zeros, names.found.zeros_s, strict=True))
            taken = []
            for time in (r * c for r, c in section.shunt.branches):
                name = next((n for n, zero in left.items() if abs(zero - time) < 1e-9 * zero), None)
                if name is not None:
                    taken.append(name)
                    del left[name]
            return taken
    return []


def _section(
    form: Form, names: SymbolicCurve, solution: Solution, shared: dict[str, Any]
) -> FormFormulas:
    assert form.series_arm is not None
    topology = solution.topology
    at_origin = bool(names.found.zeros_at_origin)
    excess = len(names.poles) - len(names.zeros) - at_origin
    section = section_formulas(
        names,
        taken=_taken(form, names),
        output_resistor=topology.elements[-1].ref,
        capacitor=excess == 1,
    )
    times, infinity = section.series_times, section.infinity
    zeros = zero_count(times, whole=infinity and form.needs_infinity, at_origin=at_origin)
    named = form.terms == "coefficients" and len(times) + at_origin > _SHORT
    named = named or (form.terms == "zeros" and zeros > 1)
    naming = RemainderNames() if form.terms == "coefficients" and named else None
    arm = symbolic_impedance(
        times,
        infinity=infinity,
        at_origin=at_origin,
        by_coefficients=named,
        whole=form.needs_infinity,
        naming=naming,
    )
    if times or at_origin:
        arm_proof(form, times, infinity=infinity, at_origin=at_origin)
        tree = form.series_arm(arm)
    else:
        tree = resistor(arm.resistance_at_infinity)
    layout = Layout()
    layout.add(tree, "in", "out")
    series_count = len(layout.values)
    elements = _element_formulas(topology, layout.values, section.shunt)
    whole = arm if form.needs_infinity else without_infinity(arm)
    by_zeros = form.terms == "zeros"
    extra = zero_definitions(whole) if by_zeros else coefficient_definitions(whole)
    used = {str(x) for f in elements for x in f.expression.free_symbols}
    if not used & {f.name for f in extra}:
        extra = ()
    if naming is not None:
        extra += tuple(naming.found)
    arms = _prove_network(solution, series_count, tree)
    loaded = section.loaded_definitions + extra if section.loaded_definitions else ()
    return FormFormulas(
        **shared,
        arms=arms,
        definitions=section.definitions + extra,
        loaded_definitions=loaded,
        elements=elements,
        level=level_formulas(names, loaded=bool(loaded)),
        conditions=section.conditions,
        loaded_conditions=section.loaded_conditions,
        conditions_for="any CL" if excess == 1 else "CL = 0",
        about_load=_about_load(excess == 1),
    )


def _about_load(capacitor: bool) -> str:
    if capacitor:
        return "exact for any CL up to the whole capacitance across the output"
    return "CL = 0; with CL the second set of definitions, exact but for the pole T_load"


def _element_formulas(
    topology: Topology, series_values: tuple[Any, ...], shunt: tuple[Formula, ...]
) -> tuple[Formula, ...]:
    import sympy

    expressions = [sympy.factor(value.as_expr()) for value in series_values]
    expressions += [f.expression for f in shunt]
    expressions.append(sympy.Symbol(topology.elements[-1].ref, positive=True))
    remarks = [""] * (len(expressions) - 1) + ["chosen: it sets the impedance of the whole"]
    return tuple(
        Formula(element.ref, expression, remark)
        for element, expression, remark in zip(topology.elements, expressions, remarks, strict=True)
    )


def _prove_network(solution: Solution, series_count: int, shape: Tree) -> tuple[Formula, ...]:
    """Prove that H(s) of the network is that of its arms, and return the arms' impedances."""
    import sympy

    topology = solution.topology
    refs = topology.refs
    field = symbol_field(["s", *refs, "Rs", "RL", "CL"])
    s = field["s"]
    series_arm = relabelled(shape, iter(field[r] for r in refs[:series_count]))
    shunt_arm = _shunt_tree(topology, series_count, field)
    z = tree_impedance(series_arm, s)
    zp = 1 / (1 / tree_impedance(shunt_arm, s) + 1 / field["RL"] + s * field["CL"])
    top = _polynomial(solution.transfer_numerator, s)
    bottom = _polynomial(solution.transfer_denominator, s)
    prove(top * (field["Rs"] + z + zp) == bottom * zp, "H(s) is not that of the arms")
    values = {ref: sympy.Symbol(ref, positive=True) for ref in refs}
    s_symbol, load = sympy.Symbol("s"), sympy.symbols("RL CL", positive=True)
    shown_series = _shown(relabelled(shape, iter(values[r] for r in refs[:series_count])), s_symbol)
    shown_shunt = _shown(
        parallel(
            _shunt_tree(topology, series_count, values), resistor(load[0]), capacitor(load[1])
        ),
        s_symbol,
    )
    z_name, zp_name, source = sympy.symbols("Z Zp Rs", positive=True)
    return (
        Formula("Z", shown_series, "series arm"),
        Formula("Zp", shown_shunt, "shunt arm, load included"),
        Formula("H", zp_name / (source + z_name + zp_name), "output voltage over EMF"),
    )


def _shunt_tree(topology: Topology, series_count: int, values: dict[str, Any]) -> Tree:
    parts: list[Tree] = []
    pending: dict[str, Tree] = {}
    for element in topology.elements[series_count:]:
        leaf = (resistor if element.ref.startswith("R") else capacitor)(values[element.ref])
        inner = next((n for n in element.nodes if n not in ("out", "0")), None)
        if inner is None:
            parts.append(leaf)
        elif inner in pending:
            parts.append(series(pending.pop(inner), leaf))
        else:
            pending[inner] = leaf
    return parallel(*parts)


def _shown(tree: Tree, s: Any) -> Any:
    """Impedance of an arm with each parallel group as one fraction."""
    import sympy

    from antecurve.networks.topology import ElementKind
    from antecurve.synthesis.tree import Leaf

    if isinstance(tree, Leaf):
        return tree.value if tree.kind is ElementKind.RESISTOR else 1 / (s * tree.value)
    parts = [_shown(part, s) for part in tree.parts]
    if tree.joined == "series":
        return sympy.Add(*parts)
    top, bottom = sympy.fraction(sympy.cancel(1 / sympy.Add(*(1 / p for p in parts))))
    return sympy.factor(top) / sympy.collect(sympy.expand(bottom), s)


def _polynomial(coefficients: tuple[Any, ...], s: Any) -> Any:
    ring = s.field
    total = 0 * s
    for power, coefficient in enumerate(coefficients):
        total = total + ring.from_expr(coefficient) * s**power
    return total


def _cascade(
    form: Form, names: SymbolicCurve, solution: Solution, shared: dict[str, Any]
) -> FormFormulas:
    import sympy

    topology = solution.topology
    middle, last = topology.elements[-2:]
    found = cascade_formulas(names, short_first=form.short_first, shunts=(middle.ref, last.ref))
    chosen = "chosen: the shunt resistors set the impedance and its share between the sections"
    elements = [
        Formula(element.ref, formula.expression, formula.remark)
        for element, formula in zip(topology.elements, found.elements, strict=False)
    ]
    elements += [Formula(e.ref, sympy.Symbol(e.ref, positive=True), chosen) for e in (middle, last)]
    return FormFormulas(
        **shared,
        arms=_prove_cascade(solution),
        definitions=found.definitions,
        loaded_definitions=found.loaded_definitions,
        elements=tuple(elements),
        level=level_formulas(names, loaded=True),
        conditions=found.conditions,
        loaded_conditions=found.loaded_conditions,
        conditions_for="CL = 0",
        about_load=_about_load(False),
    )


def _prove_cascade(solution: Solution) -> tuple[Formula, ...]:
    """Prove that H(s) is that of the two sections, and return the arms' impedances."""
    import sympy

    topology = solution.topology
    field = symbol_field(["s", *topology.refs, "Rs", "RL", "CL"])
    s = field["s"]
    z1, z2 = (tree_impedance(arm, s) for arm in _pair_trees(topology, field))
    r2, r4 = (field[e.ref] for e in topology.elements[-2:])
    y = 1 / r4 + 1 / field["RL"] + s * field["CL"]
    inverse = (1 + z2 * y) * (1 + (field["Rs"] + z1) / r2) + (field["Rs"] + z1) * y
    top = _polynomial(solution.transfer_numerator, s)
    bottom = _polynomial(solution.transfer_denominator, s)
    prove(top * inverse == bottom, "H(s) is not that of the two sections")
    values = {ref: sympy.Symbol(ref, positive=True) for ref in topology.refs}
    s_symbol = sympy.Symbol("s")
    shown = [_shown(arm, s_symbol) for arm in _pair_trees(topology, values)]
    names = sympy.symbols("Z1 Z2 Y Rs", positive=True)
    load, cl = sympy.symbols("RL CL", positive=True)
    middle, across = (values[e.ref] for e in topology.elements[-2:])
    first = names[3] + names[0]
    whole = 1 / ((1 + names[1] * names[2]) * (1 + first / middle) + first * names[2])
    return (
        Formula("Z1", shown[0], "series arm of the section at the input"),
        Formula("Z2", shown[1], "series arm of the section at the output"),
        Formula("Y", 1 / across + 1 / load + s_symbol * cl, "admittance across the output"),
        Formula("H", whole, "output voltage over EMF"),
    )


def _pair_trees(topology: Topology, values: dict[str, Any]) -> tuple[Tree, Tree]:
    """The series arms of both sections: a resistor in series with a pair, and a pair."""

    def joined(refs: list[str]) -> Tree:
        return parallel(*((resistor if r.startswith("R") else capacitor)(values[r]) for r in refs))

    arms = topology.elements[:-2]
    second = [e.ref for e in arms if "out" in e.nodes]
    first = [e.ref for e in arms if "middle" in e.nodes and e.ref not in second]
    before = [e.ref for e in arms if e.ref not in first + second]
    return series(*(resistor(values[r]) for r in before), joined(first)), joined(second)
