"""The symbolic solution against independent paths: numeric nodal analysis, scipy.signal.

lcapy solves the forms: `test_forms_libraries.py`.
"""

from __future__ import annotations

import numpy as np
import pytest
from nodal import solve_cards

from antecurve.algebra.transfer_function import magnitude_squared_coefficients
from antecurve.curves.catalogue import named_curve
from antecurve.curves.construct import with_limits
from antecurve.networks.compiled import (
    input_impedance,
    output_impedance,
    transfer,
    transfer_coefficients,
)
from antecurve.networks.symbolic import solve
from antecurve.networks.topology import Element, ElementKind, Loading, Network, Topology

R, C = ElementKind.RESISTOR, ElementKind.CAPACITOR
FREQUENCY = np.geomspace(1, 1e6, 61)
# Both paths carry double precision through systems of up to 7 nodes: some 1e-13 relative.
RELATIVE = 1e-11


def _random_network(rng: np.random.Generator) -> Network:
    """A connected network of 4 to 10 elements over 3 to 6 nodes, bridges included."""
    nodes = ["in", "out", "0", "a", "b", "c"][: int(rng.integers(3, 7))]
    pairs = [(nodes[i], nodes[i - 1]) for i in range(1, len(nodes))]
    pairs += [("out", "0")]
    while len(pairs) < 10 and rng.random() < 0.8:
        first, second = rng.choice(len(nodes), 2, replace=False)
        pairs.append((nodes[first], nodes[second]))
    elements, values = [], []
    for k, pair in enumerate(pairs):
        kind = R if rng.random() < 0.5 else C
        elements.append(Element(f"{'R' if kind is R else 'C'}{k}", kind, pair))
        values.append(10 ** (rng.uniform(2, 6) if kind is R else rng.uniform(-10, -6)))
    return Network(Topology("own", tuple(elements)), np.array(values))


def _cards(network: Network, loading: Loading) -> list[tuple[str, str, str, float]]:
    cards = [
        (e.ref, *e.nodes, float(v))
        for e, v in zip(network.topology.elements, network.values, strict=True)
    ]
    plus, minus = network.topology.output
    return [
        *cards,
        ("RSOURCE", "drive", "in", loading.source_resistance),
        ("RLOAD", plus, minus, loading.load_resistance),
        ("CLOAD", plus, minus, loading.load_capacitance),
    ]


@pytest.mark.parametrize("seed", range(40))
def test_transfer_equals_numeric_nodal_analysis(seed: int) -> None:
    rng = np.random.default_rng(seed)
    network = _random_network(rng)
    loading = Loading(0.0 if seed % 5 == 0 else 50.0, 47e3, 0.0 if seed % 3 == 0 else 150e-12)
    expected = solve_cards(_cards(network, loading), FREQUENCY)
    response = transfer(network, FREQUENCY, loading=loading)
    np.testing.assert_allclose(response, expected, rtol=RELATIVE, atol=1e-300)


@pytest.mark.parametrize("seed", range(10))
def test_impedances_equal_numeric_nodal_analysis(seed: int) -> None:
    network = _random_network(np.random.default_rng(seed))
    loading = Loading(600.0, 10e3, 300e-12)
    cards = _cards(network, loading)
    # Input: the divider against a known source resistance gives Z = Rs v / (1 - v).
    with_tap = solve_cards(cards, FREQUENCY, ("in", "0"))
    expected = loading.source_resistance * with_tap / (1 - with_tap)
    impedance = input_impedance(network, FREQUENCY, loading=loading)
    np.testing.assert_allclose(
        impedance, expected, rtol=1e-9
    )  # 1 - v loses digits where Z is large
    # Output: drive the output through a resistor, source shorted, load taken off.
    others = [c for c in cards if c[0] not in ("RSOURCE", "RLOAD", "CLOAD")]
    turned = [*others, ("RSOURCE", "in", "0", 600.0), ("RTEST", "drive", "out", 1e4)]
    tap = solve_cards(turned, FREQUENCY, ("out", "0"))
    impedance = output_impedance(network, FREQUENCY, loading=loading)
    np.testing.assert_allclose(impedance, 1e4 * tap / (1 - tap), rtol=1e-9)


def test_transfer_equals_scipy_signal() -> None:
    from scipy import signal

    network = _random_network(np.random.default_rng(3))
    transfer_function = transfer_coefficients(
        network.topology,
        network.values,
        source_resistance=50.0,
        load_resistance=47e3,
        load_capacitance=150e-12,
    )
    _, expected = signal.freqs(
        transfer_function.numerator[::-1],
        transfer_function.denominator[::-1],
        worN=2 * np.pi * FREQUENCY,
    )
    loading = Loading(50.0, 47e3, 150e-12)
    np.testing.assert_allclose(transfer(network, FREQUENCY, loading=loading), expected, rtol=1e-12)


def test_every_coefficient_has_positive_terms_only() -> None:
    """No cancellation can lose digits: all-positive terms, checked on a ladder with a bridge."""
    import sympy

    network = _random_network(np.random.default_rng(11))
    solution = solve(network.topology)
    for coefficient in (*solution.transfer_denominator, *solution.output_denominator):
        for term in sympy.Add.make_args(sympy.expand(coefficient)):
            assert term.as_coeff_Mul()[0] >= 0


def test_magnitude_squared_is_that_of_the_polynomial() -> None:
    rng = np.random.default_rng(5)
    p = rng.uniform(0.1, 2, (7, 5))
    w = np.linspace(0, 3, 20)
    direct = np.abs(p @ (1j * w) ** np.arange(5)[:, None]) ** 2
    squared = magnitude_squared_coefficients(p) @ (w**2) ** np.arange(5)[:, None]
    np.testing.assert_allclose(squared, direct, rtol=1e-12)


def test_catalogue_curve_keeps_its_poles_apart_from_limits() -> None:
    curve = with_limits(named_curve("disc"), ultrasonic_poles_hz=(50e3,))
    assert curve.poles_s == (318e-6,)
    assert curve.ultrasonic_poles_s == pytest.approx((3.1830988618379e-6,), rel=1e-12)
