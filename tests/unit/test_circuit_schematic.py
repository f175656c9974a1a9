"""Schematics of units: nothing lies upon anything else, and every part is drawn once."""

from __future__ import annotations

import re
from typing import Any
from xml.etree import ElementTree

import pytest

from antecurve.curves.catalogue import named_curve
from antecurve.diagnose.arrangements import ARRANGEMENTS, arranged_circuit
from antecurve.diagnose.unit_circuit import UnitCircuit, UnitInput
from antecurve.files.unit_file import parse_unit
from antecurve.report.circuit_layout import circuit_layout
from antecurve.report.circuit_schematic import circuit_svg

OWN: dict[str, Any] = {
    "curve": "disc",
    "input": {"resistance": "47k"},
    "block": [{"name": "A1", "input": "x", "output": "y", "gain": -900, "output_resistance": 50}],
    "elements": {
        "R1": {"nodes": ["in", "x"], "value": "47k"},
        "R2": {"nodes": ["x", "m"], "value": "75k"},
        "C2": {"nodes": ["x", "m"], "value": "1n"},
        "R3": {"nodes": ["m", "y"], "value": "880k"},
        "C3": {"nodes": ["m", "y"], "value": "3.6n"},
        "C4": {"nodes": ["y", "out"], "value": "1u"},
        "R4": {"nodes": ["out", "0"], "value": "1M"},
        "R5": {"nodes": ["x", "0"], "value": "1M"},
    },
}
CIRCUITS = [
    *(
        arranged_circuit(
            a, title=a.name, curve=named_curve("disc"), unit_input=UnitInput(47e3, 150e-12)
        )
        for a in ARRANGEMENTS
    ),
    parse_unit(OWN),
]


@pytest.mark.parametrize("circuit", CIRCUITS, ids=lambda c: c.title)
def test_nothing_lies_upon_anything_else(circuit: UnitCircuit) -> None:
    layout = circuit_layout(circuit)
    assert sorted(layout.columns) == sorted(circuit.nodes)
    assert (layout.columns[0], layout.columns[-1]) == ("in", "out")
    at = {node: k for k, node in enumerate(layout.columns)}
    ends = {p.element.ref: p.element.nodes for p in circuit.positions if "0" not in p.element.nodes}
    ends |= {s.name: (*s.inputs, s.output) for s in layout.stages}
    assert set(ends) == set(layout.rows)
    taken: set[tuple[int, int]] = set()
    for name, nodes in ends.items():
        columns = [at[n] for n in nodes]
        cells = {(gap, layout.rows[name]) for gap in range(min(columns), max(columns))}
        assert cells and not cells & taken
        taken |= cells
    grounded = [ref for refs in layout.grounded.values() for ref in refs]
    assert sorted([*grounded, *(r for r in layout.rows if r in circuit.refs)]) == sorted(
        circuit.refs
    )
    # The signal goes to the right through every amplifier.
    for stage in layout.stages:
        assert all(at[n] < at[stage.output] for n in stage.inputs)


@pytest.mark.parametrize("narrow", [False, True])
@pytest.mark.parametrize("circuit", CIRCUITS, ids=lambda c: c.title)
def test_every_part_is_drawn_once_in_the_colour_of_the_page(
    circuit: UnitCircuit, narrow: bool
) -> None:
    svg = circuit_svg(circuit, narrow=narrow)
    texts = [t for e in ElementTree.fromstring(svg).iter() for t in (e.text or "").split()]
    names = [*circuit.refs, *(s.name for s in circuit_layout(circuit).stages)]
    for name in names:
        assert texts.count(name) == 1
    assert "suspect:" not in texts
    assert set(re.findall(r"stroke:\s*([^;\"]+)", svg)) <= {"currentColor"}
