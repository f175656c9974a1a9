"""Networks whose H(s) would fill pages are refused; every built-in form is far from it."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
import sympy

from antecurve.errors import WiringError
from antecurve.networks.compiled import transfer_coefficients
from antecurve.networks.symbolic import solve
from antecurve.networks.topology import Element, ElementKind, Topology
from antecurve.networks.wiring import check_wiring


def test_a_dense_mesh_is_refused_with_its_size() -> None:
    pairs = list(itertools.combinations(["in", "out", "0", "a", "b", "c", "d"], 2))[:20]
    elements = tuple(
        Element(f"R{k}", ElementKind.RESISTOR, pair) for k, pair in enumerate(pairs, start=1)
    )
    # Kirchhoff: the number of spanning trees, source and load included.
    with pytest.raises(WiringError, match="fewer elements or nodes"):
        solve(Topology("own", elements))


def test_a_very_long_network_is_refused_before_anything_is_solved() -> None:
    chain = ["in", *(f"n{k}" for k in range(1, 2000)), "out", "0"]
    elements = tuple(
        Element(f"R{k}", ElementKind.RESISTOR, pair)
        for k, pair in enumerate(itertools.pairwise(chain), start=1)
    )
    for refuses in (check_wiring, solve):
        with pytest.raises(WiringError, match=r"2,001 elements.* fewer"):
            refuses(Topology("own", elements))


def test_a_mesh_near_the_limit_is_written_out_and_evaluated_alike() -> None:
    """The written-out H(s) of some 2,800 terms and its evaluation are one sum."""
    pairs = list(itertools.combinations(["in", "out", "0", "a", "b", "c"], 2))
    pairs.remove(("in", "0"))
    kinds = itertools.cycle([ElementKind.CAPACITOR, ElementKind.RESISTOR])
    topology = Topology(
        "own",
        tuple(
            Element(f"{kind.value[0].upper()}{k}", kind, pair)
            for k, (kind, pair) in enumerate(zip(kinds, pairs, strict=False))
        ),
    )
    check_wiring(topology)
    values = np.random.default_rng(3).uniform(0.5, 2.0, len(pairs))
    transfer_function = transfer_coefficients(
        topology, values, source_resistance=0.3, load_resistance=2.0, load_capacitance=0.7
    )
    solution = solve(topology)
    numbers = dict(zip(solution.symbols, [*values, 0.3, 2.0, 0.7], strict=True))
    for written, number in (
        (solution.transfer_numerator, transfer_function.numerator),
        (solution.transfer_denominator, transfer_function.denominator),
    ):
        # Sums of positive terms of a dozen factors each: 1e-13 is a hundred roundings.
        expected = [float(sum(_product(t, numbers) for t in c.args)) for c in written]
        assert number == pytest.approx(expected, rel=1e-13)


def _product(term: sympy.Expr, numbers: dict[sympy.Symbol, float]) -> float:
    return math.prod(numbers[x] for x in term.free_symbols)
