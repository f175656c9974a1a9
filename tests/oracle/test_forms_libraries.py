"""Forms against general-purpose libraries: pytc2 for expansions, lcapy for symbols, scikit-rf.

All three come to the same networks by their own paths.
"""

from __future__ import annotations

import warnings
from dataclasses import replace
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
import sympy

from antecurve.curves.catalogue import named_curve
from antecurve.curves.construct import with_limits
from antecurve.curves.model import response
from antecurve.networks.symbolic import solve
from antecurve.networks.topology import ElementKind, Loading
from antecurve.synthesis.arms.cauer_1 import cauer_1_tree
from antecurve.synthesis.arms.cauer_2 import cauer_2_tree
from antecurve.synthesis.exact import exact_network
from antecurve.synthesis.impedance import RcImpedance, polynomials
from antecurve.synthesis.sections import named_form
from antecurve.synthesis.tree import leaf_values

CANONICAL = ("foster-1", "foster-2", "cauer-1", "cauer-2")
LOADING = Loading(50.0, 47e3, 0.0)
CURVE = with_limits(named_curve("disc"), ultrasonic_poles_hz=[50e3])


def _library(name: str) -> Any:
    """A library, loaded when a test runs: collecting is done by each worker."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library's own
        return pytest.importorskip(name)


@pytest.fixture(scope="module")
def synthesis_functions() -> Any:
    """pytc2's functions; no release of it installs on Python 3.12 and later."""
    return _library("pytc2.sintesis_dipolo")


@pytest.fixture(scope="module")
def lcapy() -> Any:
    return _library("lcapy")


@pytest.fixture(scope="module")
def skrf() -> Any:
    return _library("skrf")


def _impedance(order: int) -> RcImpedance:
    """Small whole numbers, so that the libraries' rationals stay short."""
    branches = ((3, 4), (2, 2), (5, 1))[:order]
    return RcImpedance(
        Fraction(0), Fraction(0), tuple((Fraction(r), Fraction(t)) for r, t in branches)
    )


def _rational(impedance: RcImpedance) -> Any:
    s = sympy.Symbol("s", complex=True)
    ratio = polynomials(impedance)

    def polynomial(coefficients: tuple[Any, ...]) -> Any:
        return sum(sympy.Rational(str(Fraction(c))) * s**k for k, c in enumerate(coefficients))

    return sympy.cancel(polynomial(ratio.numerator) / polynomial(ratio.denominator))


@pytest.mark.sweep(2)
@pytest.mark.parametrize("order", [1, 2, 3])
@pytest.mark.parametrize("about_zero", [False, True])
def test_cauer_quotients_equal_those_of_pytc2(
    order: int, about_zero: bool, synthesis_functions: Any
) -> None:
    impedance = replace(_impedance(order), resistance_at_infinity=Fraction(1))
    function = _rational(impedance)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        if about_zero:  # of Y: 1/R, 1/(s C), 1/R, ...
            quotients, _, remainder = synthesis_functions.cauer_RC(
                1 / function, remover_en_inf=False
            )
        else:  # of Z: R, s C, R, ...
            quotients, _, remainder = synthesis_functions.cauer_RC(function, remover_en_inf=True)
    assert not remainder
    s = next(iter(function.free_symbols))
    elements = []
    for index, quotient in enumerate(quotients):
        if about_zero:
            value = 1 / (quotient if index % 2 == 0 else sympy.simplify(quotient * s))
        else:
            value = quotient if index % 2 == 0 else sympy.simplify(quotient / s)
        elements.append(Fraction(str(value)))
    tree = (cauer_2_tree if about_zero else cauer_1_tree)(polynomials(impedance))
    assert [Fraction(v) for v in leaf_values(tree)] == elements


@pytest.mark.parametrize("order", [1, 2, 3])
def test_foster_residues_equal_those_of_pytc2(order: int, synthesis_functions: Any) -> None:
    impedance = _impedance(order)
    function = _rational(impedance)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        at_zero, at_infinity, branches = synthesis_functions.foster(function)[:3]
    assert not at_zero and not at_infinity
    pairs = set()
    for entry in branches or ():
        # Each entry holds the coefficients of 1/k and 1/(k ...) of one parallel RC pair.
        values = sorted(sympy.flatten([entry]), key=sympy.default_sort_key)
        pairs.add(tuple(Fraction(str(v)) for v in values))
    expected = {tuple(sorted((t / r, 1 / r))) for r, t in impedance.branches}
    assert {tuple(sorted(p)) for p in pairs} == expected


@pytest.mark.sweep(1)
@pytest.mark.parametrize("form", ["cauer-2", "foster-1-inside-short", "cascade-long-first"])
def test_symbolic_transfer_equals_lcapy(form: str, lcapy: Any) -> None:
    network = exact_network(form, CURVE, loading=LOADING, gain=0.01, shunt_resistance=500.0).network
    lines = ["V1 drive 0", "Rs drive in", "RL out 0", "CL out 0"]
    lines += [f"{e.ref} {e.nodes[0]} {e.nodes[1]}" for e in network.topology.elements]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        circuit = lcapy.Circuit("\n".join(lines))
        other = circuit.transfer("drive", "0", "out", "0").sympy
    solution = solve(network.topology)
    s = next(x for x in other.free_symbols if str(x) == "s")
    rename = {x: sympy.Symbol(str(x), positive=True) for x in other.free_symbols if x != s}
    top = sum(c * s**k for k, c in enumerate(solution.transfer_numerator))
    bottom = sum(c * s**k for k, c in enumerate(solution.transfer_denominator))
    other_top, other_bottom = sympy.fraction(sympy.together(other.subs(rename)))
    # Multiplied crosswise: to cancel a common factor takes much longer.
    assert sympy.expand(top * other_bottom - other_top * bottom) == 0
    assert sympy.expand(top) != 0


@pytest.mark.parametrize("form", [*CANONICAL, "foster-2-whole", "cauer-2-inside"])
@pytest.mark.parametrize("capacitance", [0.0, 150e-12])
def test_loaded_half_sections_equal_scikit_rf(form: str, capacitance: float, skrf: Any) -> None:
    loading = Loading(50.0, 47e3, capacitance)
    exact = exact_network(form, CURVE, loading=loading, gain=0.01, shunt_resistance=500.0)
    frequency = np.geomspace(20, 1e6, 41)
    s = 2j * np.pi * frequency

    def impedance(tree: Any, values: Any) -> np.ndarray:
        if not hasattr(tree, "parts"):
            value = next(values)
            return value + 0 * s if tree.content.kind is ElementKind.RESISTOR else 1 / (s * value)
        parts = [impedance(part, values) for part in tree.parts]
        return sum(parts) if tree.joined == "series" else 1 / sum(1 / p for p in parts)

    arm = named_form(form).arm
    assert arm is not None
    shape = arm.expand(RcImpedance(Fraction(3), Fraction(0), _impedance(2).branches))
    series = impedance(shape, iter(exact.network.values.tolist()))
    shunt = 1 / (1 / exact.network.values[-1] + 1 / 47e3 + s * capacitance)
    a = np.zeros((len(s), 2, 2), complex)
    a[:, 0, 0], a[:, 0, 1], a[:, 1, 1] = 1, series + 50.0, 1
    b = np.zeros_like(a)
    b[:, 0, 0], b[:, 1, 0], b[:, 1, 1] = 1, 1 / shunt, 1
    axis = skrf.Frequency.from_f(frequency, unit="hz")
    one, two = (skrf.Network(frequency=axis, s=skrf.network.a2s(m)) for m in (a, b))
    open_circuit = 1 / (one**two).a[:, 0, 0]
    wanted = np.abs(response(CURVE, frequency)) * 0.01
    if exact.load_pole_s:
        wanted = wanted / np.hypot(1, 2 * np.pi * frequency * exact.load_pole_s)
        wanted = wanted * np.hypot(1, 2e3 * np.pi * exact.load_pole_s)
    # Scattering parameters of a large series impedance lose digits: 1e-6 dB.
    assert 20 * np.log10(np.abs(open_circuit) / wanted) == pytest.approx(0, abs=1e-6)
