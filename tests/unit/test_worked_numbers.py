"""Numbers beside the symbols: they give the exact values, which are solved without formulas."""

from __future__ import annotations

import re
import unicodedata
from typing import Any

import numpy as np
import pytest
from nodal import solve_cards

from antecurve.curves.catalogue import named_curve
from antecurve.curves.construct import with_limits
from antecurve.curves.model import Curve, zero_pole_gain
from antecurve.networks.topology import Loading
from antecurve.quantities import format_quantity
from antecurve.report.formula_rows import formula_numbers, formula_rows, given_numbers
from antecurve.synthesis.formula_code import formulas_python
from antecurve.synthesis.formula_text import formulas_latex, numeric_formulas
from antecurve.synthesis.formulas import form_formulas
from antecurve.synthesis.sections import ExactNetwork, named_form, realise
from antecurve.synthesis.sections.section import Requirements
from antecurve.synthesis.worked_numbers import roots_used, worked_numbers

_RATIOS = "Response and impedances"
DISC = with_limits(named_curve("disc"), ultrasonic_poles_hz=[50e3])
NO_SHELF = with_limits(named_curve("disc-nab-1949"), ultrasonic_poles_hz=[50e3])


def _exact(form: str, curve: object, loading: Loading, gain: float) -> ExactNetwork:
    result = realise(
        named_form(form),
        Requirements(zero_pole_gain(curve), loading, gain, 500.0),  # type: ignore[arg-type]
    )
    assert isinstance(result, ExactNetwork)
    return result


@pytest.mark.sweep(4)
@pytest.mark.parametrize("capacitance", [0.0, 150e-12])
@pytest.mark.parametrize(
    "form", ["foster-1", "foster-2", "cauer-1", "rc-shunt-foster-1", "foster-1-inside-long"]
)
@pytest.mark.parametrize("curve", [DISC, NO_SHELF], ids=["disc", "no shelf"])
def test_numbers_are_those_of_the_network(curve: object, form: str, capacitance: float) -> None:
    loading = Loading(50.0, 47e3, capacitance)
    network = _exact(form, curve, loading, 1e-2).network
    formulas = numeric_formulas(form_formulas(form, curve))  # type: ignore[arg-type]
    numbers = worked_numbers(formulas, network, loading)
    for ref, value in zip(network.topology.refs, network.values, strict=True):
        assert numbers[ref] == pytest.approx(value, rel=1e-6)
    # The level asked for; with a load capacitance but for the pole it adds, beyond 1 MHz.
    assert numbers["H1"] == pytest.approx(1e-2, rel=1e-3 if capacitance else 1e-6)


@pytest.mark.sweep(2)
@pytest.mark.parametrize("curve", [DISC, NO_SHELF, named_curve("disc")], ids=lambda c: c.name)
@pytest.mark.parametrize("capacitance", [0.0, 150e-12])
@pytest.mark.parametrize("form", ["cascade-long-first", "cascade-short-first"])
def test_cascade_takes_the_root_that_makes_it_positive(
    form: str, capacitance: float, curve: Curve
) -> None:
    """Also into a capacitance, where the equations hold all together."""
    loading = Loading(50.0, 47e3, capacitance)
    network = _exact(form, curve, loading, 1e-2).network
    formulas = numeric_formulas(form_formulas(form, curve))
    numbers = worked_numbers(formulas, network, loading)
    assert numbers["k1"] > 0
    assert numbers["k2"] > 0
    assert ("T_load" in numbers) == (capacitance > 0.0)
    assert numbers["H1"] == pytest.approx(1e-2, rel=1e-3 if capacitance else 1e-6)
    roots = roots_used(formulas, numbers)
    positive = "makes other elements than these"  # positive ones: a second network
    other = positive if form == "cascade-long-first" else "is negative"
    assert roots["k1"].startswith("this root, since the other, ") and roots["k1"].endswith(other)


def test_of_two_poles_that_an_equation_has_both_are_named() -> None:
    loading = Loading(50.0, 47e3, 0.0)
    network = _exact("foster-2-whole", DISC, loading, 1e-2).network
    formulas = numeric_formulas(form_formulas("foster-2-whole", DISC))
    numbers = worked_numbers(formulas, network, loading)
    assert numbers["Tm1"] > numbers["Tm2"]
    assert roots_used(formulas, numbers)["Tm1"] == "this root, since the other is Tm2"
    assert roots_used(formulas, {}) == {}


def test_numbers_stand_beside_the_symbols_in_latex() -> None:
    loading = Loading(50.0, 47e3, 0.0)
    network = _exact("foster-1", DISC, loading, 1e-2).network
    formulas = numeric_formulas(form_formulas("foster-1", DISC))
    numbers = worked_numbers(formulas, network, loading)
    symbolic = form_formulas("foster-1", DISC)
    latex = formulas_latex(symbolic, numbers)
    shown = format_quantity(network.values[0], "ohm", digits=5).split()[0]
    assert rf"R_{{1}} = r_{{1}}\quad  = {shown}\,\mathrm{{k}}\Omega" in latex
    assert r"\quad" not in formulas_latex(symbolic)


def test_another_network_has_no_numbers() -> None:
    loading = Loading(50.0, 47e3, 0.0)
    network = _exact("foster-1", DISC, loading, 1e-2).network
    other = type(network)(network.topology, network.values * [1.1, 1, 1, 1, 1, 1])
    assert worked_numbers(numeric_formulas(form_formulas("foster-1", DISC)), other, loading) == {}


def _number(text: str) -> float:
    """The number of a text such as ``2.35 × 10⁷``."""
    mantissa, _, exponent = text.replace("\N{NO-BREAK SPACE}", "").partition(
        "\N{MULTIPLICATION SIGN}10"
    )
    return float(mantissa) * 10.0 ** int(
        unicodedata.normalize("NFKC", exponent or "0").replace("\N{MINUS SIGN}", "-")
    )


def test_printed_coefficients_are_those_of_a_nodal_solve() -> None:
    """The rows of H(s) on the page, by their printed numbers, beside numpy's solve at 3 kHz."""
    loading = Loading(50.0, 47e3, 150e-12)
    network = _exact("cauer-1", DISC, loading, 1e-2).network
    formulas = numeric_formulas(form_formulas("cauer-1", DISC))
    texts = formula_numbers(formulas, worked_numbers(formulas, network, loading))
    rows = formula_rows(form_formulas("cauer-1", DISC))
    assert {h: len(below) for h, below in texts.items()} == {h: len(b) for h, b in rows.items()}
    names = [re.match(r".*?<msub><mi>(\w)</mi><mi>(\d)</mi>", row) for row in rows[_RATIOS]]
    numbers = {
        name[1] + name[2]: _number(text.removeprefix("=\N{NO-BREAK SPACE}"))
        for name, text in zip(names, texts[_RATIOS], strict=True)
        if name is not None and text
    }
    s = 2j * np.pi * 3000.0
    top, bottom = (sum(numbers.get(f"{x}{k}", 0.0) * s**k for k in range(5)) for x in "ad")
    elements = zip(network.topology.elements, network.values, strict=True)
    cards = [(e.ref, *e.nodes, float(value)) for e, value in elements]
    cards += [("RS", "drive", "in", 50.0), ("RL", "out", "0", 47e3), ("CL", "out", "0", 150e-12)]
    # Five digits are printed of each coefficient.
    assert top / bottom == pytest.approx(solve_cards(cards, 3000.0)[0], rel=2e-4)


def test_root_and_what_is_given_are_named_with_their_units() -> None:
    loading = Loading(50.0, 47e3, 150e-12)
    network = _exact("rc-shunt-foster-1", DISC, loading, 1e-2).network
    formulas = numeric_formulas(form_formulas("rc-shunt-foster-1", DISC))
    numbers = worked_numbers(formulas, network, loading)
    given = given_numbers(formulas, numbers, curve=DISC).replace("\N{NO-BREAK SPACE}", " ")
    assert "T<sub>3</sub> = 75 µs" in given
    assert given.endswith("R<sub>s</sub> = 50 Ω, R<sub>L</sub> = 47 kΩ, C<sub>L</sub> = 150 pF")
    root = next(
        t
        for t in formula_numbers(formulas, numbers)["Definitions with load capacitance"]
        if t.startswith("T<sub>c</sub>")
    )
    assert re.search(
        r"\(this root, since the other, [\d.]+ µs, makes c3 negative",
        root.replace("\N{NO-BREAK SPACE}", " "),
    )


@pytest.mark.parametrize("capacitance", [0.0, 150e-12])
@pytest.mark.parametrize("form", ["foster-2", "rc-shunt-foster-1", "cascade-long-first"])
def test_python_functions_give_the_network_and_its_response(form: str, capacitance: float) -> None:
    """The printed module runs by itself; its response is that of an independent nodal solution."""
    loading = Loading(50.0, 47e3, capacitance)
    network = _exact(form, DISC, loading, 1e-2).network
    formulas = form_formulas(form, DISC)
    names: dict[str, Any] = {}
    numbers = worked_numbers(numeric_formulas(formulas), network, loading)
    exec(formulas_python(formulas, numbers), names)
    values = dict(zip(network.topology.refs, network.values.tolist(), strict=True))
    for ref, value in names["values"].items():
        assert value == pytest.approx(values[ref], rel=1e-6)  # solved to 1e-9, roots to 1e-12
    terminations = {"Rs": 50.0, "RL": 47e3, "CL": capacitance}
    hertz = np.array([20.0, 1e3, 20e3])
    cards = [(e.ref, *e.nodes, values[e.ref]) for e in network.topology.elements]
    expected = solve_cards(
        [
            ("Rs", "drive", "in", 50.0),
            *cards,
            ("RL", "out", "0", 47e3),
            ("CL", "out", "0", capacitance),
        ],
        hertz,
    )
    ours = [names["transfer"](2j * np.pi * f, **values, **terminations) for f in hertz]
    np.testing.assert_allclose(ours, expected, rtol=1e-9)  # rounding of either solution
