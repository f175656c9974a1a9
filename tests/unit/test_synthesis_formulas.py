"""Formulas: put numbers in and compare with the exact networks; rendering; the proof can fail."""

from __future__ import annotations

import json
import math
import xml.etree.ElementTree as ElementTree
from typing import Any

import pytest
import sympy

from antecurve.curves.catalogue import named_curve
from antecurve.curves.construct import curve_from_turnover, with_limits
from antecurve.curves.model import Curve
from antecurve.errors import InputError, UnattainableError
from antecurve.networks.compiled import input_impedance, output_impedance, transfer
from antecurve.networks.topology import Loading
from antecurve.synthesis.arms.arm import Arm
from antecurve.synthesis.arms.foster_1 import FOSTER_1
from antecurve.synthesis.exact import ExactNetwork, exact_network, form_names
from antecurve.synthesis.formula_model import FormFormulas
from antecurve.synthesis.formula_text import (
    formulas_latex,
    formulas_mathml,
    plain_formula,
)
from antecurve.synthesis.formulas import form_formulas
from antecurve.synthesis.symbolic_proof import arm_proof
from antecurve.synthesis.tree import capacitor, parallel, resistor, series

DISC = with_limits(named_curve("disc"), ultrasonic_poles_hz=[50e3])
SHELFLESS = with_limits(curve_from_turnover(turnover_hz=500, cut_db=12), ultrasonic_poles_hz=[50e3])
THIRD = Curve("own", (3e-3, 3e-4, 3e-5), (1e-3, 1e-4, 3e-6))
AMENDED = with_limits(named_curve("disc-amended"), ultrasonic_poles_hz=[50e3], low_end_bound_hz=2)
TWO_POLES = with_limits(named_curve("disc"), ultrasonic_poles_hz=[50e3, 300e3])
# Shunt arms that make two and three zeros: Q holds as many roots of D = g N, and one for CL.
TWO_RISES = Curve("own", (1e-1, 1e-3), (1.0, 1e-2))
THREE_RISES = Curve("own", (3e-1, 3e-4, 3e-6), (1.0, 3e-3, 1e-5))
EVERY = {
    "disc": (DISC, [n for n in form_names() if not n.startswith("output-")]),
    "disc without pole": (
        named_curve("disc"),
        ["foster-1", "foster-2", "cauer-1", "cauer-2", "rc-shunt-cauer-1", "cascade-short-first"],
    ),
    "no shelf": (SHELFLESS, ["foster-1", "foster-2", "cauer-1", "cauer-2-whole", "foster-2-whole"]),
    "third order": (THIRD, ["cauer-1", "cauer-2-whole", "cauer-2-inside"]),
    "one pair": (named_curve("cd-emphasis"), ["foster-1", "foster-2", "cauer-1", "cauer-2"]),
    "amended": (AMENDED, ["rc-shunt-foster-1", "rc-shunt-foster-2"]),
    "two poles": (TWO_POLES, ["output-capacitor-cauer-2", "rc-shunt-cauer-1"]),
    "amended without pole": (
        with_limits(named_curve("disc-amended"), low_end_bound_hz=2),
        ["rc-shunt-foster-1", "rc-shunt-cauer-2"],
    ),
    "no shelf, no pole": (
        curve_from_turnover(turnover_hz=500, cut_db=12),
        ["foster-1", "cauer-2", "cascade-long-first"],
    ),
    "two rises": (TWO_RISES, ["rc-shunt-foster-1", "rc-shunt-foster-2"]),
    "two rises without pole": (
        Curve("own", TWO_RISES.zeros_s, TWO_RISES.poles_s[:-1]),
        ["rc-shunt-foster-1"],
    ),
    "three rises": (THREE_RISES, ["rc-shunt-foster-1"]),
}
GAINS = {"three rises": 1e-2}
CASES = [(curve, form) for curve, (_, forms) in EVERY.items() for form in forms]


def _numbers(expression: Any, known: dict[str, float]) -> complex:
    numbers = {x: known[x.name] for x in expression.free_symbols}
    return complex(expression.evalf(20, subs=numbers))


def _worst(formulas: FormFormulas, exact: ExactNetwork, loading: Loading) -> float:
    """Largest relative difference between formulas and exact values, over roots of equations."""
    values = dict(zip(exact.network.topology.refs, exact.network.values.tolist(), strict=True))
    known = {
        "Rs": loading.source_resistance,
        "RL": loading.load_resistance,
        "CL": loading.load_capacitance,
        "g0": exact.gain_constant,
    }
    known |= {f.name: f.expression for f in formulas.time_constants}
    known["w1"] = 2e3 * math.pi
    known |= {f.name: values[f.name] for f in formulas.elements if str(f.expression) == f.name}
    loaded = loading.load_capacitance and formulas.loaded_definitions
    equations = {
        f.name: f.expression
        for f in formulas.loaded_definitions
        if isinstance(f.expression, sympy.Eq) and not f.name.startswith(("Tq", "Tc"))
    }
    poles = (*exact.implied_poles_s, exact.load_pole_s or 0.0)
    beyond = ("T_load",) if len(poles) == 1 else (_implied_name(formulas), "T_load")
    if (loaded and equations) or any("together" in f.remark for f in formulas.definitions):
        # Solved together: the exact network's poles have to satisfy the equations.
        known |= dict(zip(beyond, poles, strict=True))
    tried = [known]
    for formula in formulas.loaded_definitions if loaded else formulas.definitions:
        following = []
        for known in tried:
            if loaded and formula.name in equations:
                roots = [known[formula.name]]
            elif isinstance(formula.expression, sympy.Eq):
                roots = _roots(formula.expression, formula.name, known)
            else:
                roots = [_numbers(formula.expression, known).real]
            following += [known | {formula.name: root} for root in roots]
        tried = following

    def difference(known: dict[str, float]) -> float:
        return max(
            abs(_numbers(f.expression, known) / values[f.name] - 1) for f in formulas.elements
        )

    best = min(tried, key=difference)
    for equation in equations.values() if loaded else ():
        sides = [_numbers(side, best).real for side in (equation.lhs, equation.rhs)]
        # The pole is found to a few units in the last place; 1/H is small differences of it.
        assert sides[0] == pytest.approx(sides[1], rel=1e-9)
    # The level at 1 kHz that was asked for, from g0 and the time constants.
    level = next(f.expression for f in formulas.level if f.name == "H1")
    asked = exact.gain * math.hypot(1.0, best["w1"] * (exact.load_pole_s or 0.0))
    assert abs(_numbers(level, best)) == pytest.approx(asked, rel=1e-12)
    return difference(best)


def _implied_name(formulas: FormFormulas) -> str:
    """The pole that the curve lacks is the next time constant."""
    at_origin = any(isinstance(f.expression, sympy.Limit) for f in formulas.level)
    return f"T{len(formulas.time_constants) + at_origin + 1}"


def _roots(equation: Any, name: str, known: dict[str, float]) -> list[float]:
    unknown = next(x for x in equation.free_symbols if x.name == name)
    others = {x: known[x.name] for x in equation.free_symbols if x != unknown}
    y = sympy.Symbol("y")
    difference = (equation.lhs - equation.rhs).subs(others).subs(unknown, y)
    numerator = sympy.numer(sympy.together(difference))
    roots = [complex(r) for r in sympy.Poly(numerator, y).nroots(n=25, maxsteps=200)]
    return [r.real for r in roots if abs(r.imag) < 1e-9 * abs(r) and r.real > 0]


@pytest.mark.sweep(8)
@pytest.mark.parametrize(("curve", "form"), CASES)
def test_numbers_put_into_the_formulas_are_the_exact_values(curve: str, form: str) -> None:
    formulas = form_formulas(form, EVERY[curve][0])
    assert formulas.loaded_definitions or form.startswith("output-") or curve == "two poles"
    for capacitance in (0.0, 150e-12):
        loading = Loading(50.0, 47e3, capacitance)
        exact = exact_network(
            form,
            EVERY[curve][0],
            loading=loading,
            gain=GAINS.get(curve, 1e-3),
            shunt_resistance=500.0,
        )
        # A difference of large numbers in the formulas loses a few digits of a double.
        assert _worst(formulas, exact, loading) < 1e-9


def test_a_shunt_arm_may_need_any_number_of_roots() -> None:
    formulas = form_formulas("rc-shunt-foster-1", THREE_RISES)
    roots = [f.name for f in formulas.definitions if isinstance(f.expression, sympy.Eq)]
    assert roots == ["Tq1", "Tq2", "Tq3"]
    assert formulas.conditions[0] == "Tq1 > Tz1 > Tq2 > Tz2 > Tq3 > Tz3"
    loaded = [f.name for f in formulas.loaded_definitions if isinstance(f.expression, sympy.Eq)]
    assert loaded == ["Tq1", "Tq2", "Tq3", "Tc", "T_load"]


@pytest.mark.parametrize("form", ["foster-2", "rc-shunt-cauer-2", "cascade-short-first"])
def test_response_and_impedances_are_those_of_the_compiled_network(form: str) -> None:
    curve = AMENDED if form.startswith("rc") else DISC
    formulas = form_formulas(form, curve)
    loading = Loading(50.0, 47e3, 150e-12)
    network = exact_network(
        form, curve, loading=loading, gain=0.005, shunt_resistance=500.0
    ).network
    known: dict[str, Any] = dict(zip(network.topology.refs, network.values.tolist(), strict=True))
    known |= {"Rs": 50.0, "RL": 47e3, "CL": 150e-12, "s": 2j * sympy.pi * 5000}
    for expression, function in (
        (formulas.transfer, transfer),
        (formulas.input_impedance, input_impedance),
        (formulas.output_impedance, output_impedance),
    ):
        other = function(network, [5000.0], loading=loading)[0]
        assert _numbers(expression, known) == pytest.approx(other, rel=1e-12)
    for arm in formulas.arms:
        known[arm.name] = _numbers(arm.expression, known)
    assert known["H"] == pytest.approx(transfer(network, [5000.0], loading=loading)[0], rel=1e-12)


def test_formulas_read_as_in_the_textbook() -> None:
    formulas = form_formulas("foster-1")
    by_name = {f.name: str(f.expression) for f in (*formulas.definitions, *formulas.elements)}
    assert by_name["r1"] == "Rp*(T1 - T2)*(T1 - T4)/(T1*g0*(T1 - T3))"
    assert by_name["R_inf"] == "Rp*(-1 + T2*T4/(T1*T3*g0)) - Rs"
    assert (by_name["R1"], by_name["C1"], by_name["R3"]) == ("r1", "T1/r1", "R_inf")
    assert formulas.conditions == (
        "T1 > T2 > T3 > T4",
        "R_inf >= 0: g0 T1 T3/(T2 T4) <= Rp/(Rp + Rs)",
    )
    assert formulas.about_load.startswith("CL = 0")


@pytest.mark.sweep(1)
@pytest.mark.parametrize("form", ["cauer-1", "rc-shunt-foster-2", "cascade-long-first"])
def test_rendering(form: str) -> None:
    formulas = form_formulas(form)
    content = json.loads(json.dumps(formulas.to_dict()))
    assert [e["name"] for e in content["elements"]] == list(formulas.topology.refs)
    for row in content["definitions"] + content["elements"]:
        assert row["expression"] and row["latex"]
    latex = formulas_latex(formulas)
    equations = formulas_mathml(formulas)
    assert latex.count(r"\[") == latex.count(r"\]") == sum(len(v) for v in equations.values())
    for rows in equations.values():
        for row in rows:
            root = ElementTree.fromstring(row)
            assert root.tag.endswith("math")
            assert len(list(root.iter())) > 3


@pytest.mark.parametrize("form", form_names())
def test_a_zero_that_is_also_a_pole_counts_for_nothing(form: str) -> None:
    pole, bare = 3.18e-6, Curve("own", (75e-6,), (3.18e-6,))
    for both in (
        Curve("own", (318e-6, 75e-6), (318e-6, pole)),
        Curve("own", (75e-6, pole), (pole, pole)),
    ):
        try:
            expected: object = [str(f.expression) for f in form_formulas(form, bare).elements]
        except UnattainableError as refusal:
            expected = str(refusal)
        try:
            outcome: object = [str(f.expression) for f in form_formulas(form, both).elements]
        except UnattainableError as refusal:
            outcome = str(refusal)
        assert outcome == expected
    with pytest.raises(UnattainableError):
        form_formulas(form, Curve("own", (pole,), (pole,)))


def test_the_level_constant_is_defined_in_every_rendering() -> None:
    formulas = form_formulas("foster-1", SHELFLESS)
    assert plain_formula(formulas.level[0]) == "g0 = limit of H(s)/s as s → 0"
    row = formulas.to_dict()["level"][0]
    assert row["expression"] == "Limit(H(s)/s, s, 0, dir='+-')"
    assert row["latex"].startswith(r"g_{0} = \lim_{s \to 0}")
    equations = formulas_mathml(formulas)
    assert "<mi>H</mi>" in equations["Level"][0]
    assert "<msub><mi>Z</mi><mi>in</mi></msub>" in equations["Response and impedances"][1]


def test_refusals() -> None:
    with pytest.raises(UnattainableError, match=r"low_end_bound, such as 2 Hz"):
        form_formulas("foster-1", named_curve("disc-amended"))
    with pytest.raises(InputError, match=r"network\.forms"):
        form_formulas("pi")
    with pytest.raises(UnattainableError, match="must alternate"):
        form_formulas("foster-1", AMENDED)


def test_the_proof_fails_for_a_wrong_rule() -> None:
    def wrong(impedance: Any) -> Any:
        parts = [parallel(resistor(r), capacitor(t * r)) for r, t in impedance.branches]
        return series(*parts, resistor(impedance.resistance_at_infinity))

    arm_proof(FOSTER_1, ("T1", "T3"), infinity=True, at_origin=False)
    broken = Arm("wrong", "a capacitor with the wrong value", wrong)
    with pytest.raises(ArithmeticError, match="substituting back fails"):
        arm_proof(broken, ("T1", "T3"), infinity=True, at_origin=False)


def test_of_equal_zeros_the_shunt_arm_takes_as_many_as_it_has_branches() -> None:
    curve = Curve("own", (75e-6, 75e-6), (1e-6,))
    exact = exact_network(
        "rc-shunt-foster-1",
        curve,
        loading=Loading(50.0, 47e3, 0.0),
        gain=0.01,
        shunt_resistance=500,
    )
    formulas = form_formulas("rc-shunt-foster-1", curve)
    assert [f.name for f in formulas.elements] == list(exact.network.topology.refs)
    # One time constant in each arm: R1 C1 and R2 C2 are both 75 us.
    value = exact.network.value
    assert value("R1") * value("C1") == pytest.approx(75e-6, rel=1e-9)
    assert value("R2") * value("C2") == pytest.approx(75e-6, rel=1e-9)
