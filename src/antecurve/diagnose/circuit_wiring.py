"""What is wrong with the wiring of a unit's circuit, in words."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches

import numpy as np

from antecurve.diagnose.nodal import NodalModel, ideal_drive, nodal_model
from antecurve.diagnose.unit_circuit import UnitCircuit
from antecurve.errors import WiringError
from antecurve.networks.topology import ElementKind

__all__ = ["check_circuit"]

_TRIED_HZ = np.array([0.1, 10.0, 1e3, 20e3])
_DEPENDS = 1e-12  # of the input: less is rounding


def check_circuit(circuit: UnitCircuit) -> NodalModel:
    """Raise when a circuit can't be that of a unit.

    Parameters
    ----------
    circuit : UnitCircuit
        The circuit.

    Returns
    -------
    NodalModel
        Its equations.

    Raises
    ------
    WiringError
        Naming the likely fault: a part across one node, a node with one connection, a floating
        node, two sources that drive one node, an input of an amplifier without a direct path for
        its bias, an output that does not depend on the input, a loop that oscillates.
    """
    _check_connections(circuit)
    _check_drivers(circuit)
    _check_bias(circuit)
    model = nodal_model(circuit)
    drive = ideal_drive(_TRIED_HZ)
    parts = ", ".join(circuit.refs)
    try:
        response = model.response(model.nominal, drive)
    except np.linalg.LinAlgError:
        raise _fault(
            "the equations of the circuit have no solution: look for an operational amplifier "
            "without feedback, or sources against each other",
            parts,
        ) from None
    if not np.all(np.isfinite(response)) or np.all(np.abs(response) < _DEPENDS):
        raise _fault(
            "the output does not depend on the input: follow the signal from in to out", parts
        )
    if model.growing_modes() > 0:
        raise _fault(
            "the feedback loop is unstable: check plus and minus of each operational amplifier, "
            "and the signs of the gains",
            parts,
        )
    return model


def _fault(rule: str, shown: object) -> WiringError:
    return WiringError("elements", shown, rule)


def _connections(circuit: UnitCircuit) -> dict[str, list[str]]:
    """The names of what touches each node."""
    touching: dict[str, list[str]] = {
        "in": ["the input"],
        "out": ["the output"],
        "0": ["the common return", "the input"],  # each port and each amplifier is against it
    }
    for position in circuit.positions:
        for node in position.element.nodes:
            touching.setdefault(node, []).append(position.element.ref)
    for block in circuit.amplifiers:
        for node in (block.input, block.output):
            touching.setdefault(node, []).append(block.name)
    for stage in circuit.operational_amplifiers:
        for node in (stage.plus, stage.minus, stage.output):
            touching.setdefault(node, []).append(stage.name)
    return touching


def _check_connections(circuit: UnitCircuit) -> None:
    for position in circuit.positions:
        first, second = position.element.nodes
        if first == second:
            ref = position.element.ref
            raise _fault(f"{ref} has both ends at the node {first}, so it is shorted", ref)
    touching = _connections(circuit)
    for node, names in touching.items():
        if len(names) > 1:
            continue
        others = [n for n in touching if n != node]
        close = get_close_matches(node, others, n=1)
        hint = f"did you mean {close[0]}?" if close else "connect it elsewhere too"
        what = "nothing" if node in ("in", "out", "0") else f"{names[0]} only"
        raise _fault(f"the node {node} is joined to {what}: {hint}", node)
    links = [p.element.nodes for p in circuit.positions]
    links += [(b.output, "0") for b in circuit.amplifiers]
    links += [(b.input, "0") for b in circuit.amplifiers if b.input_resistance is not None]
    links += [(s.output, "0") for s in circuit.operational_amplifiers]
    joined = _reached(links, ("in", "0"))
    for node, names in touching.items():
        if node not in joined:
            raise _fault(
                f"the node {node} floats: no part joins {names[0]} to the input, to ground or to "
                "the output of an amplifier",
                node,
            )


def _check_drivers(circuit: UnitCircuit) -> None:
    driven: dict[str, str] = {"0": "the common return", "in": "the network"}
    sources = [(b.name, b.output, b.output_resistance == 0.0) for b in circuit.amplifiers]
    sources += [(s.name, s.output, True) for s in circuit.operational_amplifiers]
    for name, node, stiff in sources:
        if node in driven and (stiff or node in ("0", "in")):
            raise _fault(f"{name} and {driven[node]} both drive the node {node}", name)
        if stiff:
            driven[node] = name


def _check_bias(circuit: UnitCircuit) -> None:
    """Each input of an amplifier has a path for direct current: to ground, or to an output."""
    links = [p.element.nodes for p in circuit.positions if p.element.kind is ElementKind.RESISTOR]
    links += [(b.input, "0") for b in circuit.amplifiers if b.input_resistance is not None]
    starts = ["0", "in", *(b.output for b in circuit.amplifiers)]
    starts += [s.output for s in circuit.operational_amplifiers]
    joined = _reached(links, starts)
    inputs = [(b.name, b.input) for b in circuit.amplifiers]
    inputs += [(s.name, n) for s in circuit.operational_amplifiers for n in (s.plus, s.minus)]
    for name, node in inputs:
        if node not in joined:
            raise _fault(
                f"the input of {name} at {node} has no path for its bias: put a resistor from "
                f"{node} to ground",
                name,
            )


def _reached(links: Iterable[tuple[str, str]], starts: Iterable[str]) -> set[str]:
    joined, pairs = set(starts), list(links)
    grown = True
    while grown:
        grown = False
        for first, second in pairs:
            if (first in joined) != (second in joined):
                joined |= {first, second}
                grown = True
    return joined
