"""Numbers beside the symbols of a form's formulas, for a network with exact values.

The definitions are worked through in their order.  Where one is a root of an equation, every real
root above 0 is followed, and the one is taken that gives the network's own elements: so the
numbers prove themselves.  Where equations hold all together, as in a cascade into a capacitance,
what the elements are made from is taken from them, and every definition is then checked.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

import numpy as np

from antecurve.checked import checked
from antecurve.networks.compiled import transfer_coefficients
from antecurve.networks.topology import Loading, Network
from antecurve.quantities import format_quantity
from antecurve.synthesis.formula_model import FormFormulas, Formula

__all__ = ["roots_used", "worked_numbers"]

_NEAR_DC_HZ = 1e-6  # of the slowest corner a millionth: there H(s) is g0 s^n
_AGREES = 1e-6  # relative; exact values are solved to 1e-9, roots to 1e-12
_SAME_ROOT = 1e-3  # relative; two roots of an equation are farther apart, rounding is far closer
_STARTS = 200  # for equations that hold together; a few find the roots
_SEED = 1  # any: the roots do not depend on the starts

Numbers = dict[str, float]


@checked
def worked_numbers(formulas: FormFormulas, network: Network, loading: Loading) -> Numbers:
    """Work the formulas of a form out for a network.

    Parameters
    ----------
    formulas : FormFormulas
        The formulas, for the curve of the job.
    network : Network
        The network with its exact values.
    loading : Loading
        Source and load.

    Returns
    -------
    dict of str to float
        A number for each name, in SI units; empty where the formulas don't give this network,
        because its values only come close to the curve.
    """
    if network.topology.refs != formulas.topology.refs:
        return {}
    definitions = _definitions(formulas, loaded=loading.load_capacitance > 0)
    known = _given(formulas, network, loading)
    exact = dict(zip(network.topology.refs, network.values.tolist(), strict=True))
    for start in (known, known | _from_elements(formulas.elements, known, exact)):
        pending = [f for f in definitions if f.name not in start]
        for numbers in _solutions(pending, start):
            worked = _evaluated(formulas.elements, numbers)
            if _gives(worked, exact) and all(_holds(f, worked) for f in definitions):
                return _evaluated(formulas.level, worked)
    return {}


def roots_used(formulas: FormFormulas, numbers: Numbers) -> dict[str, str]:
    """Say which root of each equation the worked numbers are, and why.

    Parameters
    ----------
    formulas : FormFormulas
        The formulas of a form.
    numbers : dict of str to float
        Their worked numbers.

    Returns
    -------
    dict of str to str
        A remark for the name of each root; empty without numbers.
    """
    definitions = _definitions(formulas, loaded="T_load" in numbers)
    remarks = {}
    for index, formula in enumerate(definitions if numbers else ()):
        after = (*definitions[index + 1 :], *formulas.elements)
        before = {n: v for n, v in numbers.items() if n not in {f.name for f in after}}
        twins = {f.name: numbers[f.name] for f in definitions if f.name != formula.name}
        used = numbers[formula.name]
        others = [
            _other_root(formula.name, other, twins, after, before)
            for other in _candidates(formula, numbers)
            if not math.isclose(other, used, rel_tol=_SAME_ROOT)
        ]
        if others:
            remarks[formula.name] = f"this root, since {' and '.join(others)}"
        elif _is_equation(formula):
            remarks[formula.name] = "the only root above 0"
    return remarks


def _candidates(formula: Formula, numbers: Numbers) -> list[float]:
    """Every root of a definition, by the other numbers."""
    if not _is_equation(formula):
        return _numbers(formula.expression, numbers)
    own = [x for x in formula.expression.free_symbols if x.name == formula.name]
    others = {name: v for name, v in numbers.items() if name != formula.name}
    # A remark needs a root in one quantity; equations in several hold together.
    return _roots(formula, others) if own else []


def _other_root(
    name: str, other: float, twins: Numbers, after: Iterable[Formula], before: Numbers
) -> str:
    """What another root is, or would make of the quantities that follow from it."""
    twin = next((n for n, v in twins.items() if math.isclose(v, other, rel_tol=_AGREES)), "")
    if twin:
        return f"the other is {twin}"
    if other <= 0:
        return f"the other, {_text(name, other)}, is negative"
    made = _evaluated(after, before | {name: other})
    negative = next((n for n, value in made.items() if n not in before and value < 0), None)
    result = "other elements than these" if negative is None else f"{negative} negative"
    return f"the other, {_text(name, other)}, makes {result}"


def _text(name: str, value: float) -> str:
    """A root with its unit: time constants are the only ones that have one."""
    return format_quantity(value, "s") if name.startswith("T") else f"{value:.4g}"


def _definitions(formulas: FormFormulas, *, loaded: bool) -> tuple[Formula, ...]:
    """The set of definitions that the numbers belong to."""
    return (loaded and formulas.loaded_definitions) or formulas.definitions


def _is_equation(formula: Formula) -> bool:
    import sympy

    return isinstance(formula.expression, sympy.Eq)


def _from_elements(elements: Iterable[Formula], known: Numbers, exact: Numbers) -> Numbers:
    """Quantities that an element is linear in or inverse to, each from that element's value."""
    import sympy

    numbers: Numbers = {}
    for element in elements:
        unknown = [x for x in element.expression.free_symbols if x.name not in known | exact]
        if len(unknown) != 1 or unknown[0].name in numbers:
            continue
        given = {x: known[x.name] for x in element.expression.free_symbols if x.name in known}
        solved = sympy.solve(element.expression.subs(given) - exact[element.name], unknown[0])
        if solved and solved[0].is_real:
            numbers[unknown[0].name] = float(solved[0])
    return numbers


def _gives(worked: Numbers, exact: Numbers) -> bool:
    return worked.keys() >= exact.keys() and all(
        math.isclose(worked[ref], value, rel_tol=_AGREES) for ref, value in exact.items()
    )


def _holds(formula: Formula, numbers: Numbers) -> bool:
    """Whether a definition is true of the numbers, with either sign of a square root."""
    if _is_equation(formula):
        sides = [_numbers(side, numbers) for side in formula.expression.args]
        return all(sides) and math.isclose(sides[0][0], sides[1][0], rel_tol=_AGREES)
    return any(
        math.isclose(value, numbers[formula.name], rel_tol=_AGREES, abs_tol=1e-30)
        for value in _numbers(formula.expression, numbers)
    )


def _given(formulas: FormFormulas, network: Network, loading: Loading) -> Numbers:
    """Source, load, time constants, the elements chosen freely, and the level constant."""
    known = {
        "Rs": loading.source_resistance,
        "RL": loading.load_resistance,
        "CL": loading.load_capacitance,
    }
    times = {t.name: float(t.expression) for t in formulas.time_constants}
    exact = dict(zip(network.topology.refs, network.values.tolist(), strict=True))
    chosen = {f.name: exact[f.name] for f in formulas.elements if str(f.expression) == f.name}
    s = 2j * math.pi * _NEAR_DC_HZ
    transfer = transfer_coefficients(
        network.topology,
        network.values,
        source_resistance=loading.source_resistance,
        load_resistance=loading.load_resistance,
        load_capacitance=loading.load_capacitance,
    )
    gain = abs(complex(transfer.response(np.array([_NEAR_DC_HZ]))[0]))
    limit = next((f.expression for f in formulas.level if f.name == "g0"), None)
    power = _power_at_origin(limit)
    return known | times | chosen | {"g0": gain / abs(s) ** power}


def _power_at_origin(limit: Any) -> int:
    """Power of s that H(s) goes with towards DC, from the definition of g0."""
    import sympy

    if not isinstance(limit, sympy.Limit):
        return 0
    inner, variable = limit.args[0], limit.args[1]
    ratio = inner.subs(sympy.Function("H")(variable), 1).subs(variable, 2)
    # g0 is the limit of H(s) s^k: H goes with s^-k.
    return -int(sympy.log(ratio, 2).evalf())


def _numbers(expression: Any, known: Mapping[str, float]) -> list[float]:
    """Values of an expression, with a square root as written and reversed.

    None where a symbol is not known or it is no real number.
    """
    import sympy

    names = {x.name: x for x in getattr(expression, "free_symbols", ())}
    if not names.keys() <= known.keys() or not hasattr(expression, "subs"):
        return []
    roots = [p for p in expression.atoms(sympy.Pow) if p.exp == sympy.Rational(1, 2)]
    forms = [expression]
    # One square root in an expression is that of a quadratic; several are magnitudes.
    if len(roots) == 1:
        forms.append(expression.xreplace({roots[0]: -roots[0]}))
    given = {x: known[name] for name, x in names.items()}
    values = [form.subs(given).evalf() for form in forms]
    return [float(value) for value in values if value.is_real]


def _solutions(pending: list[Formula], known: Numbers) -> Iterator[Numbers]:
    """Every way to work the definitions out."""
    for index, formula in enumerate(pending):
        others = pending[:index] + pending[index + 1 :]
        if _is_equation(formula):
            unknown = {x.name for x in formula.expression.free_symbols} - known.keys()
            if unknown == {formula.name}:
                for root in _roots(formula, known):
                    yield from _solutions(others, known | {formula.name: root})
                return
        elif values := _numbers(formula.expression, known):
            for value in values:
                yield from _solutions(others, known | {formula.name: value})
            return
    if not pending:
        yield known
    else:
        yield from _together(pending, known)


def _roots(formula: Formula, known: Mapping[str, float]) -> list[float]:
    """Real roots above 0 of an equation in one time constant, the longest first."""
    import sympy

    own = next(x for x in formula.expression.free_symbols if x.name == formula.name)
    others = {x: known[x.name] for x in formula.expression.free_symbols if x != own}
    top = sympy.fraction(sympy.together(formula.expression.lhs - formula.expression.rhs))[0]
    # In microseconds, so that the coefficients are of like size.
    scaled = sympy.Poly(top.subs(others).subs(own, own * 1e-6), own)
    roots = np.roots(np.array([float(c) for c in scaled.all_coeffs()]))
    real = roots[np.abs(roots.imag) < 1e-9 * np.abs(roots)].real * 1e-6
    return sorted((float(r) for r in real if r > 0), reverse=True)


def _together(pending: list[Formula], known: Numbers) -> Iterator[Numbers]:
    """Solutions of equations that hold together, from starts spread over the time constants."""
    import sympy
    from scipy.optimize import root

    equations = [f for f in pending if _is_equation(f)]
    names = [f.name for f in equations]
    coupled = [f for f in pending if f not in equations and _leads_to(f, equations)]
    names += [f.name for f in coupled]
    sides = [f.expression.lhs / f.expression.rhs - 1 for f in equations]
    sides += [f.expression / sympy.Symbol(f.name, positive=True) - 1 for f in coupled]
    symbols = {x.name: x for side in sides for x in side.free_symbols}
    given = {x: known[n] for n, x in symbols.items() if n in known}
    if not names or not symbols.keys() <= known.keys() | set(names):
        return
    solve = sympy.lambdify(
        [[symbols.get(n, sympy.Symbol(n)) for n in names]], [side.subs(given) for side in sides]
    )
    generator = np.random.default_rng(_SEED)
    for _ in range(_STARTS):
        # From a nanosecond to a tenth of a second: poles of loads to zeros of curves.
        start = generator.uniform(math.log(1e-9), math.log(0.1), len(names))
        with np.errstate(all="ignore"):
            answer = root(lambda x: np.array(solve(np.exp(x)), dtype=float), start, tol=1e-13)
        if answer.success:
            numbers = known | dict(zip(names, np.exp(answer.x).tolist(), strict=True))
            others = [f for f in pending if f.name not in numbers]
            yield from _solutions(others, numbers)


def _leads_to(formula: Formula, equations: list[Formula]) -> bool:
    """Whether an equation asks for a quantity."""
    return any(x.name == formula.name for e in equations for x in e.expression.free_symbols)


def _evaluated(rows: Iterable[Formula], known: Numbers) -> Numbers:
    """What is known with the rows that follow from it, one after the other."""
    worked = dict(known)
    for formula in rows:
        values = [] if _is_equation(formula) else _numbers(formula.expression, worked)
        if values and formula.name not in known:
            worked[formula.name] = values[0]
    return worked
