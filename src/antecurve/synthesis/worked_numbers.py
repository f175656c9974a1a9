"""Numbers beside the symbols of a form's formulas, for a network with exact values.

The definitions are worked through in their order.  Where one is a root of an equation, every real
root above 0 is followed, and the one is taken that gives the network's own elements: so the
numbers prove themselves.  Where equations hold all together, as in a cascade into a capacitance,
what the elements are made from is taken from them, and every definition is then checked.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from typing import Any

import numpy as np

from antecurve.checked import checked
from antecurve.networks.compiled import transfer_coefficients
from antecurve.networks.topology import Loading, Network
from antecurve.quantities import format_time_constant
from antecurve.synthesis.numeric_formulas import NumericFormula, NumericFormulas

__all__ = ["roots_used", "worked_numbers"]

_NEAR_DC_HZ = 1e-6  # of the slowest corner a millionth: there H(s) is g0 s^n
_AGREES = 1e-6  # relative; exact values are solved to 1e-9, roots to 1e-12
_SAME_ROOT = 1e-3  # relative; two roots of an equation are farther apart, rounding is far closer
_STARTS = 200  # for equations that hold together; a few find the roots
_SEED = 1  # any: the roots do not depend on the starts

Numbers = dict[str, float]


@checked
def worked_numbers(formulas: NumericFormulas, network: Network, loading: Loading) -> Numbers:
    """Work the formulas of a form out for a network.

    Parameters
    ----------
    formulas : NumericFormulas
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
    if network.topology.refs != formulas.refs:
        return {}
    definitions = formulas.definitions(loaded=loading.load_capacitance > 0)
    known = _given(formulas, network, loading)
    exact = dict(zip(network.topology.refs, network.values.tolist(), strict=True))
    for start in (known, known | _from_elements(formulas.elements, known, exact)):
        pending = [f for f in definitions if f.name not in start]
        for numbers in _solutions(pending, start):
            worked = _evaluated(formulas.elements, numbers)
            if _gives(worked, exact) and all(_holds(f, worked) for f in definitions):
                return _evaluated(formulas.level, worked)
    return {}


def roots_used(formulas: NumericFormulas, numbers: Numbers) -> dict[str, str]:
    """Say which root of each equation the worked numbers are, and why.

    Parameters
    ----------
    formulas : NumericFormulas
        The formulas of a form.
    numbers : dict of str to float
        Their worked numbers.

    Returns
    -------
    dict of str to str
        A remark for the name of each root; empty without numbers.
    """
    definitions = formulas.definitions(loaded="T_load" in numbers)
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
        elif formula.is_equation:
            remarks[formula.name] = "the only root above 0"
    return remarks


def _candidates(formula: NumericFormula, numbers: Numbers) -> list[float]:
    """Every root of a definition, by the other numbers."""
    if not formula.is_equation:
        return formula.numbers(numbers)
    # A remark needs a root in one quantity; equations in several hold together.
    return formula.roots(formula.name, numbers) if formula.name in formula.names else []


def _other_root(
    name: str, other: float, twins: Numbers, after: Iterable[NumericFormula], before: Numbers
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
    return format_time_constant(value) if name.startswith("T") else f"{value:.4g}"


def _from_elements(elements: Iterable[NumericFormula], known: Numbers, exact: Numbers) -> Numbers:
    """Quantities that elements are made from, each from the value of its element."""
    numbers: Numbers = {}
    for element in elements:
        unknown = element.names - known.keys() - exact.keys()
        if len(unknown) != 1 or unknown & numbers.keys():
            continue
        (name,) = unknown
        solved = element.roots(name, known | exact)
        if len(solved) == 1:
            numbers[name] = solved[0]
    return numbers


def _gives(worked: Numbers, exact: Numbers) -> bool:
    return worked.keys() >= exact.keys() and all(
        math.isclose(worked[ref], value, rel_tol=_AGREES) for ref, value in exact.items()
    )


def _holds(formula: NumericFormula, numbers: Numbers) -> bool:
    """Whether a definition is true of the numbers, with either sign of a square root."""
    if formula.is_equation:
        first, second = formula.values(numbers)
        return bool(first and second) and math.isclose(first[0], second[0], rel_tol=_AGREES)
    return any(
        math.isclose(value, numbers[formula.name], rel_tol=_AGREES, abs_tol=1e-30)
        for value in formula.numbers(numbers)
    )


def _given(formulas: NumericFormulas, network: Network, loading: Loading) -> Numbers:
    """Source, load, time constants, the elements chosen freely, and the level constant."""
    known = {
        "Rs": loading.source_resistance,
        "RL": loading.load_resistance,
        "CL": loading.load_capacitance,
    }
    exact = dict(zip(network.topology.refs, network.values.tolist(), strict=True))
    chosen = {f.name: exact[f.name] for f in formulas.elements if f.text == f.name}
    transfer = transfer_coefficients(
        network.topology,
        network.values,
        source_resistance=loading.source_resistance,
        load_resistance=loading.load_resistance,
        load_capacitance=loading.load_capacitance,
    )
    gain, doubled = np.abs(transfer.response([_NEAR_DC_HZ, 2.0 * _NEAR_DC_HZ]))
    power = round(math.log2(doubled / gain))
    level = float(gain) / (2.0 * math.pi * _NEAR_DC_HZ) ** power
    return {**known, **formulas.time_constants, **chosen, "g0": level}


def _solutions(pending: list[NumericFormula], known: Numbers) -> Iterator[Numbers]:
    """Every way to work the definitions out."""
    for index, formula in enumerate(pending):
        values = formula.numbers(known)
        if formula.is_equation and formula.names - known.keys() == {formula.name}:
            values = formula.roots(formula.name, known)
        elif not values:
            continue
        others = pending[:index] + pending[index + 1 :]
        for value in values:
            yield from _solutions(others, known | {formula.name: value})
        return
    if not pending:
        yield known
    else:
        yield from _together(pending, known)


def _together(pending: list[NumericFormula], known: Numbers) -> Iterator[Numbers]:
    """Solutions of equations that hold together, from starts spread over the time constants."""
    from scipy.optimize import root

    equations = [f for f in pending if f.is_equation]
    coupled = [f for f in pending if not f.is_equation and _leads_to(f, equations)]
    names = [f.name for f in (*equations, *coupled)]
    used = frozenset[str]().union(*(f.names for f in (*equations, *coupled)))
    if not names or not used <= known.keys() | set(names):
        return

    def misfits(logarithms: Any) -> Any:
        numbers = known | dict(zip(names, np.exp(logarithms).tolist(), strict=True))
        sides = [f.values(numbers) for f in equations]
        sides += [[f.numbers(numbers), [numbers[f.name]]] for f in coupled]
        return [a[0] / b[0] - 1.0 if a and b and b[0] else math.nan for a, b in sides]

    generator = np.random.default_rng(_SEED)
    for _ in range(_STARTS):
        # From a nanosecond to a tenth of a second: poles of loads to zeros of curves.
        start = generator.uniform(math.log(1e-9), math.log(0.1), len(names))
        with np.errstate(all="ignore"):
            answer = root(misfits, start, tol=1e-13)
        if answer.success:
            numbers = known | dict(zip(names, np.exp(answer.x).tolist(), strict=True))
            others = [f for f in pending if f.name not in numbers]
            yield from _solutions(others, numbers)


def _leads_to(formula: NumericFormula, equations: list[NumericFormula]) -> bool:
    """Whether an equation asks for a quantity."""
    return any(formula.name in e.names for e in equations)


def _evaluated(rows: Iterable[NumericFormula], known: Numbers) -> Numbers:
    """What is known with the rows that follow from it, one after the other."""
    worked = dict(known)
    for formula in rows:
        values = formula.numbers(worked)
        if values and formula.name not in known:
            worked[formula.name] = values[0]
    return worked
