"""``network.cir`` in ngspice, a general circuit simulator, against the response of the package.

ngspice (Debian's package) makes its own modified nodal equations; the file runs unchanged.
"""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import numpy as np
import pytest
from nodal import read_cards

from antecurve.curves.catalogue import named_curve
from antecurve.curves.construct import with_limits
from antecurve.errors import UnattainableError
from antecurve.files.netlist import netlist
from antecurve.networks.balanced import balanced_network
from antecurve.networks.compiled import transfer
from antecurve.networks.topology import Element, ElementKind, Loading, Network, Topology
from antecurve.pipeline import Design
from antecurve.synthesis.exact import exact_network, form_names
from optional_programs import needs_ngspice

pytestmark = needs_ngspice

R, C = ElementKind.RESISTOR, ElementKind.CAPACITOR
BAND = (20.0, 20e3)
# Both solve linear equations in double precision.
EXACT_DB = 1e-9
# The printed levels, tens of dB below 0, have 4 decimals: half a unit of the last.
PRINTED_DB = 5e-5
DISC = named_curve("disc")
CURVES = tuple(with_limits(DISC, ultrasonic_poles_hz=poles) for poles in ((50e3,), (50e3, 200e3)))
LOADINGS = (
    Loading(50.0, 47e3, 150e-12),
    Loading(0.0, 47e3, 150e-12),
    Loading(600.0, 10e3, 0.0),
    Loading(0.0, 1e5, 0.0),
)


def simulated(text: str, folder: Path, *options: str) -> subprocess.CompletedProcess[str]:
    """The file as it is in the simulator."""
    (folder / "network.cir").write_text(text)
    return subprocess.run(
        ["ngspice", "-b", *options, "network.cir"],
        cwd=folder, capture_output=True, text=True, timeout=60, check=True,
    )  # fmt: skip


def voltages(text: str, folder: Path) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Frequencies [Hz] and the voltage of each node, from the file of raw numbers."""
    simulated(text, folder, "-r", "result.raw")
    header, _, numbers = (folder / "result.raw").read_bytes().partition(b"Binary:\n")
    names = re.findall(r"^\t\d+\t(\S+)", header.decode(), re.MULTILINE)
    columns = np.frombuffer(numbers, dtype=complex).reshape(-1, len(names)).T
    nodes = {n[2:-1]: column for n, column in zip(names, columns, strict=True) if n[:2] == "v("}
    return columns[0].real, nodes


def largest_difference_db(network: Network, loading: Loading, folder: Path) -> float:
    """Largest difference of the levels [dB] over the band."""
    text = netlist(network, loading=loading, band_hz=BAND)
    frequency, nodes = voltages(text, folder)
    assert frequency[[0, -1]] == pytest.approx(BAND)
    assert len(frequency) > 40 * np.log10(BAND[1] / BAND[0])
    plus, minus = network.topology.output
    simulator = nodes[plus] - (nodes[minus] if minus != "0" else 0.0)
    ours = transfer(network, frequency, loading=loading)
    return float(np.abs(20 * np.log10(np.abs(simulator / ours))).max())


@pytest.mark.sweep(8)
@pytest.mark.parametrize("form", form_names())
def test_every_form_has_the_levels_of_the_simulator(form: str, tmp_path: Path) -> None:
    made = 0
    for curve in CURVES:
        for loading in LOADINGS:
            try:
                exact = exact_network(
                    form, curve, loading=loading, gain=0.003, shunt_resistance=300.0
                )
            except UnattainableError:
                continue
            made += 1
            assert largest_difference_db(exact.network, loading, tmp_path) < EXACT_DB
    assert made


@pytest.mark.parametrize("loading", LOADINGS)
def test_balanced_networks_have_the_levels_of_the_simulator(
    loading: Loading, tmp_path: Path
) -> None:
    exact = exact_network("foster-1", CURVES[0], loading=loading, gain=0.003, shunt_resistance=300)
    both = balanced_network(exact.network)
    assert largest_difference_db(both, loading, tmp_path) < EXACT_DB


@pytest.mark.parametrize("loading", LOADINGS)
@pytest.mark.parametrize(
    "cards",
    [
        "R1 in a 270e3, C1 in a 12e-9, R2 a b 22e3, C2 a b 3.3e-9, R3 b out 560, R4 out 0 330",
        # A bridged T.
        "R1 in a 10e3, R2 a out 10e3, C1 in out 1e-9, C2 a 0 47e-9, R3 out 0 5e3",
        # Nodes between capacitors alone, which no direct current reaches.
        "C1 in a-b 1e-8, C2 a-b out 2e-8, R1 in out 1e5, C3 out x_1 1e-8, C4 x_1 0 5e-8",
    ],
)
def test_own_networks_have_the_levels_of_the_simulator(
    cards: str, loading: Loading, tmp_path: Path
) -> None:
    parts = [card.split() for card in cards.split(", ")]
    elements = [Element(p[0], R if p[0][0] == "R" else C, (p[1], p[2])) for p in parts]
    network = Network(Topology("own", tuple(elements)), np.array([float(p[3]) for p in parts]))
    assert largest_difference_db(network, loading, tmp_path) < EXACT_DB


def test_a_design_prints_its_levels(default_design: Design, tmp_path: Path) -> None:
    """The file alone makes the simulator print frequency and level."""
    conditions = default_design.conditions
    network = default_design.network
    text = netlist(network, loading=conditions.loading, band_hz=conditions.band_hz, title="A B")
    assert text.startswith("* A B\n* form ")
    assert text.endswith("\n.end\n")
    done = simulated(text, tmp_path)
    rows = re.findall(r"^\d+\t(\S+)\t(\S+)\t", done.stdout, re.MULTILINE)
    frequency, level_db = np.array(rows, dtype=float).T
    assert len(frequency) > 120
    # Frequencies are printed with 7 digits: at most 6 dB an octave, 8.7 dB times 5e-7.
    ours = transfer(network, frequency, loading=conditions.loading)
    allowed = PRINTED_DB + 8.7 * 5e-7
    np.testing.assert_allclose(level_db, 20 * np.log10(np.abs(ours)), rtol=0, atol=allowed)


def test_references_are_unique_and_each_position_has_one_card(default_design: Design) -> None:
    network = default_design.network
    for loading in LOADINGS:
        text = netlist(network, loading=loading)
        refs = [line.split()[0].lower() for line in text.splitlines() if line[0] not in "*."]
        assert len(set(refs)) == len(refs)
        cards = {ref: (a, b, value) for ref, a, b, value in read_cards(text)}
        assert cards.keys() == {*network.topology.refs, "RSOURCE", "RLOAD", "CLOAD"}
        assert cards["RSOURCE"] == ("drive", "in", loading.source_resistance)
        assert cards["RLOAD"] == ("out", "0", loading.load_resistance)
        assert cards["CLOAD"] == ("out", "0", loading.load_capacitance)
