"""Bounds by what a network does far outside the band, against responses solved node by node."""

from __future__ import annotations

import numpy as np
import pytest
from nodal import solve_cards

from antecurve.curves.model import level_db
from antecurve.job import default_job
from antecurve.networks.topology import Element, ElementKind, Topology
from antecurve.pick.boxes import Grids
from antecurve.pick.departure import least_departure
from antecurve.pick.model import NEPER_DB, NetworkModel
from antecurve.synthesis.exact import exact_network, form_names

JOB = default_job()
FREQUENCY = np.geomspace(*JOB.target.band_hz, 61)
MESH = "C0 in out,R1 in a,C2 in b,R3 out 0,C4 out a,R5 out b,C6 0 a,R7 0 b,C8 a b"
LADDER = "R1 in a,C1 in a,R2 a 0,R3 a b,C3 a b,R4 b 0,R5 b out,C5 b out,R6 out 0"


def _topology(lines: str) -> Topology:
    words = [line.split() for line in lines.split(",")]
    kinds = {"R": ElementKind.RESISTOR, "C": ElementKind.CAPACITOR}
    return Topology("own", tuple(Element(w[0], kinds[w[0][0]], (w[1], w[2])) for w in words))


def _error_db(topology: Topology, values: np.ndarray) -> float:
    """Centred error, of the band's error never more."""
    loading = JOB.loading
    cards = [
        (e.ref, *e.nodes, value)
        for e, value in zip(topology.elements, values.tolist(), strict=True)
    ]
    cards += [
        ("RSOURCE", "drive", "in", loading.source_resistance),
        ("RLOAD", "out", "0", loading.load_resistance),
        ("CLOAD", "out", "0", loading.load_capacitance),
    ]
    levels = 20.0 * np.log10(np.abs(solve_cards(cards, FREQUENCY)))
    return float(np.ptp(levels - level_db(JOB.curve, FREQUENCY)) / 2.0)


def _bound_db(topology: Topology, low: np.ndarray, high: np.ndarray) -> float:
    grids = Grids(tuple(np.unique([a, b]) for a, b in zip(low, high, strict=True)), ())
    return least_departure(NetworkModel(topology, JOB), grids) * NEPER_DB


@pytest.mark.parametrize("lines", [MESH, LADDER])
def test_no_network_of_many_positions_is_below_its_bound(lines: str) -> None:
    topology = _topology(lines)
    resistors = np.array([e.kind is ElementKind.RESISTOR for e in topology.elements])
    low, high = np.where(resistors, 10.0, 2.2e-10), np.where(resistors, 1e6, 4.7e-7)
    bound = _bound_db(topology, np.log(low), np.log(high))
    assert bound > 0.0
    rng = np.random.default_rng(1)
    values = np.exp(rng.uniform(np.log(low), np.log(high), (40, len(low))))
    assert bound < min(_error_db(topology, v) for v in values)


@pytest.mark.parametrize("form", [f for f in form_names() if not f.startswith("output-")])
def test_one_network_that_nearly_makes_the_curve_is_not_below_its_bound(form: str) -> None:
    exact = exact_network(
        form, JOB.curve, loading=JOB.loading, gain=JOB.gain, shunt_resistance=500.0
    ).network
    # What the pole of the load alone adds: 6e-6 to 1e-4 dB.
    error = _error_db(exact.topology, exact.values)
    logs = np.log(exact.values)
    bounds = [_bound_db(exact.topology, logs - wide, logs + wide) for wide in (0.0, 0.01, 1.0)]
    assert 0.0 < bounds[2] < bounds[1] < bounds[0] < error
    assert bounds[0] > error / 1e6  # so that it tells of single networks
