"""Responses of the arrangements, and a capture, by ngspice, a general circuit simulator."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import numpy as np
import pytest
from faulty_units import CONDITIONS, cards, network_cards, with_values
from playback_units import VALUES, by_tolerance
from unit_circuits import recorded

from antecurve.curves.catalogue import named_curve
from antecurve.diagnose.arrangements import ARRANGEMENTS, Arrangement, arranged_circuit
from antecurve.diagnose.diagnosis import diagnose_unit
from antecurve.diagnose.nodal import ideal_drive, nodal_model
from antecurve.diagnose.unit_circuit import UnitInput
from optional_programs import needs_ngspice

pytestmark = needs_ngspice


def simulated(text: str, kind: type, folder: Path) -> tuple[list[str], np.ndarray]:
    """Run the simulator; names and columns of its result."""
    (folder / "unit.cir").write_text(text)
    subprocess.run(
        ["ngspice", "-b", "-r", "unit.raw", "unit.cir"],
        cwd=folder, capture_output=True, text=True, timeout=120, check=True,
    )  # fmt: skip
    header, _, numbers = (folder / "unit.raw").read_bytes().partition(b"Binary:\n")
    names = re.findall(r"^\t\d+\t(\S+)", header.decode(), re.MULTILINE)
    return names, np.frombuffer(numbers, dtype=kind).reshape(-1, len(names)).T


@pytest.mark.parametrize("arranged", ARRANGEMENTS, ids=lambda a: a.name)
def test_response_is_the_simulators(arranged: Arrangement, tmp_path: Path) -> None:
    circuit = arranged_circuit(
        arranged, title="x", curve=named_curve("disc"), unit_input=UnitInput(47e3, 150e-12)
    )
    text = f"* unit\nV1 in 0 AC 1\n{cards(circuit)}\n.ac dec 3 5 2e5\n.end\n"
    names, columns = simulated(text, complex, tmp_path)
    model = nodal_model(circuit)
    ours = model.response(model.nominal, ideal_drive(columns[0].real))
    # The simulator's conductance of 1e-12 S at every node, and its 1 Gohm at the integrator.
    np.testing.assert_allclose(ours, columns[names.index("v(out)")], rtol=1e-5)


COUPLING = {
    "passive split": {"C3": 100e-9},
    "feedback inverting": {"C3": 2.2e-6, "C4": 100e-9},
}
"""Coupling of at most 22 ms, so that 0.29 s settle it to a thousandth of a step of 8 bits."""
OFF = {"passive split": "R3", "feedback inverting": "C2"}
"""A part of each that no other one stands for; responses are the simulator's of all five."""


@pytest.mark.sweep(1)
@pytest.mark.parametrize(
    "arranged", [a for a in ARRANGEMENTS if a.name in OFF], ids=lambda a: a.name
)
def test_a_transient_capture_names_the_part(arranged: Arrangement, tmp_path: Path) -> None:
    """A square wave of 200 Hz integrated over time, once coupling has settled, at 8 bits."""
    from scipy.interpolate import PchipInterpolator

    nominal = with_values(
        arranged_circuit(
            arranged, title="x", curve=named_curve("disc"), unit_input=UnitInput(47e3, 150e-12)
        ),
        **COUPLING[arranged.name],
    )
    ref = OFF[arranged.name]
    wrong = with_values(nominal, **{ref: 1.5 * nominal.position(ref).value})
    text = (
        f"* unit\nV1 drive 0 PULSE(-0.7 0.7 0 10n 10n 2.49999m 5m)\n"
        f"{network_cards(VALUES)}\n{cards(wrong)}\n"
        ".options reltol=1e-5\n.tran 4u 0.3 0.287 8u\n.end\n"
    )
    names, columns = simulated(text, float, tmp_path)
    time = np.linspace(0.2871, 0.2999, 3000)
    clean = PchipInterpolator(columns[0], columns[names.index("v(out)")])(time)
    capture = recorded(clean, np.random.default_rng(3), time=time, name="transient")
    result = diagnose_unit([capture], by_tolerance(), nominal, conditions=CONDITIONS)
    first = result.suspects[0]
    assert first.refs == (ref,) and first.probability > 0.9
    # The network's parts are known by their tolerance of 1 and 2.5 %.
    assert first.value == pytest.approx(wrong.position(ref).value, rel=0.05)
    assert result.good_probability < 1e-6
