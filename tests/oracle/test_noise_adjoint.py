"""Noise against an adjoint nodal computation: each resistor's own noise current, added up."""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import quad

from antecurve.analysis.a_weighting import a_weighting
from antecurve.analysis.noise import BOLTZMANN_CONSTANT, noise_density, noise_report, noise_voltage
from antecurve.curves.catalogue import named_curve
from antecurve.curves.construct import with_limits
from antecurve.curves.model import response
from antecurve.networks.compiled import transfer
from antecurve.networks.conditions import Conditions
from antecurve.networks.topology import Element, ElementKind, Loading, Network, Topology
from antecurve.synthesis.exact import exact_network

CURVE = with_limits(named_curve("disc"), ultrasonic_poles_hz=(50e3,))
LOADING = Loading(50.0, 47e3, 150e-12)
FORMS = ("foster-1", "foster-2", "cauer-1", "cauer-2")


def _network(form: str = "foster-1") -> Network:
    return exact_network(form, CURVE, loading=LOADING, gain=0.01, shunt_resistance=500.0).network


def _adjoint_density(
    network: Network, loading: Loading, frequency: float, kelvin: float, noisy_load: bool
) -> float:
    """Solve Y' x = e_out once; a current between nodes a and b then gives x_a - x_b."""
    plus, minus = network.topology.output
    cards = [
        (e.kind.value, *e.nodes, float(v), True)
        for e, v in zip(network.topology.elements, network.values, strict=True)
    ]
    cards += [
        ("resistor", "in", "0", loading.source_resistance, True),
        ("resistor", plus, minus, loading.load_resistance, noisy_load),
        ("capacitor", plus, minus, loading.load_capacitance, False),
    ]
    nodes = sorted({n for c in cards for n in (c[1], c[2])} - {"0"})
    index = {n: i for i, n in enumerate(nodes)}
    matrix = np.zeros((len(nodes), len(nodes)), complex)
    for kind, a, b, value, _ in cards:
        y = 1 / value if kind == "resistor" else 2j * math.pi * frequency * value
        incidence = _incidence(index, a, b)
        matrix += y * np.outer(incidence, incidence)
    adjoint = np.linalg.solve(matrix.T, _incidence(index, plus, minus))
    power = sum(
        4 * BOLTZMANN_CONSTANT * kelvin / value * abs(_incidence(index, a, b) @ adjoint) ** 2
        for kind, a, b, value, noisy in cards
        if kind == "resistor" and noisy
    )
    return math.sqrt(power)


def _incidence(index: dict[str, int], a: str, b: str) -> NDArray[np.float64]:
    vector = np.zeros(len(index))
    if a in index:
        vector[index[a]] += 1
    if b in index:
        vector[index[b]] -= 1
    return vector


@pytest.mark.parametrize("form", FORMS)
@pytest.mark.parametrize("noisy_load", [False, True])
def test_density_equals_the_adjoint_computation(form: str, noisy_load: bool) -> None:
    network = _network(form)
    frequency = np.geomspace(1, 1e6, 25)
    density = noise_density(
        network, frequency, loading=LOADING, temperature_k=310.0, noisy_load=noisy_load
    )
    expected = [_adjoint_density(network, LOADING, f, 310.0, noisy_load) for f in frequency]
    np.testing.assert_allclose(density, expected, rtol=1e-9)  # nodal matrices lose some digits


def test_density_of_a_balanced_network() -> None:
    r, c = ElementKind.RESISTOR, ElementKind.CAPACITOR
    cards = [
        (r, ("in", "out"), 225e3), (c, ("in", "out"), 14e-9), (r, ("0", "out-"), 225e3),
        (c, ("0", "out-"), 14e-9), (r, ("out", "out-"), 500.0),
    ]  # fmt: skip
    elements = tuple(Element(f"X{k}", kind, nodes) for k, (kind, nodes, _) in enumerate(cards))
    topology = Topology("own", elements, ("out", "out-"))
    network = Network(topology, np.array([value for *_, value in cards]))
    frequency = np.geomspace(20, 20e3, 7)
    density = noise_density(network, frequency, loading=LOADING)
    expected = [_adjoint_density(network, LOADING, f, 293.15, False) for f in frequency]
    np.testing.assert_allclose(density, expected, rtol=1e-9)


@pytest.mark.parametrize("weighted", [False, True])
@pytest.mark.parametrize("after_playback", [False, True])
def test_integrals_equal_adaptive_quadrature(weighted: bool, after_playback: bool) -> None:
    network = _network()

    def power(log_f: float) -> float:
        f = math.exp(log_f)
        density = _adjoint_density(network, LOADING, f, 293.15, False)
        if weighted:
            density *= 10 ** (float(a_weighting(f)) / 20)
        if after_playback:
            density /= abs(complex(response(CURVE, f, published=True)))
        return density**2 * f

    expected, _ = quad(power, math.log(20), math.log(20e3), epsrel=1e-11, epsabs=0, limit=200)
    noise = noise_voltage(
        network,
        loading=LOADING,
        band_hz=(20.0, 20e3),
        playback=CURVE if after_playback else None,
        weighted=weighted,
    )
    assert noise == pytest.approx(math.sqrt(expected), rel=1e-9)


def test_report_puts_signal_over_noise() -> None:
    network = _network()
    signal = 0.5 * abs(complex(transfer(network, 1000.0, loading=LOADING)[0]))
    report = noise_report(
        network, Conditions(curve=CURVE, loading=LOADING, band_hz=(20.0, 20e3)), signal_v=signal
    )
    assert report.snr_db == pytest.approx(20 * math.log10(signal / report.noise_v))
    # Playback takes treble noise away, A-weighting the bass that is left.
    assert report.playback_snr_db > report.snr_db
    assert report.weighted_playback_snr_db > report.playback_snr_db


def test_noise_of_unit_and_load_adds_in_power() -> None:
    """White noise of density d over a band B is d sqrt(B); what is independent adds in power."""
    network = _network()
    conditions = Conditions(curve=CURVE, loading=LOADING, band_hz=(20.0, 20e3))
    quiet = noise_report(network, conditions)
    with_unit = noise_report(network, conditions, unit_density=5e-9)
    own = 5e-9 * math.sqrt(20e3 - 20.0)
    assert with_unit.noise_v == pytest.approx(math.hypot(quiet.noise_v, own), rel=1e-9)
    with_load = noise_report(network, conditions, noisy_load=True)
    known = noise_voltage(network, loading=LOADING, band_hz=(20.0, 20e3), noisy_load=True)
    assert quiet.noise_v < with_load.noise_v == known
