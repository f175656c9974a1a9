"""Numbers beside the symbols: they give the exact values, which are solved without formulas."""

from __future__ import annotations

import pytest

from antecurve.curves.catalogue import named_curve
from antecurve.curves.construct import with_limits
from antecurve.curves.model import zero_pole_gain
from antecurve.networks.topology import Loading
from antecurve.synthesis.formulas import form_formulas
from antecurve.synthesis.sections import ExactNetwork, named_form, realise
from antecurve.synthesis.sections.section import Requirements
from antecurve.synthesis.worked_numbers import worked_numbers

DISC = with_limits(named_curve("disc"), ultrasonic_poles_hz=[50e3])
NO_SHELF = with_limits(named_curve("disc-nab-1949"), ultrasonic_poles_hz=[50e3])


def _exact(form: str, curve: object, loading: Loading, gain: float) -> ExactNetwork:
    result = realise(
        named_form(form),
        Requirements(zero_pole_gain(curve), loading, gain, 500.0),  # type: ignore[arg-type]
    )
    assert isinstance(result, ExactNetwork)
    return result


@pytest.mark.parametrize("capacitance", [0.0, 150e-12])
@pytest.mark.parametrize(
    "form", ["foster-1", "foster-2", "cauer-1", "rc-shunt-foster-1", "foster-1-inside-long"]
)
@pytest.mark.parametrize("curve", [DISC, NO_SHELF], ids=["disc", "no shelf"])
def test_numbers_are_those_of_the_network(curve: object, form: str, capacitance: float) -> None:
    loading = Loading(50.0, 47e3, capacitance)
    network = _exact(form, curve, loading, 1e-2).network
    formulas = form_formulas(form, curve)  # type: ignore[arg-type]
    numbers = worked_numbers(formulas, network, loading)
    for ref, value in zip(network.topology.refs, network.values, strict=True):
        assert numbers[ref] == pytest.approx(value, rel=1e-6)
    # The level asked for; with a load capacitance but for the pole it adds, beyond 1 MHz.
    assert numbers["H1"] == pytest.approx(1e-2, rel=1e-3 if capacitance else 1e-6)


def test_cascade_takes_the_root_that_makes_it_positive() -> None:
    loading = Loading(50.0, 47e3, 0.0)
    network = _exact("cascade-long-first", DISC, loading, 1e-2).network
    numbers = worked_numbers(form_formulas("cascade-long-first", DISC), network, loading)
    assert numbers["k1"] > 0
    assert numbers["k2"] > 0


def test_another_network_has_no_numbers() -> None:
    loading = Loading(50.0, 47e3, 0.0)
    network = _exact("foster-1", DISC, loading, 1e-2).network
    other = type(network)(network.topology, network.values * [1.1, 1, 1, 1, 1, 1])
    assert worked_numbers(form_formulas("foster-1", DISC), other, loading) == {}
