"""2,000 hypotheses of a circuit of 15 parts are ranked in under 2 s of one core, after imports."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np

from antecurve.curves.catalogue import named_curve
from antecurve.diagnose.arrangements import arranged_circuit, arrangement, part_position
from antecurve.diagnose.circuit_wiring import check_circuit
from antecurve.diagnose.hypotheses import FaultKind, Hypothesis, single_faults
from antecurve.diagnose.nodal import ideal_drive
from antecurve.diagnose.ranking import Ranker
from antecurve.diagnose.telling_apart import ideal_information
from antecurve.diagnose.unit_circuit import UnitCircuit, UnitInput
from antecurve.diagnose.weighing import weigh
from antecurve.parts.series import series_values
from antecurve.threads import single_threaded_linear_algebra

COUNT = 2000
LIMIT_S = 2.0


def circuit_of_fifteen() -> UnitCircuit:
    """Valve stages with a stopper before each grid, and a network against oscillation."""
    valves = arranged_circuit(
        arrangement("valve stages"), title="x", curve=named_curve("disc"),
        unit_input=UnitInput(47e3, 150e-12),
    )  # fmt: skip
    more = (
        part_position("R6", ("b", "b2"), (1e3, None)),
        part_position("R7", ("e", "e2"), (1e3, None)),
        part_position("C6", ("c", "0"), (22e-12, None)),
        part_position("R8", ("h", "h2"), (100.0, None)),
        part_position("C7", ("h2", "0"), (47e-12, None)),
    )
    stages = tuple(
        replace(b, input={"b": "b2", "e": "e2"}.get(b.input, b.input)) for b in valves.amplifiers
    )
    return replace(valves, positions=(*valves.positions, *more), amplifiers=stages)


def test_two_thousand_hypotheses_in_two_seconds() -> None:
    circuit = circuit_of_fifteen()
    assert len(circuit.positions) == 15
    model = check_circuit(circuit)
    faults: list[Hypothesis] = list(single_faults(model))
    for port, position in enumerate(circuit.positions):
        for value in series_values("E48", low=position.value / 9.0, high=position.value * 9.0):
            refs = (position.element.ref,)
            faults.append(Hypothesis(FaultKind.NEIGHBOUR, refs, ((port, value),), (), -9.0))
    faults = [*faults, *faults][:COUNT]
    nodes = np.geomspace(15.0, 1e6, 62)
    drive = ideal_drive(nodes)
    values = model.nominal
    values[2] *= 0.6
    information = ideal_information(np.log(model.response(values, drive)), nodes, deviation=0.003)
    with single_threaded_linear_algebra():
        start = time.process_time()
        weighed = weigh(Ranker(model.solved(drive), information, drive), faults)
        taken = time.process_time() - start
    print(f"{len(faults)} hypotheses of {len(model.ports)} values: {taken:.2f} s")
    best = weighed.best.hypothesis
    # The output resistance of V1 makes the same time constant as C2.
    assert best is not None and best.refs in (("C2",), ("V1",))
    assert len(faults) == COUNT and taken < LIMIT_S
