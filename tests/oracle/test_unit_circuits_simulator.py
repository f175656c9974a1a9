"""The response of each arrangement against ngspice, a general circuit simulator."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from antecurve.curves.catalogue import named_curve
from antecurve.diagnose.arrangements import ARRANGEMENTS, Arrangement, arranged_circuit
from antecurve.diagnose.nodal import ideal_drive, nodal_model
from antecurve.diagnose.unit_circuit import UnitCircuit, UnitInput

pytestmark = pytest.mark.skipif(shutil.which("ngspice") is None, reason="needs ngspice")


def cards(circuit: UnitCircuit) -> str:
    """Write the circuit as the simulator's own cards, by controlled sources."""
    lines = [
        f"{p.element.ref} {p.element.nodes[0]} {p.element.nodes[1]} {p.value:.15g}"
        for p in circuit.positions
    ]
    for b in circuit.amplifiers:
        lines.append(f"E{b.name} {b.name}_e 0 {b.input} 0 {b.gain:.15g}")
        lines.append(f"R{b.name}o {b.name}_e {b.output} {b.output_resistance:.15g}")
        if b.input_capacitance is not None:
            lines.append(f"C{b.name}i {b.input} 0 {b.input_capacitance:.15g}")
    for s in circuit.operational_amplifiers:
        # A current into 1 F gives 1/s; the direct path of 1 Gohm keeps the working point.
        lines.append(f"G{s.name} 0 {s.name}_i {s.plus} {s.minus} 1")
        lines.append(f"C{s.name}i {s.name}_i 0 {1 / (2 * np.pi * s.gain_bandwidth_hz):.15g}")
        lines.append(f"R{s.name}i {s.name}_i 0 1e9")
        lines.append(f"E{s.name} {s.output} 0 {s.name}_i 0 1")
    return "\n".join(lines)


@pytest.mark.parametrize("arranged", ARRANGEMENTS, ids=lambda a: a.name)
def test_response_is_the_simulators(arranged: Arrangement, tmp_path: Path) -> None:
    circuit = arranged_circuit(
        arranged, title="x", curve=named_curve("disc"), unit_input=UnitInput(47e3, 150e-12)
    )
    text = f"* unit\nV1 in 0 AC 1\n{cards(circuit)}\n.ac dec 3 5 2e5\n.end\n"
    (tmp_path / "unit.cir").write_text(text)
    subprocess.run(
        ["ngspice", "-b", "-r", "unit.raw", "unit.cir"],
        cwd=tmp_path, capture_output=True, text=True, timeout=60, check=True,
    )  # fmt: skip
    header, _, numbers = (tmp_path / "unit.raw").read_bytes().partition(b"Binary:\n")
    names = re.findall(r"^\t\d+\t(\S+)", header.decode(), re.MULTILINE)
    columns = np.frombuffer(numbers, dtype=complex).reshape(-1, len(names)).T
    model = nodal_model(circuit)
    ours = model.response(model.nominal, ideal_drive(columns[0].real))
    # The simulator's conductance of 1e-12 S at every node, and its 1 Gohm at the integrator.
    np.testing.assert_allclose(ours, columns[names.index("v(out)")], rtol=1e-5)
