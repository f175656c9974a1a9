"""Units with one fault, answered by ngspice and captured on a disturbed bench.

The simulator's ``.ac`` analysis of network and unit gives every harmonic of a square wave; hum,
noise, offset and 8 bits come on top.  Nothing of this is computed by the package.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from playback_units import CONDITIONS, LOADING, TOPOLOGY, drawn_values
from unit_circuits import interpolated, recorded, simulator_response, square_of_response

from antecurve.curves.catalogue import named_curve
from antecurve.diagnose.arrangements import ARRANGEMENTS, arranged_circuit
from antecurve.diagnose.unit_circuit import UnitCircuit, UnitInput
from antecurve.judge.square_wave import SquareWaveCapture
from antecurve.networks.topology import ElementKind
from antecurve.parts.series import series_values

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]

CIRCUITS = tuple(
    arranged_circuit(
        a, title=a.name, curve=named_curve("disc"),
        unit_input=UnitInput(LOADING.load_resistance, LOADING.load_capacitance),
    )
    for a in ARRANGEMENTS
)  # fmt: skip
KINDS = (
    "good", "value", "value", "decade", "neighbour", "open", "short", "exchanged", "twice",
    "leaky", "dried up", "amplifier", "load", "input",
)  # fmt: skip
SHOWS_DB = 0.3
"""A fault that moves the level over the band by less is none to a builder."""
SQUARES_HZ = (200.0, 23.0)
NOISE = 0.002
"""Of the span of a record: half a step of 8 bits."""


@dataclass(frozen=True)
class FaultyUnit:
    """A unit: its nominal circuit, a sound copy, the same with a fault, and the parts at fault."""

    nominal: UnitCircuit
    sound: UnitCircuit
    built: UnitCircuit
    kind: str
    refs: tuple[str, ...]
    extra: str
    load: tuple[float, float]


def cards(circuit: UnitCircuit, *, extra: str = "") -> str:
    """Write a circuit as the simulator's own cards, by controlled sources."""
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
        # A current into a capacitor gives 1/s; the path of 1 Gohm keeps the working point.
        lines.append(f"G{s.name} 0 {s.name}_i {s.plus} {s.minus} 1")
        lines.append(f"C{s.name}i {s.name}_i 0 {1 / (2 * np.pi * s.gain_bandwidth_hz):.15g}")
        lines.append(f"R{s.name}i {s.name}_i 0 1e9")
        lines.append(f"E{s.name} {s.output} 0 {s.name}_i 0 1")
    return "\n".join([*lines, extra])


def with_values(circuit: UnitCircuit, **values: float) -> UnitCircuit:
    """The circuit with other values of parts [ohm or F]."""
    return replace(
        circuit,
        positions=tuple(
            replace(p, parts=(replace(p.parts[0], value=values.get(p.element.ref, p.value)),))
            for p in circuit.positions
        ),
    )


def within_tolerance(circuit: UnitCircuit, rng: np.random.Generator) -> UnitCircuit:
    """One good copy: each part and stage anywhere within its tolerance."""

    def off(value: float | None, tolerance: float) -> float | None:
        return None if value is None else value * (1.0 + tolerance * rng.uniform(-1.0, 1.0))

    values = {p.element.ref: off(p.value, p.tolerance) for p in circuit.positions}
    stages = tuple(
        replace(b, gain=off(b.gain, b.tolerance),
                output_resistance=off(b.output_resistance, b.tolerance),
                input_capacitance=off(b.input_capacitance, b.tolerance))
        for b in circuit.amplifiers
    )  # fmt: skip
    return replace(with_values(circuit, **values), amplifiers=stages)


def drawn_unit(rng: np.random.Generator) -> FaultyUnit:
    """Draw a unit: a circuit, a good copy of it, and a fault."""
    nominal = CIRCUITS[rng.integers(len(CIRCUITS))]
    sound, kind = within_tolerance(nominal, rng), str(rng.choice(KINDS))
    built = sound
    position = nominal.positions[rng.integers(len(nominal.positions))]
    ref, value = position.element.ref, built.position(position.element.ref).value
    resistor = position.element.kind is ElementKind.RESISTOR
    couplings = [r for r in nominal.refs if r.startswith("C") and nominal.position(r).value > 5e-8]
    refs, extra, load = (ref,), "", (LOADING.load_resistance, LOADING.load_capacitance)
    factor = float(math.exp(rng.choice([-1, 1]) * rng.uniform(math.log(1.3), math.log(5.0))))
    if kind == "good":
        refs = ()
    elif kind in ("value", "decade", "twice"):
        decade = float(rng.choice([0.1, 10.0]))
        twice = 0.5 if resistor else 2.0
        built = with_values(
            built, **{ref: value * {"value": factor, "decade": decade, "twice": twice}[kind]}
        )
    elif kind == "neighbour":
        series = series_values("E12", low=value / 2.0, high=value * 2.0)
        near = series[np.argsort(np.abs(np.log(series / position.value)))[1:3]]
        built = with_values(built, **{ref: float(rng.choice(near)) * value / position.value})
    elif kind in ("open", "short"):
        opened, shorted = (1e10, 0.05) if resistor else (1e-14, 0.1)
        built = with_values(built, **{ref: opened if kind == "open" else shorted})
    elif kind == "exchanged":
        alike = [p for p in nominal.positions if p.element.kind is position.element.kind]
        other = alike[rng.integers(len(alike))].element.ref
        refs = tuple(sorted((ref, other)))
        swapped = {ref: built.position(other).value, other: value}
        built = with_values(built, **swapped)
    elif kind == "leaky":
        refs = (str(rng.choice(couplings)),)
        first, second = built.position(refs[0]).element.nodes
        extra = f"RLEAK {first} {second} {10 ** rng.uniform(3.5, 6):.6g}"
    elif kind == "dried up":
        refs = (str(rng.choice(couplings)),)
        dry = built.position(refs[0]).value / 10 ** rng.uniform(0.7, 1.7)
        built = with_values(built, **{refs[0]: dry})
    elif kind == "amplifier" and built.amplifiers:
        stage = built.amplifiers[rng.integers(len(built.amplifiers))]
        refs, name = (stage.name,), str(rng.choice(["output_resistance", "input_capacitance"]))
        more = factor * (getattr(stage, name) or 100e-12)
        stages = tuple(replace(b, **{name: more}) if b is stage else b for b in built.amplifiers)
        built = replace(built, amplifiers=stages)
    elif kind == "load":
        refs, extra = ("load",), f"RHEAVY out 0 {10 ** rng.uniform(2.5, 4.5):.6g}"
    elif kind == "input":
        refs, load = ("input",), (load[0] * factor, load[1] * factor ** rng.choice([0, 1]))
    return FaultyUnit(nominal, sound, built, kind, refs, extra, load)


def network_cards(
    values: Floats, load: tuple[float, float] = (LOADING.load_resistance, LOADING.load_capacitance)
) -> str:
    """The network's cards from the node ``drive`` to the unit's input ``in``, that one included."""
    front = [f"RSOURCE drive n_in {LOADING.source_resistance:.12g}"]
    names = {"in": "n_in", "out": "in"}
    for element, value in zip(TOPOLOGY.elements, values, strict=True):
        first, second = (names.get(n, n if n == "0" else f"n_{n}") for n in element.nodes)
        front.append(f"{element.ref}N {first} {second} {value:.12g}")
    return "\n".join([*front, f"RLOAD in 0 {load[0]:.12g}", f"CLOAD in 0 {load[1]:.12g}"])


def answered(
    unit: FaultyUnit, values: Floats, folder: Path, *, good: bool = False
) -> tuple[Floats, Complex]:
    """Frequencies [Hz] and response behind the network; of the sound copy if asked for."""
    circuit, extra, load = unit.built, unit.extra, unit.load
    if good:
        circuit, extra, load = unit.sound, "", (LOADING.load_resistance, LOADING.load_capacitance)
    return simulator_response(
        network_cards(values, load), cards(circuit, extra=extra), "out", folder
    )


def shows(unit: FaultyUnit, values: Floats, folder: Path) -> bool:
    """Whether the unit plays, and its fault moves the level over the band."""
    at = np.geomspace(20.0, 20e3, 40)
    levels = [
        20.0 * np.log10(np.abs(interpolated(*answered(unit, values, folder, good=g), at)))
        for g in (False, True)
    ]
    moved = levels[0] - levels[1]
    plays = bool(np.all(np.abs(levels[0][:30] - levels[1][:30]) < 45.0))
    return plays and (unit.kind == "good" or float(np.ptp(moved)) > 2.0 * SHOWS_DB)


def captured(
    frequency: Floats,
    response: Complex,
    rng: np.random.Generator,
    *,
    square_hz: float,
    points: int = 8000,
    noise: float = NOISE,
) -> SquareWaveCapture:
    """A square wave through a response, with hum, noise and 8 bits."""
    square_hz = square_hz * (1.0 + rng.uniform(-0.01, 0.01))
    time = np.arange(points) * (rng.uniform(2.2, 5.0) / square_hz / points)
    clean = square_of_response(
        frequency, response, square_hz=square_hz, time=time + rng.uniform(0, 1 / square_hz)
    )
    hum = 10 ** rng.uniform(-3.5, -2) * np.ptp(clean)
    mains = 2.0 * np.pi * 50.0 * (1.0 + rng.uniform(-1e-3, 1e-3)) * time
    clean = clean + hum * np.sin(mains + rng.uniform(0, 6.28))
    name = f"square at {square_hz:.0f} Hz"
    return recorded(clean, rng, time=time, noise=noise, name=name)


def drawn_trial(seed: int, folder: Path) -> tuple[FaultyUnit, list[SquareWaveCapture]]:
    """Draw a unit whose fault shows, and capture it."""
    rng = np.random.default_rng(seed)
    values = drawn_values(rng)
    unit = drawn_unit(rng)
    while (unit.kind != "good" and unit.refs == ()) or not shows(unit, values, folder):
        unit = drawn_unit(rng)
    answer = answered(unit, values, folder)
    return unit, [captured(*answer, rng, square_hz=f) for f in SQUARES_HZ]


__all__ = ["CIRCUITS", "CONDITIONS", "FaultyUnit", "cards", "drawn_trial"]
