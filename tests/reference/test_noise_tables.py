"""Thermal noise and A-weighting against published numbers."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest

from antecurve.analysis.a_weighting import a_weighting
from antecurve.analysis.noise import BOLTZMANN_CONSTANT, noise_density, noise_voltage
from antecurve.networks.topology import Element, ElementKind, Loading, Network, Topology

DATA = Path(__file__).parent.parent / "data"
OPEN = 1e18  # a load that takes no current: its share of the noise is 1e-12 or less


def _row(quantity: str) -> dict[str, str]:
    with (DATA / "thermal_noise.csv").open() as file:
        rows = [r for r in csv.DictReader(file) if r["quantity"].startswith(quantity)]
    assert len(rows) == 1, quantity
    return rows[0]


def _resistor(ohm: float) -> Network:
    element = Element("R1", ElementKind.RESISTOR, ("in", "out"))
    return Network(Topology("own", (element,)), np.array([ohm]))


def test_boltzmann_constant_is_that_of_the_si() -> None:
    assert float(_row("Boltzmann")["value"]) == BOLTZMANN_CONSTANT


@pytest.mark.parametrize(
    ("quantity", "ohm", "kelvin", "bandwidth_hz"),
    [
        ("Vn 1 kohm 300 K 20 kHz", 1e3, 300.0, 20e3),
        ("Vn 1 kohm room temp", 1e3, 300.0, 10e3),
        ("Vn 1 kohm 290 K 10 kHz", 1e3, 290.0, 10e3),
        ("Vn 47 kohm 20 kHz 300 K", 47e3, 300.0, 20e3),
    ],
)
def test_noise_of_a_resistor_over_a_band(
    quantity: str, ohm: float, kelvin: float, bandwidth_hz: float
) -> None:
    # The table's bands begin at DC; 1 mHz of it left out is 5e-8 or less of the power.
    noise = noise_voltage(
        _resistor(ohm),
        loading=Loading(0.0, OPEN, 0.0),
        band_hz=(1e-3, bandwidth_hz),
        temperature_k=kelvin,
    )
    assert noise == pytest.approx(float(_row(quantity)["value"]), rel=1e-7)


@pytest.mark.parametrize(
    ("quantity", "source", "series", "kelvin"),
    [
        ("Vn 1 kohm 300 K 1 Hz", 0.0, 1000.0, 300.0),
        ("Vn 50 ohm 1 Hz", 50.0, 1e-9, 300.0),  # the source's resistance makes noise as well
    ],
)
def test_noise_density(quantity: str, source: float, series: float, kelvin: float) -> None:
    density = noise_density(
        _resistor(series), [1000.0], loading=Loading(source, OPEN, 0.0), temperature_k=kelvin
    )
    assert density[0] == pytest.approx(float(_row(quantity)["value"]), rel=1e-9)


def test_hundred_kilohm_over_a_megahertz() -> None:
    # Published with k = 1.38e-23; the constant's own digits are taken out before comparing.
    row = _row("Vn 100 kohm 300 K 1 MHz")
    noise = noise_voltage(
        _resistor(100e3), loading=Loading(0.0, OPEN, 0.0), band_hz=(1e-3, 1e6), temperature_k=300.0
    )
    scaled = noise * math.sqrt(1.38e-23 / BOLTZMANN_CONSTANT)
    assert scaled == pytest.approx(float(row["value"]), rel=1e-8)


@pytest.mark.parametrize(("farad", "index"), [(1e-12, None), (100e-12, 0), (1e-9, 1), (100e-9, 2)])
@pytest.mark.parametrize("ohm", [50.0, 1e3, 1e6])
def test_total_noise_across_a_capacitor(farad: float, index: int | None, ohm: float) -> None:
    if index is None:
        expected = float(_row("kT/C 1 pF")["value"])
    else:
        expected = float(_row("kT/C 100 pF")["value"].split(" / ")[index])
    corner = 1.0 / (2.0 * math.pi * ohm * farad)
    noise = noise_voltage(
        _resistor(ohm),
        loading=Loading(0.0, OPEN, farad),
        band_hz=(corner * 1e-8, corner * 1e8),
        temperature_k=300.0,
    )
    # The two ends left out hold 2 * 2/pi * 1e-8 of the power.
    assert noise == pytest.approx(expected, rel=1e-8)


def test_noise_bandwidth_of_one_pole() -> None:
    factor = float(_row("noise bandwidth")["value"])
    corner, ohm = 10e3, 1e3
    farad = 1.0 / (2.0 * math.pi * ohm * corner)
    loading = Loading(0.0, OPEN, farad)
    network = _resistor(ohm)
    total = noise_voltage(network, loading=loading, band_hz=(1e-4, 1e12))
    low = noise_density(network, [1e-6], loading=loading)[0]
    assert (total / low) ** 2 / corner == pytest.approx(factor, rel=2e-8)


def _a_table() -> list[tuple[float, float]]:
    with (DATA / "a_weighting_table.csv").open() as file:
        return [(float(r["exact_hz"]), float(r["a_db"])) for r in csv.DictReader(file)]


def test_a_weighting_table_is_whole() -> None:
    assert len(_a_table()) == 34  # 10 Hz to 20 kHz in third octaves


@pytest.mark.parametrize(("frequency", "level"), _a_table())
def test_a_weighting(frequency: float, level: float) -> None:
    # IEC 61672-1:2013 table 3 is printed to 0.1 dB; the frequencies of the file to 4 decimals.
    assert a_weighting(frequency) == pytest.approx(level, abs=0.0501)
