"""Numbers beside the symbols of a form's formulas, for a network with exact values.

The definitions are worked through in their order.  Where one is a root of an equation, every real
root above 0 is followed, and the one is taken that gives the network's own elements: so the
numbers prove themselves.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

import numpy as np

from antecurve.checked import checked
from antecurve.networks.compiled import transfer_coefficients
from antecurve.networks.topology import Loading, Network
from antecurve.synthesis.formula_model import FormFormulas, Formula

__all__ = ["worked_numbers"]

_NEAR_DC_HZ = 1e-6  # of the slowest corner a millionth: there H(s) is g0 s^n
_AGREES = 1e-6  # relative; exact values are solved to 1e-9, roots to 1e-12
_STARTS = 200  # for equations that hold together; a few find the roots
_SEED = 1

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
        A number for each name, in SI units; empty where the formulas don't give this network: its
        values only come close to the curve, or it is a cascade into a capacitance, whose
        equations hold all together.
    """
    if network.topology.refs != formulas.topology.refs:
        return {}
    definitions = formulas.definitions
    if loading.load_capacitance > 0 and formulas.loaded_definitions:
        definitions = formulas.loaded_definitions
    known = _given(formulas, network, loading)
    exact = dict(zip(network.topology.refs, network.values.tolist(), strict=True))
    for numbers in _solutions(list(definitions), known):
        worked = _evaluated(formulas.elements, numbers)
        if worked.keys() >= exact.keys() and all(
            math.isclose(worked[ref], value, rel_tol=_AGREES) for ref, value in exact.items()
        ):
            return _evaluated(formulas.level, worked)
    return {}


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


def _number(expression: Any, known: Mapping[str, float]) -> float | None:
    """An expression's value, or nothing where a symbol is not known or it is no real number."""
    names = {x.name: x for x in getattr(expression, "free_symbols", ())}
    if not names.keys() <= known.keys() or not hasattr(expression, "subs"):
        return None
    value = expression.subs({x: known[name] for name, x in names.items()}).evalf()
    return float(value) if value.is_real else None


def _solutions(pending: list[Formula], known: Numbers) -> Iterator[Numbers]:
    """Every way to work the definitions out."""
    import sympy

    for place, formula in enumerate(pending):
        others = pending[:place] + pending[place + 1 :]
        if isinstance(formula.expression, sympy.Eq):
            unknown = {x.name for x in formula.expression.free_symbols} - known.keys()
            if unknown == {formula.name}:
                for root in _roots(formula, known):
                    yield from _solutions(others, known | {formula.name: root})
                return
        elif (value := _number(formula.expression, known)) is not None:
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

    equations = [f for f in pending if isinstance(f.expression, sympy.Eq)]
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
        value = _number(formula.expression, worked)
        if value is not None and formula.name not in known:
            worked[formula.name] = value
    return worked
