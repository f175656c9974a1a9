"""Circuits of units: files, wiring faults in words, and the algebra of changes."""

from __future__ import annotations

import tomllib
from typing import Any

import numpy as np
import pytest

from antecurve.curves.catalogue import named_curve
from antecurve.diagnose.arrangements import ARRANGEMENTS, Arrangement, arranged_circuit
from antecurve.diagnose.circuit_wiring import check_circuit
from antecurve.diagnose.nodal import ideal_drive, nodal_model
from antecurve.diagnose.own_error import own_error
from antecurve.diagnose.unit_circuit import UnitInput
from antecurve.errors import InputError
from antecurve.files.starter_unit import starter_unit
from antecurve.files.unit_file import parse_unit

PASSIVE: dict[str, Any] = {
    "curve": "disc",
    "input": {"resistance": "47k", "capacitance": "150p"},
    "block": [
        {"name": "A1", "input": "in", "output": "a", "gain": 30, "output_resistance": "1k"},
        {"name": "A2", "input": "b", "output": "out", "gain": 10},
    ],
    "elements": {
        "R1": {"nodes": ["a", "b"], "value": "46k"},
        "R2": {"nodes": ["b", "c"], "value": "6.83k"},
        "C1": {"nodes": ["c", "0"], "value": "46.6n"},
        "C2": {"nodes": ["b", "0"], "value": "16n"},
    },
}
FEEDBACK = tomllib.loads(starter_unit())


def _with(raw: dict[str, Any], **changes: Any) -> dict[str, Any]:
    return raw | changes


def _elements(**changes: Any) -> dict[str, Any]:
    return _with(PASSIVE, elements=PASSIVE["elements"] | changes)


@pytest.mark.parametrize("arranged", ARRANGEMENTS, ids=lambda a: a.name)
def test_arrangements_play_the_disc_curve(arranged: Arrangement) -> None:
    # Time constants of IEC 60098; the rest is rounding to parts, and coupling at the low end.
    circuit = arranged_circuit(
        arranged, title="x", curve=named_curve("disc"), unit_input=UnitInput(47e3, 150e-12)
    )
    error = own_error(check_circuit(circuit), (20.0, 20e3))
    assert error.centred_db < 0.25
    assert error.spread_db > error.centred_db


@pytest.mark.parametrize("arranged", ARRANGEMENTS, ids=lambda a: a.name)
def test_changes_and_sensitivities_are_those_of_a_new_solution(arranged: Arrangement) -> None:
    circuit = arranged_circuit(
        arranged, title="x", curve=named_curve("disc"), unit_input=UnitInput(47e3, 150e-12)
    )
    model, drive = nodal_model(circuit), ideal_drive(np.geomspace(10.0, 1e5, 9))
    values = model.nominal
    values[0], values[3] = 3.0 * values[0], 0.2 * values[3]
    response, slopes = model.solved(drive).changed(np.array([[0, 3]]), values[None, [0, 3]])
    anew = model.response(values, drive)
    np.testing.assert_allclose(response[0], anew, rtol=1e-9)  # rounding of a 15 x 15 solve
    step = 1e-4
    for port, value in enumerate(values):
        if value == 0.0 or np.isinf(value):
            continue
        either = [model.response(np.where(np.arange(values.size) == port, value * f, values), drive)
                  for f in (np.exp(step), np.exp(-step))]  # fmt: skip
        slope = np.log(either[0] / either[1]) / (2.0 * step)
        np.testing.assert_allclose(slopes[0, port], slope, atol=1e-6)  # the step squared


@pytest.mark.parametrize("arranged", ARRANGEMENTS, ids=lambda a: a.name)
def test_starter_of_each_arrangement_plays_the_disc_curve(arranged: Arrangement) -> None:
    circuit = parse_unit(tomllib.loads(starter_unit(arranged.name)))
    assert circuit.curve.name == "disc"
    assert circuit.amplifiers == arranged.amplifiers
    assert circuit.operational_amplifiers == arranged.operational_amplifiers
    for ref, first, second, value in arranged.parts:
        position = circuit.position(ref)
        assert position.element.nodes == (first, second)
        assert position.value == pytest.approx(value, rel=1e-9)
        assert position.tolerance == (0.1 if value < 1.0 and value > 5e-8 else
                                      0.025 if ref.startswith("C") else 0.01)  # fmt: skip


WRONG = {
    "no dependence": (
        _with(PASSIVE, block=[PASSIVE["block"][0] | {"input": "q"}, PASSIVE["block"][1]])
        | {"elements": PASSIVE["elements"] | {"R8": {"nodes": ["in", "0"], "value": 1e6},
                                              "R9": {"nodes": ["q", "0"], "value": 1e6}}},
        "does not depend on the input",
    ),
    "lonely node": (_elements(R2={"nodes": ["b", "cc"], "value": 1e4}), "node c"),
    "floating node": (
        _elements(
            R8={"nodes": ["x", "y"], "value": 1e4}, C8={"nodes": ["x", "y"], "value": 1e-9}
        ),
        "floats",
    ),
    "unstable": (
        _with(
            {k: v for k, v in FEEDBACK.items() if k not in ("arrangement", "values")},
            opamp=[{"name": "U1", "plus": "f", "minus": "in", "output": "out"}],
            elements={"R1": {"nodes": ["out", "f"], "value": 1e5},
                      "R3": {"nodes": ["f", "0"], "value": 1e3}},
        ),
        "unstable",
    ),
    "no bias": (
        _elements(R1={"nodes": ["a", "b2"], "value": 46e3},
                  C9={"nodes": ["b2", "b"], "value": 1e-6}),
        "no path for its bias",
    ),
    "shorted": (_elements(R2={"nodes": ["b", "b"], "value": 1e4}), "shorted"),
    "two drive": (
        _with(PASSIVE, block=[*PASSIVE["block"], PASSIVE["block"][1] | {"name": "A3"}]),
        "both drive",
    ),
    "unknown key": (_with(PASSIVE, elemnts={}), "did you mean 'elements'"),
    "no input": (_with(PASSIVE, input={}), "input.resistance"),
    "no curve": (_with(PASSIVE, curve=None), "name the curve"),
    "wrong arrangement": (_with(FEEDBACK, arrangement="feedbak"), "use one of"),
    "wrong value": (_with(FEEDBACK, values={"R9": "1k"}), "has R1, C1"),
    "wrong stage": (_with(FEEDBACK, opamp=[{"name": "U2"}]), "the arrangement has U1"),
    "a coil": (_elements(L1={"nodes": ["c", "0"], "value": 1.0}), "no other parts are counted"),
    "block without gain": (_with(PASSIVE, block=[{"name": "A1"}]), "A1 needs it"),
}  # fmt: skip


@pytest.mark.parametrize("name", WRONG)
def test_wrong_circuits_are_told_in_one_sentence(name: str) -> None:
    raw, words = WRONG[name]
    with pytest.raises(InputError, match=words) as raised:
        parse_unit(raw)
    assert "\n" not in str(raised.value)
