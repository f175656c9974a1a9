"""Balanced versions: same differential response, parts doubled where they stand in both legs."""

from __future__ import annotations

import numpy as np
import pytest

from antecurve.curves.catalogue import named_curve
from antecurve.curves.construct import with_limits
from antecurve.errors import InputError
from antecurve.networks.balanced import balanced_network
from antecurve.networks.compiled import input_impedance, output_impedance, transfer
from antecurve.networks.topology import Loading
from antecurve.synthesis.exact import exact_network, form_names

LOADING = Loading(50.0, 47e3, 150e-12)
CURVE = with_limits(named_curve("disc"), ultrasonic_poles_hz=[50e3])
FREQUENCY = np.geomspace(1, 1e6, 31)


@pytest.mark.parametrize("form", [n for n in form_names() if not n.startswith("output-")])
def test_response_and_impedances_are_the_same(form: str) -> None:
    network = exact_network(form, CURVE, loading=LOADING, gain=0.01, shunt_resistance=500.0).network
    both = balanced_network(network)
    for function in (transfer, input_impedance, output_impedance):
        one, other = (function(n, FREQUENCY, loading=LOADING) for n in (network, both))
        assert other == pytest.approx(one, rel=1e-12)


def test_series_parts_are_doubled_and_shunt_parts_are_not() -> None:
    network = exact_network(
        "foster-1", CURVE, loading=LOADING, gain=0.01, shunt_resistance=500.0
    ).network
    both = balanced_network(network)
    assert both.topology.refs == (
        "R1P", "R1N", "C1P", "C1N", "R2P", "R2N", "C2P", "C2N", "R3P", "R3N", "R4",
    )  # fmt: skip
    assert both.topology.output == ("out", "out-")
    assert both.value("R1P") == both.value("R1N") == network.value("R1") / 2
    assert both.value("C2P") == both.value("C2N") == 2 * network.value("C2")
    assert both.value("R4") == network.value("R4")
    ends = {e.ref: e.nodes for e in both.topology.elements}
    assert (ends["R1P"][0], ends["R1N"][0], ends["R4"]) == ("in", "0", ("out", "out-"))


def test_a_balanced_network_is_not_balanced_again() -> None:
    network = exact_network(
        "foster-1", CURVE, loading=LOADING, gain=0.01, shunt_resistance=500.0
    ).network
    with pytest.raises(InputError, match="balanced already"):
        balanced_network(balanced_network(network))
