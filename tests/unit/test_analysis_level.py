"""Level, generator settings, pads, part stresses, delay and strays."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from nodal import Card, solve_cards
from scipy import signal

from antecurve.analysis.delay import delay_table
from antecurve.analysis.generator import (
    InputKind,
    displayed_level,
    generator_setting,
    level_plan,
    usual_inputs,
)
from antecurve.analysis.level import level_report
from antecurve.analysis.pads import generator_pad, unit_pad
from antecurve.analysis.ratings import largest_amplitude_v, part_stresses
from antecurve.analysis.strays import stray_table, with_stray
from antecurve.curves.catalogue import named_curve
from antecurve.curves.construct import with_limits
from antecurve.errors import InputError
from antecurve.networks.centred_error import error_range
from antecurve.networks.compiled import transfer, transfer_coefficients
from antecurve.networks.conditions import Conditions
from antecurve.networks.topology import Element, ElementKind, Loading, Network, Topology
from antecurve.report.stress_tables import drive_lines
from antecurve.synthesis.exact import exact_network

CURVE = with_limits(named_curve("disc"), ultrasonic_poles_hz=(50e3,))
LOADING = Loading(50.0, 47e3, 150e-12)
BAND = (20.0, 20e3)
R, C = ElementKind.RESISTOR, ElementKind.CAPACITOR


@pytest.fixture(scope="module")
def network() -> Network:
    return exact_network(
        "foster-1", CURVE, loading=LOADING, gain=0.01, shunt_resistance=500.0
    ).network


def _cards(network: Network) -> list[Card]:
    elements = [
        (e.ref, *e.nodes, float(v))
        for e, v in zip(network.topology.elements, network.values, strict=True)
    ]
    return [
        ("RSOURCE", "drive", "in", 50.0),
        *elements,
        ("RLOAD", "out", "0", 47e3),
        ("CLOAD", "out", "0", 150e-12),
    ]


def test_level_report(network: Network) -> None:
    report = level_report(
        network, Conditions(curve=CURVE, loading=LOADING, band_hz=BAND, source_level_v=0.5)
    )
    assert report.gain_db_at_1khz == pytest.approx(-40.0, abs=1e-9)
    assert report.output_v == pytest.approx(5e-3, rel=1e-9)
    expected = solve_cards(_cards(network), report.decades_hz)
    assert report.decades_db == pytest.approx(20 * np.log10(np.abs(expected)), abs=1e-9)
    # Input: v(in) = EMF Z/(Z + Rs), so Z = Rs v/(1 - v); smallest at the top of the band.
    tap = solve_cards(_cards(network), np.geomspace(*BAND, 200), ("in", "0"))
    impedance = np.abs(50.0 * tap / (1 - tap))
    assert report.input_impedance_ohm_min == pytest.approx(impedance.min(), rel=1e-9)
    assert impedance.argmin() == 199
    assert report.square_wave_amplitude_v == pytest.approx(0.5 * math.sqrt(2))
    assert report.snr_db == pytest.approx(20 * math.log10(report.output_v / report.noise_v))
    assert {
        "gain_db_at_1khz",
        "output_v",
        "output_resistance_ohm_at_1khz",
        "input_impedance_ohm_min",
        "noise_v",
        "snr_db",
        "square_wave_peak_v",
    } <= set(report.to_dict())


def test_setting_gives_the_wanted_level(network: Network) -> None:
    setting = generator_setting(
        network, Conditions(curve=CURVE, loading=LOADING), wanted_v=7e-3, frequency_hz=100.0
    )
    level_v = setting.emf_v * abs(complex(solve_cards(_cards(network), 100.0)[0]))
    assert level_v == pytest.approx(7e-3, rel=1e-9)
    # A display for 50 ohm on a 50 ohm generator reads half of the EMF: 6.02 dB.
    assert 20 * math.log10(setting.emf_v / setting.displayed_v) == pytest.approx(6.0206, abs=5e-5)
    assert displayed_level(1.0, generator_resistance=600.0) == pytest.approx(1 / 13)


def test_the_display_does_not_know_what_is_built_out_to_the_network(network: Network) -> None:
    # A 50 ohm generator with 550 ohm in series is a source of 600 ohm; its EMF and its display
    # are those of the generator.
    there = Loading(600.0, 47e3, 150e-12)
    setting = generator_setting(network, Conditions(curve=CURVE, loading=there), wanted_v=5e-3)
    assert setting.displayed_v == pytest.approx(setting.emf_v / 2)


def test_usual_inputs_are_there_whatever_the_load() -> None:
    assert [k.load_resistance for k in usual_inputs(LOADING)] == [47e3, 100.0]
    own, normal, low = usual_inputs(Loading(50.0, 10e3, 100e-12), level_v=20e-3)
    assert (own.load_resistance, own.level_v) == (10e3, 20e-3)
    assert (normal.load_resistance, normal.level_v) == (47e3, 5e-3)
    assert (low.load_resistance, low.level_v) == (100.0, 0.5e-3)
    assert {k.load_capacitance for k in (own, normal, low)} == {100e-12}
    # The level of the job's own input counts as well.
    assert len(usual_inputs(LOADING, level_v=20e-3)) == 3


def test_plan_advises_where_the_error_is_beyond_the_limit(network: Network) -> None:
    for limit, expected in ((0.1, True), (None, False), (50.0, False)):
        normal, low = level_plan(
            network,
            Conditions(curve=CURVE, loading=LOADING, band_hz=BAND, source_level_v=0.5),
            error_limit_db=limit,
        ).inputs
        assert normal.advice == ""
        assert low.error_centred_db > 0.1  # 100 ohm across a network of 500 ohm
        assert ("above the limit of 0.1 dB: make a network for 100 Ω" in low.advice) is expected


def test_plan_sets_the_generator_or_names_the_pad(network: Network) -> None:
    kinds = [
        InputKind("as the job", 5e-3, 47e3, 150e-12),
        InputKind("very low", 20e-6, 47e3, 150e-12),
        InputKind("too high", 1.0, 47e3, 150e-12),
    ]
    same, low, high = level_plan(
        network,
        Conditions(curve=CURVE, loading=LOADING, band_hz=BAND, source_level_v=0.5),
        inputs=kinds,
    ).inputs
    assert same.setting.emf_v == pytest.approx(0.5, rel=1e-9)
    assert (same.pad, same.advice) == (None, "")
    assert low.setting.emf_v == pytest.approx(2e-3, rel=1e-9)
    assert low.advice == "the generator can't be set that low: use the pad"
    assert low.pad is not None
    padded = [c for c in _cards(network) if c[0] != "RSOURCE"] + [
        ("RSOURCE", "drive", "tap", 50.0),
        ("RPAD1", "tap", "in", low.pad.series_ohm),
        ("RPAD2", "in", "0", low.pad.shunt_ohm),
    ]
    assert 0.5 * abs(complex(solve_cards(padded, 1000.0)[0])) == pytest.approx(20e-6, rel=1e-9)
    assert high.advice == "the generator can't be set that high: the most is 70.7 mV"
    assert high.pad is None


def test_pads_keep_what_the_network_sees() -> None:
    pad = generator_pad(attenuation_db=26.0, generator_resistance=600.0, source_resistance=50.0)
    driven = 600.0 + pad.series_ohm
    assert driven * pad.shunt_ohm / (driven + pad.shunt_ohm) == pytest.approx(50.0)
    assert pad.shunt_ohm / (driven + pad.shunt_ohm) == pytest.approx(10 ** (-26 / 20))
    pad = unit_pad(attenuation_db=20.0, unit_resistance=10e3, load_resistance=47e3)
    below = 1 / (1 / pad.shunt_ohm + 1 / 10e3)
    assert pad.series_ohm + below == pytest.approx(47e3)
    assert below / 47e3 == pytest.approx(0.1)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: generator_pad(
                attenuation_db=6.0, generator_resistance=600.0, source_resistance=50.0
            ),
            "at least 21.58 dB",
        ),
        (
            lambda: generator_pad(
                attenuation_db=6.0, generator_resistance=50.0, source_resistance=0.0
            ),
            "above 0 ohm",
        ),
        (
            lambda: unit_pad(attenuation_db=20.0, unit_resistance=100.0, load_resistance=47e3),
            "more than 53.44 dB",
        ),
    ],
)
def test_pads_that_can_not_be(call: Any, message: str) -> None:
    with pytest.raises(InputError, match=message):
        call()


def _rc() -> Network:
    elements = (Element("R1", R, ("in", "out")), Element("C1", C, ("out", "0")))
    return Network(Topology("own", elements), np.array([1e3, 100e-9]))


def test_stresses_of_a_resistor_and_a_capacitor() -> None:
    # Across the resistor the impulse response is delta(t) - exp(-t/T)/T: integral of its
    # magnitude 2; across the capacitor exp(-t/T)/T: 1.  Power: (10 V)**2/1 kohm.
    stresses = part_stresses(
        _rc(), Conditions(curve=CURVE, loading=Loading(0.0, 1e12, 0.0)), amplitude_v=10.0
    )
    resistor, capacitor = stresses.parts
    assert resistor.voltage_v == pytest.approx(20.0, rel=1e-6)
    assert capacitor.voltage_v == pytest.approx(10.0, rel=1e-6)
    assert resistor.dissipation_w == pytest.approx(0.1, rel=1e-6)
    assert capacitor.dissipation_w is None
    assert stresses.ratings == {"R1": "0.25 W", "C1": "50 V"}


def test_ratings_follow_the_level() -> None:
    assert largest_amplitude_v(source_level_v=0.5) == 10.0
    assert largest_amplitude_v(source_level_v=20.0) == pytest.approx(20.0 * math.sqrt(2.0))
    stresses = part_stresses(
        _rc(),
        Conditions(curve=CURVE, loading=Loading(0.0, 1e12, 0.0)),
        amplitude_v=largest_amplitude_v(source_level_v=20.0),
    )
    # A sine of 28.3 V peak, or a square wave of that: 800/1000 W; twice that is 1.6 W.
    assert stresses.parts[0].dissipation_w == pytest.approx(0.8, rel=1e-6)
    assert stresses.ratings == {"R1": "2 W", "C1": "63 V"}
    beyond = part_stresses(
        _rc(), Conditions(curve=CURVE, loading=Loading(0.0, 1e12, 0.0)), amplitude_v=1000.0
    )
    assert beyond.ratings == {"R1": "2 kW or more", "C1": "2 kV or more"}


def _outputs(network: Network) -> list[list[tuple[Any, ...]]]:
    """Cards of the network with its load, an open output and one shorted by 10 milliohm."""
    loaded = list(_cards(network))
    bare = [card for card in loaded if card[0] not in ("RLOAD", "CLOAD")]
    return [loaded, bare, [*bare, ("RSHORT", "out", "0", 0.01)]]


def test_an_output_left_open_or_shorted_counts() -> None:
    """A divider of 100 and 900 ohm: 10 V/1 kohm loaded, 10 V/100 ohm with the output shorted."""
    elements = (Element("R1", R, ("in", "out")), Element("R2", R, ("out", "0")))
    network = Network(Topology("own", elements), np.array([100.0, 900.0]))
    conditions = Conditions(curve=CURVE, loading=Loading(0.0, 900.0, 0.0))
    stresses = part_stresses(network, conditions, amplitude_v=10.0)
    first, second = stresses.parts
    assert (first.worst_output, second.worst_output) == ("shorted", "open")
    assert first.dissipation_w == pytest.approx(1.0, rel=1e-3)  # 10 milliohm remain
    assert second.dissipation_w == pytest.approx(9.0**2 / 900.0, rel=1e-6)
    assert second.band_dissipation_w == pytest.approx(9.0**2 / 900.0 / 2.0, rel=1e-6)
    assert stresses.source_current_a == pytest.approx(0.1, rel=1e-3)
    assert stresses.drivable and drive_lines(stresses) == []
    heavy = part_stresses(network, conditions, amplitude_v=30.0)
    assert not heavy.drivable
    assert "No bench generator drives this" in drive_lines(heavy)[0]


def test_stresses_hold_for_every_sine(network: Network) -> None:
    stresses = part_stresses(network, Conditions(curve=CURVE, loading=LOADING), amplitude_v=10.0)
    frequency = np.union1d(np.geomspace(0.01, 1e8, 401), [20.0, 20e3])
    in_band = (frequency >= 20.0) & (frequency <= 20e3)
    for part, element, value in zip(
        stresses.parts, network.topology.elements, network.values, strict=True
    ):
        across = np.max(
            [np.abs(solve_cards(c, frequency, element.nodes)) for c in _outputs(network)], axis=0
        )
        assert part.band_voltage_v == pytest.approx(10.0 * across[in_band].max(), rel=2e-3)
        assert part.band_voltage_v <= part.voltage_v * (1 + 1e-9)
        assert part.voltage_v >= 10.0 * across.max() * (1 - 1e-9)
        assert part.voltage_v <= 20.0 * (1 + 1e-9)  # node voltages stay within the EMF's
        if part.dissipation_w is not None:
            assert part.dissipation_w == pytest.approx((10.0 * across.max()) ** 2 / value, rel=1e-3)


def test_delay_is_the_derivative_of_the_phase(network: Network) -> None:
    frequency = np.geomspace(10, 100e3, 33)
    table = delay_table(network, Conditions(curve=CURVE, loading=LOADING), frequency_hz=frequency)
    transfer_function = transfer_coefficients(
        network.topology,
        network.values,
        source_resistance=50.0,
        load_resistance=47e3,
        load_capacitance=150e-12,
    )
    omega = 2 * math.pi * frequency

    def phase(w: Any) -> Any:
        _, h = signal.freqs(
            transfer_function.numerator[::-1], transfer_function.denominator[::-1], w
        )
        return np.angle(h)

    np.testing.assert_allclose(np.radians(table.network_phase_deg), phase(omega), atol=1e-9)
    step = 1e-5 * omega
    slope = (phase(omega + step) - phase(omega - step)) / (2 * step)
    # Central differences: rounding of the phase over the step, 1e-15/1e-5 of the delay's scale.
    np.testing.assert_allclose(table.network_delay_s, -slope, rtol=1e-6, atol=1e-12)


def test_delay_of_the_chain_is_that_of_the_ultrasonic_poles(network: Network) -> None:
    frequency = np.array([20.0, 1e3, 20e3])
    table = delay_table(network, Conditions(curve=CURVE, loading=LOADING), frequency_hz=frequency)
    pole = 1 / (2 * math.pi * 50e3)
    expected = pole / (1 + (frequency / 50e3) ** 2)
    # On top of it the pole of the load's capacitance, 0.056 us.
    np.testing.assert_allclose(table.chain_delay_s - expected, 5.61e-8, rtol=2e-3)
    np.testing.assert_allclose(
        table.chain_phase_deg, -np.degrees(np.arctan(frequency / 50e3)), atol=0.5
    )


def test_stray_equals_nodal_analysis(network: Network) -> None:
    frequency = np.geomspace(*BAND, 31)
    there = with_stray(network, nodes=("n1", "out"), capacitance_f=10e-12)
    expected = solve_cards([*_cards(network), ("CX", "n1", "out", 10e-12)], frequency)
    response = transfer(there, frequency, loading=LOADING)
    np.testing.assert_allclose(response, expected, rtol=1e-9)


def test_stray_table_covers_elements_and_nodes(network: Network) -> None:
    table = stray_table(network, Conditions(curve=CURVE, loading=LOADING, band_hz=BAND))
    pairs = {frozenset(row.nodes) for row in table.rows}
    assert len(pairs) == 10  # five nodes, ground among them
    assert {"R1 C1", "R2 C2", "R3", "R4", ""} == {" ".join(row.across) for row in table.rows}
    growth = [row.growth_db for row in table.rows]
    assert growth == sorted(growth, reverse=True)
    # In parallel with a capacitor a stray is that capacitor enlarged.
    enlarged = np.array(network.values)
    enlarged[1] += 10e-12
    expected = error_range(
        Network(network.topology, enlarged), Conditions(curve=CURVE, loading=LOADING, band_hz=BAND)
    ).centred_db
    row = next(r for r in table.rows if r.across == ("R1", "C1") and r.capacitance_f == 10e-12)
    assert row.error_centred_db == pytest.approx(expected, abs=1e-10)


def test_stray_at_an_unknown_node_is_refused(network: Network) -> None:
    with pytest.raises(InputError, match="name two different nodes of in, n1, n2, out, 0"):
        with_stray(network, nodes=("n1", "n9"), capacitance_f=1e-12)
