"""Networks with parts for tests, written out by hand or drawn at random."""

from __future__ import annotations

from typing import Any

import numpy as np

from antecurve.curves.catalogue import named_curve
from antecurve.curves.construct import with_limits
from antecurve.networks.conditions import Conditions
from antecurve.networks.topology import Element, ElementKind, Loading, Topology
from antecurve.parts.position import Part, PickedNetwork, Position

R, C = ElementKind.RESISTOR, ElementKind.CAPACITOR
DISC = with_limits(named_curve("disc"), ultrasonic_poles_hz=(50e3,))
LOADING = Loading(50.0, 47e3, 150e-12)
BAND = (20.0, 20e3)
CONDITIONS = Conditions(curve=DISC, loading=LOADING, band_hz=BAND)
COMMON: Any = {"conditions": CONDITIONS}
RESISTOR, CAPACITOR = 0.01, 0.025


def position(
    ref: str, nodes: tuple[str, str], *values: float, joined: str = "parallel", tolerance: float = 0
) -> Position:
    """A position; its kind by the first letter of the reference."""
    kind = R if ref.startswith("R") else C
    own = tolerance or (RESISTOR if kind is R else CAPACITOR)
    parts = tuple(Part(value, own) for value in values)
    return Position(Element(ref, kind, nodes), parts, joined if len(values) > 1 else "single")


def network_of(*positions: Position, form: str = "own") -> PickedNetwork:
    """A network of positions."""
    return PickedNetwork(Topology(form, tuple(p.element for p in positions)), positions)


def bench_network() -> PickedNetwork:
    """The disc curve from E96 resistors and pairs of E12 capacitors, 500 ohm at the output."""
    return network_of(
        position("R1", ("in", "a"), 453e3),
        position("C1", ("in", "a"), 6.8e-9, 270e-12),
        position("R2", ("a", "b"), 36.5e3),
        position("C2", ("a", "b"), 1.8e-9, 270e-12),
        position("R3", ("b", "out"), 1540.0),
        position("R4", ("out", "0"), 499.0),
    )


def large_network() -> PickedNetwork:
    """The bench network with more resistors beside R1: 14 positions, more than have all corners."""
    parallel = [position(f"R{k}", ("in", "a"), 4.53e6) for k in range(10, 18)]
    return network_of(*bench_network().positions, *parallel)


def random_network(rng: np.random.Generator, *, most_tolerance: float = 0.1) -> PickedNetwork:
    """The bench network with other values and tolerances, some positions of two parts."""
    positions = []
    for p in bench_network().positions:
        value = p.value * float(np.exp(rng.uniform(-0.2, 0.2)))
        tolerance = float(rng.uniform(0.0, most_tolerance))
        ways = ("series", "parallel") if rng.random() < 0.4 else ()
        if ways:
            share, joined = rng.uniform(0.2, 0.8), ways[int(rng.integers(2))]
            adds = (joined == "series") == (p.element.kind is R)
            pair = (
                (value * share, value * (1 - share))
                if adds
                else (value / share, value / (1 - share))
            )
            positions.append(
                position(p.element.ref, p.element.nodes, *pair, joined=joined, tolerance=tolerance)
            )
        else:
            positions.append(position(p.element.ref, p.element.nodes, value, tolerance=tolerance))
    return network_of(*positions)


def cards(picked: PickedNetwork, values: np.ndarray, loading: Loading = LOADING):  # type: ignore[no-untyped-def]
    """Cards for the independent nodal solve."""
    return [
        *(
            (p.element.ref, *p.element.nodes, float(v))
            for p, v in zip(picked.positions, values, strict=True)
        ),
        ("RSOURCE", "drive", "in", loading.source_resistance),
        ("RLOAD", "out", "0", loading.load_resistance),
        ("CLOAD", "out", "0", loading.load_capacitance),
    ]
