"""What may be wrong with a unit: one hypothesis for each fault, with its prior probability.

Priors are by judgement, and stated with every result: half of the units brought are good, 9 of 20
have one fault, 1 of 25 two, 1 in 100 what no fault of the list makes.  Kinds of faults share theirs
as `KIND_SHARES` says; within a kind each case counts alike.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from antecurve.diagnose.nodal import NodalModel, ideal_drive
from antecurve.networks.topology import ElementKind
from antecurve.parts.series import series_values

__all__ = [
    "KIND_SHARES",
    "PRIOR_GOOD",
    "PRIOR_ONE",
    "PRIOR_TWO",
    "PRIOR_UNEXPLAINED",
    "FaultKind",
    "FreeValue",
    "Hypothesis",
    "coupling_capacitors",
    "single_faults",
]

PRIOR_GOOD = 0.5
PRIOR_ONE = 0.45
PRIOR_TWO = 0.04
PRIOR_UNEXPLAINED = 0.01


class FaultKind(StrEnum):
    """What is wrong."""

    VALUE = "value"
    DECADE = "decade"
    NEIGHBOUR = "neighbour"
    MISREAD = "misread"
    OPEN = "open"
    SHORT = "short"
    EXCHANGED = "exchanged"
    TWICE = "fitted twice"
    AMPLIFIER = "amplifier"
    LEAKY = "leaky"
    DRIED = "dried up"
    LOAD = "load"
    INPUT = "input"


KIND_SHARES = {
    FaultKind.VALUE: 0.20, FaultKind.DECADE: 0.14, FaultKind.NEIGHBOUR: 0.10,
    FaultKind.MISREAD: 0.04, FaultKind.OPEN: 0.10, FaultKind.SHORT: 0.05,
    FaultKind.EXCHANGED: 0.10, FaultKind.TWICE: 0.03, FaultKind.AMPLIFIER: 0.08,
    FaultKind.LEAKY: 0.05, FaultKind.DRIED: 0.05, FaultKind.LOAD: 0.03, FaultKind.INPUT: 0.03,
}  # fmt: skip
"""Share of each kind among single faults, by judgement."""
_DECADES = (10.0, 0.1, 100.0, 0.01)
_MULTIPLIERS = (1e3, 1e-3)  # a prefix or a ring of the multiplier read wrongly
_NEIGHBOURS = {"E12": (-1, 1), "E24": (-2, -1, 1, 2)}
_OPEN_OHM, _OPEN_F = 1e9, 1e-13  # insulation, and a part that is not there
_STRAY_F, _STRAY_SPREAD = 3e-12, math.log(2.0)  # leads and wiring of one that is open inside
_SHORT_OHM, _SHORT_F = 0.1, 1.0  # a blob of solder; a capacitor of 1 F is none but a short
_WIDE = math.log(10.0)  # standard deviation of ln of a wrong value: a decade, by judgement
_BLOCK_WIDE = math.log(3.0)  # of another valve or transistor
_SAME = 1e-3  # relative: two values closer are one


@dataclass(frozen=True, slots=True)
class FreeValue:
    """A value that the captures are to tell.

    Attributes
    ----------
    port : int
        Which value of the circuit.
    usual : float
        Where its prior has its middle, in its unit.
    spread : float
        Standard deviation of ln of the value before any capture.
    """

    port: int
    usual: float
    spread: float


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """One thing that may be wrong.

    Attributes
    ----------
    kind : FaultKind
        Of what kind.
    refs : tuple of str
        The parts concerned.
    fixed : tuple of tuple
        Ports with the values that they have under it.
    free : tuple of FreeValue
        Values to be fitted.
    log_prior : float
        ln of its prior probability.
    """

    kind: FaultKind
    refs: tuple[str, ...]
    fixed: tuple[tuple[int, float], ...] = ()
    free: tuple[FreeValue, ...] = ()
    log_prior: float = 0.0


def single_faults(model: NodalModel) -> tuple[Hypothesis, ...]:
    """List what may be wrong with a circuit, one thing at a time.

    Parameters
    ----------
    model : NodalModel
        The circuit.

    Returns
    -------
    tuple of Hypothesis
        With their priors, which sum to `PRIOR_ONE`.
    """
    every = [
        *(h for k in range(len(model.circuit.positions)) for h in _of_part(model, k)),
        *_exchanged(model),
        *_of_amplifiers(model),
        *_of_coupling(model),
        *_outside(model),
    ]
    kinds = {h.kind for h in every}
    total = sum(KIND_SHARES[k] for k in kinds)
    counts = {k: sum(h.kind is k for h in every) for k in kinds}
    return tuple(
        replace(h, log_prior=math.log(PRIOR_ONE * KIND_SHARES[h.kind] / total / counts[h.kind]))
        for h in every
    )


def _of_part(model: NodalModel, port: int) -> Iterator[Hypothesis]:
    position = model.circuit.positions[port]
    value, refs = position.value, (position.element.ref,)
    resistor = position.element.kind is ElementKind.RESISTOR

    def fixed(kind: FaultKind, wrong: float) -> Hypothesis:
        return Hypothesis(kind, refs, ((port, wrong),))

    yield Hypothesis(FaultKind.VALUE, refs, (), (FreeValue(port, value, _WIDE),))
    yield from (fixed(FaultKind.DECADE, value * f) for f in _DECADES)
    yield from (fixed(FaultKind.NEIGHBOUR, wrong) for wrong in _neighbours(value))
    yield from (fixed(FaultKind.MISREAD, wrong) for wrong in _misread(value))
    yield fixed(FaultKind.OPEN, _OPEN_OHM if resistor else _OPEN_F)
    if not resistor:
        stray = FreeValue(port, _STRAY_F, _STRAY_SPREAD)
        yield Hypothesis(FaultKind.OPEN, refs, (), (stray,))
    yield fixed(FaultKind.SHORT, _SHORT_OHM if resistor else _SHORT_F)
    yield fixed(FaultKind.TWICE, value / 2.0 if resistor else value * 2.0)


def _neighbours(value: float) -> list[float]:
    """Values next to a nominal one in the series that parts are mistaken within."""
    near: list[float] = []
    for series, steps in _NEIGHBOURS.items():
        values = series_values(series, low=value / 3.0, high=value * 3.0)
        nearest = int(np.argmin(np.abs(np.log(values / value))))
        for step in steps:
            if 0 <= nearest + step < values.size:
                near.append(float(values[nearest + step]))
    return _distinct(near, value)


def _misread(value: float) -> list[float]:
    """Two digits transposed, or the multiplier read wrongly."""
    power = 10.0 ** (math.floor(math.log10(value)) - 1)
    first, second = divmod(round(value / power), 10)
    transposed = [(10 * second + first) * power] if second and 0 < first < 10 else []
    return _distinct([*transposed, *(value * f for f in _MULTIPLIERS)], value)


def _distinct(values: list[float], nominal: float) -> list[float]:
    kept: list[float] = []
    for value in values:
        if all(abs(value / other - 1.0) > _SAME for other in (*kept, nominal)):
            kept.append(value)
    return kept


def _exchanged(model: NodalModel) -> Iterator[Hypothesis]:
    positions = model.circuit.positions
    for first, second in itertools.combinations(range(len(positions)), 2):
        one, other = positions[first], positions[second]
        alike = one.element.kind is other.element.kind
        if alike and abs(one.value / other.value - 1.0) > one.tolerance + other.tolerance:
            refs = (one.element.ref, other.element.ref)
            fixed = ((first, other.value), (second, one.value))
            yield Hypothesis(FaultKind.EXCHANGED, refs, fixed)


def _of_amplifiers(model: NodalModel) -> Iterator[Hypothesis]:
    names = {b.name for b in model.circuit.amplifiers}
    names |= {s.name for s in model.circuit.operational_amplifiers}
    for port, quantity in enumerate(model.quantities):
        nominal = abs(quantity.nominal)
        if quantity.ref in names and 0.0 < nominal < math.inf:
            free = (FreeValue(port, quantity.nominal, _BLOCK_WIDE),)
            yield Hypothesis(FaultKind.AMPLIFIER, (quantity.ref,), (), free)


def coupling_capacitors(model: NodalModel) -> tuple[str, ...]:
    """List the capacitors that couple or bypass: a short across one moves the low end alone.

    Parameters
    ----------
    model : NodalModel
        The circuit.

    Returns
    -------
    tuple of str
        Their references.
    """
    solved = model.solved(ideal_drive(np.array([1e-3, 1e3])))
    coupling = []
    for port, position in enumerate(model.circuit.positions):
        if position.element.kind is ElementKind.CAPACITOR:
            response, _ = solved.changed(np.array([[port]]), np.array([[_SHORT_F]]))
            lifted, moved = np.abs(response[0] / solved.response)
            if lifted > 2.0 and abs(moved - 1.0) < 0.1:
                coupling.append(position.element.ref)
    return tuple(coupling)


def _of_coupling(model: NodalModel) -> Iterator[Hypothesis]:
    for ref in coupling_capacitors(model):
        leakage = FreeValue(model.index(ref, "leakage"), 100e3, math.log(30.0))
        yield Hypothesis(FaultKind.LEAKY, (ref,), (), (leakage,))
        port = model.index(ref, "capacitance")
        dried = FreeValue(port, model.nominal[port] / 10.0, math.log(5.0))
        yield Hypothesis(FaultKind.DRIED, (ref,), (), (dried,))


def _outside(model: NodalModel) -> Iterator[Hypothesis]:
    resistance, capacitance = (model.index("load", n) for n in ("resistance", "capacitance"))
    yield Hypothesis(FaultKind.LOAD, ("load",), (), (FreeValue(resistance, 5e3, _WIDE),))
    yield Hypothesis(FaultKind.LOAD, ("load",), (), (FreeValue(capacitance, 1e-9, _WIDE),))
    for name in ("resistance", "capacitance"):
        port = model.index("input", name)
        nominal = model.nominal[port] or 100e-12  # of a short cable where none is stated
        yield Hypothesis(FaultKind.INPUT, ("input",), (), (FreeValue(port, nominal, _WIDE),))
