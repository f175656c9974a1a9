"""Loaded networks against cascaded two-ports of scikit-rf, and pads against nodal analysis."""

from __future__ import annotations

import warnings
from types import ModuleType
from typing import Any

import numpy as np
import pytest
from nodal import Card, solve_cards

from antecurve.analysis.loading import loading_table, shared_generator
from antecurve.analysis.pads import generator_pad, unit_pad
from antecurve.curves.catalogue import named_curve
from antecurve.curves.construct import with_limits
from antecurve.curves.model import response
from antecurve.networks.conditions import Conditions
from antecurve.networks.topology import Loading, Network
from antecurve.synthesis.exact import exact_network

CURVE = with_limits(named_curve("disc"), ultrasonic_poles_hz=(50e3,))
LOADING = Loading(50.0, 47e3, 150e-12)
BAND = (20.0, 20e3)
FREQUENCY = np.sort(np.append(np.geomspace(*BAND, 721), 1000.0))
REFERENCE = int(np.searchsorted(FREQUENCY, 1000.0))


@pytest.fixture(scope="module")
def rf() -> ModuleType:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the library's own, on import
        return pytest.importorskip("skrf")


@pytest.fixture(scope="module")
def network() -> Network:
    return exact_network(
        "foster-1", CURVE, loading=LOADING, gain=0.01, shunt_resistance=500.0
    ).network


def _transfer_by_two_ports(
    rf: ModuleType, network: Network, source: float, load: float, farad: float
) -> Any:
    """EMF to output with everything a cascaded two-port: V2/V1 at no current is 1/A."""
    frequency = rf.Frequency.from_f(FREQUENCY, unit="hz")
    media = rf.media.DefinedGammaZ0(frequency, z0=600.0)
    value = network.value

    def pair(resistance: float, capacitance: float) -> Any:
        admittance = media.resistor(resistance).y + media.capacitor(capacitance).y
        made = media.resistor(resistance)
        made.s = rf.network.y2s(admittance, made.z0)
        return made

    chain = media.resistor(max(source, 1e-9)) ** pair(value("R1"), value("C1"))
    chain = chain ** pair(value("R2"), value("C2")) ** media.resistor(value("R3"))
    chain = chain ** media.shunt(_one_port(media, value("R4")))
    chain = chain ** media.shunt(_one_port(media, load))
    if farad:
        chain = chain ** media.shunt_capacitor(farad)
    return 1.0 / chain.a[:, 0, 0]


def _one_port(media: Any, resistance: float) -> Any:
    return media.resistor(resistance) ** media.short()


def test_loading_table_equals_cascaded_two_ports(rf: ModuleType, network: Network) -> None:
    table = loading_table(
        network,
        Conditions(curve=CURVE, loading=LOADING, band_hz=BAND),
        source_ohm=(0.0, 600.0),
        load_ohm=(100.0, 1e3),
        load_f=(0.0, 500e-12),
    )
    ideal = np.abs(response(CURVE, FREQUENCY))
    nominal = None
    for source, load, farad, shift, centred in zip(
        table.source_ohm, table.load_ohm, table.load_f,
        table.level_shift_db, table.error_centred_db, strict=True,
    ):  # fmt: skip
        made = _transfer_by_two_ports(rf, network, source, load, farad)
        error = 20 * np.log10(np.abs(made) / ideal)
        level = 20 * np.log10(abs(made[REFERENCE]))
        nominal = level if nominal is None else nominal
        # scattering parameters of 450 kohm against 600 ohm lose some six digits
        assert shift == pytest.approx(level - nominal, abs=1e-7)
        assert centred == pytest.approx(np.ptp(error) / 2, abs=1e-6)
    assert len(table.source_ohm) == 27


def _cards(network: Network, source: str, load: list[Card]) -> list[Card]:
    elements = [
        (e.ref, *e.nodes, float(v))
        for e, v in zip(network.topology.elements, network.values, strict=True)
    ]
    return [("RSOURCE", "drive", source, 50.0), *elements, *load]


LOAD: list[Card] = [("RLOAD", "out", "0", 47e3), ("CLOAD", "out", "0", 150e-12)]


def test_generator_pad_changes_the_level_only(network: Network) -> None:
    pad = generator_pad(attenuation_db=20.0, generator_resistance=50.0, source_resistance=50.0)
    cards = _cards(network, "tap", LOAD)
    cards += [("RPAD1", "tap", "in", pad.series_ohm), ("RPAD2", "in", "0", pad.shunt_ohm)]
    plain = solve_cards(_cards(network, "in", LOAD), FREQUENCY)
    np.testing.assert_allclose(solve_cards(cards, FREQUENCY) / plain, 0.1, rtol=1e-9)


def test_unit_pad_loads_as_the_unit_did(network: Network) -> None:
    pad = unit_pad(attenuation_db=20.0, unit_resistance=47e3, load_resistance=47e3)
    behind: list[Card] = [
        ("RPAD1", "out", "unit", pad.series_ohm),
        ("RPAD2", "unit", "0", pad.shunt_ohm),
        ("RLOAD", "unit", "0", 47e3),
    ]
    plain = solve_cards(_cards(network, "in", LOAD[:1]), FREQUENCY)
    padded = solve_cards(_cards(network, "in", behind), FREQUENCY, ("unit", "0"))
    np.testing.assert_allclose(padded / plain, 0.1, rtol=1e-9)


def test_two_networks_on_one_generator(network: Network) -> None:
    cards = _cards(network, "in", LOAD)
    second = [
        (ref + "B", *(n if n in ("in", "0") else n + "b" for n in (a, b)), value)
        for ref, a, b, value in cards[1:]
    ]
    both = solve_cards([*cards, *second], FREQUENCY)
    one = solve_cards(cards, FREQUENCY)
    shared = shared_generator(network, Conditions(curve=CURVE, loading=LOADING, band_hz=BAND))
    assert shared.source_ohm.tolist() == [50.0, 100.0]
    expected = 20 * np.log10(abs(both[REFERENCE]) / abs(one[REFERENCE]))
    assert shared.level_shift_db[1] == pytest.approx(expected, abs=1e-9)
    error = 20 * np.log10(np.abs(both / response(CURVE, FREQUENCY)))
    assert shared.error_centred_db[1] == pytest.approx(np.ptp(error) / 2, abs=1e-6)
