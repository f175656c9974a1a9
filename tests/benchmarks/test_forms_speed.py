"""Speed of the symbolic derivation and of the compiled forms, against the plain ways."""

from __future__ import annotations

import time
from typing import Any

import numpy as np
import pytest
import sympy

from antecurve.algebra.transfer_function import magnitude_squared_coefficients
from antecurve.curves.catalogue import named_curve
from antecurve.curves.construct import with_limits
from antecurve.networks.compiled import transfer_coefficients
from antecurve.networks.symbolic import solve
from antecurve.networks.topology import ElementKind, Loading, Topology
from antecurve.synthesis.exact import exact_network, form_names
from antecurve.synthesis.formulas import form_formulas

CURVE = with_limits(named_curve("disc"), ultrasonic_poles_hz=[50e3])
LOADING = Loading(50.0, 47e3, 150e-12)
BUILDS, FREQUENCIES = 100_000, 121


def _network(form: str = "cauer-1") -> Any:
    return exact_network(form, CURVE, loading=LOADING, gain=0.01, shunt_resistance=500.0).network


def test_formulas_of_every_form_together() -> None:
    start = time.process_time()
    for form in form_names():
        form_formulas(form)
    taken = time.process_time() - start
    print(f"formulas of {len(form_names())} forms: {taken:.2f} s of processor time")
    assert taken < 10.0


def _by_inversion(topology: Topology) -> Any:
    """What one would write by hand: the nodal matrix, solved by sympy."""
    s = sympy.Symbol("s")
    nodes = sorted({n for e in topology.elements for n in e.nodes} - {"0"})
    matrix = sympy.zeros(len(nodes), len(nodes))

    def stamp(a: str, b: str, y: Any) -> None:
        for one, other in ((a, b), (b, a)):
            if one != "0":
                matrix[nodes.index(one), nodes.index(one)] += y
                if other != "0":
                    matrix[nodes.index(one), nodes.index(other)] -= y

    for e in topology.elements:
        x = sympy.Symbol(e.ref, positive=True)
        stamp(*e.nodes, 1 / x if e.kind is ElementKind.RESISTOR else s * x)
    rs, rl, cl = sympy.symbols("Rs RL CL", positive=True)
    stamp("in", "0", 1 / rs)
    stamp("out", "0", 1 / rl + s * cl)
    drive = sympy.zeros(len(nodes), 1)
    drive[nodes.index("in")] = 1 / rs
    return sympy.cancel(matrix.LUsolve(drive)[nodes.index("out")])


def test_counting_trees_against_solving_the_matrix() -> None:
    topology = _network().topology
    start = time.perf_counter()
    plain = _by_inversion(topology)
    slow = time.perf_counter() - start
    solve.cache_clear()
    start = time.perf_counter()
    solution = solve(topology)
    fast = time.perf_counter() - start
    s = sympy.Symbol("s")
    ours = sum(c * s**k for k, c in enumerate(solution.transfer_numerator))
    ours = ours / sum(c * s**k for k, c in enumerate(solution.transfer_denominator))
    assert sympy.cancel(ours - plain) == 0
    print(f"symbolic H(s): {slow / fast:.0f} times as fast as solving the matrix")
    assert slow / fast > 5.0


@pytest.mark.parametrize("form", ["foster-1", "cauer-1"])
def test_compiled_builds_against_a_complex_solve(form: str) -> None:
    network = _network(form)
    rng = np.random.default_rng(1)
    values = network.values * (1 + 0.01 * rng.uniform(-1, 1, (BUILDS, len(network.values))))
    w2 = (2 * np.pi * np.geomspace(20, 20e3, FREQUENCIES)) ** 2

    def level(builds: Any) -> Any:
        transfer_function = transfer_coefficients(
            network.topology,
            builds,
            source_resistance=50.0,
            load_resistance=47e3,
            load_capacitance=150e-12,
        )
        top, bottom = (
            magnitude_squared_coefficients(p)
            for p in (transfer_function.numerator, transfer_function.denominator)
        )
        ratio = top @ (w2 ** np.arange(top.shape[-1])[:, None])
        ratio /= bottom @ (w2 ** np.arange(bottom.shape[-1])[:, None])
        return ratio

    level(values[:10])
    start = time.process_time()
    for chunk in np.array_split(values, 25):
        level(chunk)
    taken = time.process_time() - start
    start = time.perf_counter()
    few = 2000
    _by_nodal_matrices(network.topology, values[:few], np.sqrt(w2))
    plain = (time.perf_counter() - start) * BUILDS / few
    print(
        f"{form}: {BUILDS} builds x {FREQUENCIES}: {taken:.2f} s, {plain / taken:.0f} times as fast"
    )
    assert taken < 1.0
    assert plain / taken > 20.0


def _by_nodal_matrices(topology: Topology, values: Any, omega: Any) -> Any:
    """What one would write by hand: batched complex nodal matrices, numpy.linalg.solve."""
    nodes = sorted({n for e in topology.elements for n in e.nodes} - {"0"})
    magnitudes = np.empty((len(values), len(omega)))
    for k, w in enumerate(omega):
        matrix = np.zeros((len(values), len(nodes), len(nodes)), complex)

        def stamp(a: str, b: str, y: Any, matrix: Any = matrix) -> None:
            for one, other in ((a, b), (b, a)):
                if one != "0":
                    i = nodes.index(one)
                    matrix[:, i, i] += y
                    if other != "0":
                        matrix[:, i, nodes.index(other)] -= y

        for j, e in enumerate(topology.elements):
            x = values[:, j]
            stamp(*e.nodes, 1 / x if e.kind is ElementKind.RESISTOR else 1j * w * x)
        stamp("in", "0", 1 / 50.0)
        stamp("out", "0", 1 / 47e3 + 1j * w * 150e-12)
        drive = np.zeros((len(values), len(nodes), 1), complex)
        drive[:, nodes.index("in")] = 1 / 50.0
        magnitudes[:, k] = np.abs(np.linalg.solve(matrix, drive)[:, nodes.index("out"), 0]) ** 2
    return magnitudes
