"""Which suspects no capture at the output can tell apart, and what would tell them."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from antecurve.curves.model import REFERENCE_FREQUENCY_HZ
from antecurve.diagnose.hypotheses import FaultKind
from antecurve.diagnose.information import ResponseInformation
from antecurve.diagnose.nodal import Drive, NodalModel, PortResponse
from antecurve.diagnose.ranking import FittedHypothesis, Ranker
from antecurve.diagnose.unit_circuit import UnitCircuit
from antecurve.networks.topology import ElementKind
from antecurve.quantities import DB_PER_NEPER, format_quantity

__all__ = [
    "ODDS",
    "distances",
    "further_capture",
    "how_to_tell",
    "ideal_information",
    "insulation_text",
    "meter_text",
]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

_IDEAL = 0.002  # nepers: 0.02 dB, what the best captures of a bench tell
ODDS = 2.0 * math.log(10.0)
"""Of chi-square: odds of ten to one."""
_LEAST_DB = 0.3  # a difference of levels that a capture within the unit shows
_INSULATION_OHM = 10e6  # most that a common ohmmeter reads
_EXCHANGE = "Put a good one in its place and capture again."
_LIFTED = "With the unit off and discharged, lift one end of"
_OPEN_OHM = 1e12  # beside any resistor none, yet it keeps the matrix regular


def ideal_information(
    log_response: Complex, frequency_hz: Floats, *, deviation: float = _IDEAL
) -> ResponseInformation:
    """Make up what an ideal capture would say of a unit, gain apart.

    Parameters
    ----------
    log_response : numpy.ndarray of complex, shape (nodes,)
        ln of its response.
    frequency_hz : numpy.ndarray of float, shape (nodes,)
        Frequencies [Hz].
    deviation : float, optional
        Standard deviation of level [neper] and phase [rad] at each node; 0.02 dB if left out.

    Returns
    -------
    ResponseInformation
        Level, but for its mean, and phase at each node.
    """
    count = frequency_hz.size
    weights = np.eye(2 * count) / deviation
    weights[:count, :count] -= 1.0 / (count * deviation)  # the mean level is the gain's
    return ResponseInformation(
        frequency_hz, log_response, weights, np.zeros(2 * count), 0.0, 2 * count - 1
    )


def distances(
    ranker: Ranker, suspect: FittedHypothesis, others: Sequence[FittedHypothesis]
) -> Floats:
    """Compute by how much ideal captures of one suspect would speak against others.

    Parameters
    ----------
    ranker : Ranker
        The circuit.
    suspect : FittedHypothesis
        The suspect.
    others : sequence of FittedHypothesis
        The others; their free values and good parts follow the suspect's response.

    Returns
    -------
    numpy.ndarray of float, shape (others,)
        Chi-square of each: of less than `ODDS` the odds stay below ten to one.
    """
    if not others:
        return np.zeros(0)
    # Good parts nominal: what they are off by in this unit is no reason to tell suspects apart.
    about = np.log(_at(ranker.solved, suspect))
    ideal = replace(ranker, information=ideal_information(about, ranker.information.frequency_hz))
    fits = ideal.refined(list(enumerate(ideal.again(others))))
    return np.array([fit.chi_square for _, fit in fits])


def _where(circuit: UnitCircuit, ref: str) -> str:
    first, second = circuit.position(ref).element.nodes
    names = {"0": "ground", "in": "the input", "out": "the output"}
    return f"{ref}, from {names.get(first, first)} to {names.get(second, second)}"


def how_to_tell(
    model: NodalModel, suspect: FittedHypothesis, other: FittedHypothesis | None, drive: Drive
) -> str:
    """Advise the one measurement that settles a suspect.

    Parameters
    ----------
    model : NodalModel
        The circuit.
    suspect : FittedHypothesis
        The suspect.
    other : FittedHypothesis or None
        What no capture at the output tells from it, if anything.
    drive : Drive
        What drives the unit in a capture.

    Returns
    -------
    str
        One or two sentences.
    """
    hypothesis = suspect.hypothesis
    if hypothesis is None:
        return ""
    refs = _parts(model, suspect)
    if refs and hypothesis.kind is not FaultKind.LEAKY:
        # Of two faults both are to be measured; of two parts exchanged one tells.
        measured = refs if hypothesis.free else refs[:1]
        return " ".join(meter_text(model, r, _fitted(model, suspect, r)) for r in measured)
    if refs:
        return insulation_text(model, refs[0])
    if hypothesis.refs == ("load",):
        return "Disconnect what the output feeds and capture again. The fault then goes."
    if hypothesis.refs == ("input",):
        quantity = model.quantities[hypothesis.free[0].port]
        meter = "an ohmmeter" if quantity.name == "resistance" else "a capacitance meter"
        return (
            f"With the unit off, discharged and unplugged from the network, put {meter} across "
            f"its input. It reads {format_quantity(quantity.nominal, quantity.unit)} if that is "
            "good."
        )
    if other is None:
        return _EXCHANGE
    if rivals := _parts(model, other):
        advice = meter_text(model, rivals[0], _fitted(model, other, rivals[0]))
        return f"{advice} If {rivals[0]} is good, suspect {hypothesis.refs[0]}."
    return _capture_text(model, (suspect, other), drive, model.nodes[1:]) or _EXCHANGE


def further_capture(
    model: NodalModel, suspect: FittedHypothesis, other: FittedHypothesis, drive: Drive
) -> str:
    """Advise the capture at the output that tells two suspects apart.

    Parameters
    ----------
    model : NodalModel
        The circuit.
    suspect, other : FittedHypothesis
        The suspects.
    drive : Drive
        What drives the unit in a capture.

    Returns
    -------
    str
        Two sentences; empty where their levels are too near for a capture.
    """
    return _capture_text(model, (suspect, other), drive, ("out",))


def insulation_text(model: NodalModel, ref: str) -> str:
    """Advise how to find whether a capacitor leaks.

    Parameters
    ----------
    model : NodalModel
        The circuit.
    ref : str
        The capacitor.

    Returns
    -------
    str
        Two sentences.
    """
    return (
        f"{_LIFTED} {_where(model.circuit, ref)}, and measure its insulation. A good one reads "
        "beyond 10 MΩ."
    )


def meter_text(model: NodalModel, ref: str, wrong: float | None = None) -> str:
    """Advise what to measure at a part with a meter.

    Parameters
    ----------
    model : NodalModel
        The circuit.
    ref : str
        The part.
    wrong : float, optional
        The value that it may have [ohm or F].

    Returns
    -------
    str
        Two sentences; in the circuit where resistors alone tell, else with one end lifted.
    """
    position = model.circuit.position(ref)
    unit = position.element.kind.unit
    good = format_quantity(position.value, unit)
    if position.element.kind is ElementKind.CAPACITOR:
        what = "measure its capacitance"
    else:
        readings = [_across(model, ref, value) for value in (position.value, wrong) if value]
        if abs(math.log(readings[0] / readings[-1])) > 3.0 * position.tolerance:
            shown = [
                "beyond 10 MΩ" if r > _INSULATION_OHM else format_quantity(r, "ohm", digits=3)
                for r in readings
            ]
            return (
                "With the unit off and discharged, put an ohmmeter across "
                f"{_where(model.circuit, ref)}. It reads {shown[0]} if {ref} is good, "
                f"{shown[1]} if not."
            )
        what = "measure it with an ohmmeter"
    return f"{_LIFTED} {_where(model.circuit, ref)}, and {what}. A good one reads {good}."


def _fitted(model: NodalModel, suspect: FittedHypothesis, ref: str) -> float:
    """The value that a part has under a hypothesis [ohm or F]."""
    hypothesis = suspect.hypothesis
    assert hypothesis is not None
    port = model.circuit.refs.index(ref)
    values = dict(hypothesis.fixed)
    values |= {f.port: v for f, v in zip(hypothesis.free, suspect.values, strict=True)}
    return values.get(port, float(model.nominal[port]))


def _across(model: NodalModel, ref: str, value: float) -> float:
    """What an ohmmeter reads between a part's nodes, unit off: resistors alone [ohm]."""
    circuit = model.circuit
    resistors = [p for p in circuit.positions if p.element.kind is ElementKind.RESISTOR]
    nodes = list(dict.fromkeys(n for p in resistors for n in p.element.nodes))
    conductance = np.eye(len(nodes)) / _OPEN_OHM
    for position in resistors:
        first, second = (nodes.index(n) for n in position.element.nodes)
        size = 1.0 / (value if position.element.ref == ref else position.value)
        for row, column, sign in (
            (first, first, 1), (second, second, 1), (first, second, -1), (second, first, -1)
        ):  # fmt: skip
            conductance[row, column] += sign * size
    first, second = (nodes.index(n) for n in circuit.position(ref).element.nodes)
    current = np.zeros(len(nodes))
    current[first], current[second] = 1.0, -1.0
    voltage = np.linalg.solve(conductance, current)
    return float(voltage[first] - voltage[second])


def _parts(model: NodalModel, fit: FittedHypothesis) -> list[str]:
    """Resistors and capacitors that a hypothesis is about."""
    refs = fit.hypothesis.refs if fit.hypothesis else ()
    return [r for r in refs if r in model.circuit.refs]


def _capture_text(
    model: NodalModel,
    suspects: tuple[FittedHypothesis, FittedHypothesis],
    drive: Drive,
    nodes: Sequence[str],
) -> str:
    """The node and frequency at which two suspects differ most; gains are unknown."""
    best = (0.0, "", 0.0)
    reference = int(np.argmin(np.abs(np.log(drive.frequency_hz / REFERENCE_FREQUENCY_HZ))))
    for node in nodes:
        levels = [
            DB_PER_NEPER * np.log(np.abs(_at(model.solved(drive, node=node), fit)))
            for fit in suspects
        ]
        apart = levels[0] - levels[1]
        apart -= apart[reference]
        widest = int(np.argmax(np.abs(apart)))
        if abs(apart[widest]) > abs(best[0]):
            best = (float(apart[widest]), node, float(drive.frequency_hz[widest]))
    apart_db, node, frequency = best
    if abs(apart_db) < _LEAST_DB:
        return ""
    named = "the output" if node == "out" else f"the node {node}"
    return (
        f"Capture the level at {named} with sines of 1 kHz and "
        f"{format_quantity(frequency, 'Hz', digits=2)}. Their ratio is {abs(apart_db):.1f} dB "
        "apart between this fault and the next explanation."
    )


def _at(solved: PortResponse, fit: FittedHypothesis | None) -> Complex:
    hypothesis = fit.hypothesis if fit else None
    if fit is None or hypothesis is None:
        return np.asarray(solved.response)
    changes = [*hypothesis.fixed]
    changes += [(f.port, v) for f, v in zip(hypothesis.free, fit.values, strict=True)]
    ports, values = (np.array([column]) for column in zip(*changes, strict=True))
    return np.asarray(solved.changed(ports, values)[0][0])
