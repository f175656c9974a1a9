"""The formulas of a form: H(s), impedances, and each element, derived and proved when asked for.

Three identities make the proof, each between rational functions in all symbols and s: the
network's H(s) from its spanning trees is Zp/(Rs + Z + Zp) of its arms; the elements of the
series arm make its partial fractions; and the partial fractions make the curve.

Values and formulas come from the same expressions: the expansion of the arm
(`antecurve.synthesis.arms`) and the element formulas of the section run on numbers for the one
and on rational functions of symbols for the other.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from antecurve.algebra.zero_pole_gain import ZeroPoleGain
from antecurve.checked import checked
from antecurve.curves.model import Curve
from antecurve.errors import UnattainableError
from antecurve.networks.symbolic import solve
from antecurve.networks.topology import Loading, Topology
from antecurve.synthesis.formula_model import FormFormulas, Formula
from antecurve.synthesis.nearest_feasible import OTHER_FORMS, feasible
from antecurve.synthesis.remedy import UNBOUNDED_REMEDY
from antecurve.synthesis.sections import ExactNetwork, named_form, realise
from antecurve.synthesis.sections.section import Form, Requirements
from antecurve.synthesis.symbolic_curve import SymbolicCurve, level_formulas, symbolic_curve
from antecurve.synthesis.violation import Violation

__all__ = ["form_formulas"]

_LOADING = Loading(50.0, 47e3, 0.0)
"""Source and load of the example that shows which elements there are: those of the default job."""
_SHUNT = 500.0
"""Resistor across its output [ohm]: far above the source, far below the load."""
_GAINS = (1e-2, 1e-3, 1e-4, 1e-1)
"""Gains at which the example is tried, the usual ones first."""


@checked
def form_formulas(form: str, curve: Curve | None = None) -> FormFormulas:
    """Derive the formulas of a form, each proved by substituting back symbolically.

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
    >>> formulas = form_formulas("foster-1")
    >>> [f"{f.name} = {f.expression}" for f in formulas.elements[:2]]
    ['R1 = r1', 'C1 = T1/r1']
    >>> print(formulas.definitions[1].name, "=", formulas.definitions[1].expression)
    r1 = Rp*(T1 - T2)*(T1 - T4)/(T1*g0*(T1 - T3))
    """
    chosen = named_form(form)
    return _derived(chosen, symbolic_curve(chosen.section.default_curve, curve))


@lru_cache(maxsize=64)
def _derived(form: Form, names: SymbolicCurve) -> FormFormulas:
    requirements, topology = _example(form, names.curve)
    solution = solve(topology)
    parts = form.section.formulas(form.arm, names, requirements, topology)
    loaded = bool(parts.loaded_definitions)
    return FormFormulas(
        form=form.name,
        description=form.description,
        topology=topology,
        arms=parts.arms,
        transfer=_ratio(solution.transfer_numerator, solution.transfer_denominator),
        input_impedance=_ratio(solution.input_numerator, solution.input_denominator),
        output_impedance=_ratio(solution.output_numerator, solution.output_denominator),
        definitions=parts.definitions,
        loaded_definitions=parts.loaded_definitions,
        elements=parts.elements,
        time_constants=_time_constants(names),
        level=level_formulas(names, loaded=loaded),
        conditions=parts.conditions,
        loaded_conditions=parts.loaded_conditions,
        conditions_for="CL = 0" if loaded else "any CL",
        about_load=(
            "CL = 0 in the first definitions; the second take CL, exact but for the pole T_load"
            if loaded
            else "exact for any CL up to the whole capacitance across the output"
        ),
    )


def _time_constants(names: SymbolicCurve) -> tuple[Formula, ...]:
    """The curve's time constants by name, with numbers where a curve was given."""
    return tuple(
        Formula(
            name,
            value if names.given else None,
            f"{'zero' if name in names.zeros else 'pole'} of the curve [s]",
        )
        for name, value in names.time_constants.items()
    )


def _requirements(curve: ZeroPoleGain[float]) -> list[Requirements]:
    return [Requirements(curve, _LOADING, gain, _SHUNT) for gain in _GAINS]


def _example(form: Form, curve: ZeroPoleGain[float]) -> tuple[Requirements, Topology]:
    """Numbers for which the form makes the curve, and the elements that it has then."""
    reason: Violation | None = None
    for requirements in _requirements(curve):
        result = realise(form, requirements)
        if isinstance(result, ExactNetwork):
            return requirements, result.network.topology
        reason = reason or result
    assert reason is not None
    action = "choose another form or another curve"
    if curve.poles_at_origin:
        action = UNBOUNDED_REMEDY
    else:
        others = (named_form(name) for name in OTHER_FORMS if name != form.name)
        made = (f for f in others if any(feasible(f, r) for r in _requirements(curve)))
        other = next(made, None)
        action = action if other is None else f"the form {other.name} makes it"
    raise UnattainableError(form.name, reason.condition, action)


def _ratio(numerator: tuple[Any, ...], denominator: tuple[Any, ...]) -> Any:
    import sympy

    s = sympy.Symbol("s")
    top, bottom = (
        sympy.Add(*(sympy.factor_terms(c) * s**k for k, c in enumerate(p)))
        for p in (numerator, denominator)
    )
    return top / bottom
