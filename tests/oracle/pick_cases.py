"""Small catalogues of parts around exact networks, and brute force over them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from antecurve.curves.catalogue import named_curve
from antecurve.curves.construct import curve_from_turnover, with_limits
from antecurve.curves.model import level_db
from antecurve.job import Job, NetworkRequest, Stock, Target, default_job
from antecurve.networks.compiled import (
    input_impedance_coefficients,
    output_impedance_coefficients,
    transfer_coefficients,
)
from antecurve.networks.topology import ElementKind, Loading, Topology
from antecurve.parts.drawer import Drawer, DrawerEntry
from antecurve.parts.position import Part
from antecurve.synthesis.exact import exact_network_or_none

Floats = NDArray[np.float64]

CURVES = (
    with_limits(named_curve("disc"), ultrasonic_poles_hz=(50e3,)),
    named_curve("disc"),
    with_limits(curve_from_turnover(turnover_hz=500, cut_db=12), ultrasonic_poles_hz=(50e3,)),
    with_limits(named_curve("disc"), ultrasonic_poles_hz=(50e3, 200e3)),
)
LOADINGS = (
    Loading(50.0, 47e3, 150e-12),
    Loading(0.0, 47e3, 0.0),
    Loading(600.0, 100e3, 300e-12),
    Loading(50.0, 47e3, 0.0),
)


_BLOCK = 256  # networks at a time: their responses stay in the cache


@dataclass(frozen=True)
class Case:
    """A job with a drawer of few parts, each of which there are plenty, and its topology."""

    job: Job
    drawer: Drawer
    topology: Topology
    resistors: Floats
    capacitors: Floats


def random_case(rng: np.random.Generator, form: str, *, quantity: int = 99) -> Case | None:
    """A job and parts near two exact networks of a form, some far off, at random."""
    curve = CURVES[rng.integers(len(CURVES))]
    loading = LOADINGS[rng.integers(len(LOADINGS))]
    network = NetworkRequest(
        forms=(form,),
        output_resistance_max=float(rng.choice([400.0, 2000.0])) if rng.random() < 0.5 else None,
        input_impedance_min=float(rng.choice([500.0, 4000.0])) if rng.random() < 0.5 else None,
    )
    job = replace(
        default_job(),
        curve=curve,
        loading=loading,
        target=Target(level_tolerance_db=float(rng.choice([0.2, 1.0, 3.0]))),
        network=network,
        resistors=Stock(None, 0.01, (1.0, 1e9), 1, ("series",)),
        capacitors=Stock(None, 0.01, (1e-13, 1e-3), 1, ("parallel",)),
    )
    near = [
        exact_network_or_none(
            form, curve, loading=loading, gain=job.gain * float(np.exp(rng.uniform(-0.1, 0.1))),
            shunt_resistance=float(rng.uniform(100, 900)),
        )
        for _ in range(2)
    ]  # fmt: skip
    if near[0] is None or near[1] is None:
        return None
    topology = near[0].network.topology
    if near[1].network.topology != topology:
        return None
    scatter = rng.choice([1e-3, 0.05, 0.3])
    many = len(topology.elements) > 6
    drawn = {}
    for kind, far, count in (
        (ElementKind.RESISTOR, rng.uniform(np.log(10), np.log(1e6)), 4 if many else 5),
        (ElementKind.CAPACITOR, rng.uniform(np.log(1e-10), np.log(1e-6)), 3 if many else 4),
    ):
        values = [
            value * np.exp(rng.normal(0, scatter))
            for exact in near
            for element, value in zip(topology.elements, exact.network.values, strict=True)
            if element.kind is kind
        ]
        values.append(np.exp(far))
        drawn[kind] = np.sort(rng.choice(values, min(len(values), count), replace=False))
    drawer = Drawer(
        tuple(
            DrawerEntry(kind, Part(float(v), 0.01, "drawer"), quantity)
            for kind, values in drawn.items()
            for v in values
        )
    )
    return Case(job, drawer, topology, drawn[ElementKind.RESISTOR], drawn[ElementKind.CAPACITOR])


def all_combinations(case: Case) -> Floats:
    """Element values of every combination, shape (combinations, elements)."""
    columns = [
        case.resistors if e.kind is ElementKind.RESISTOR else case.capacitors
        for e in case.topology.elements
    ]
    return np.stack(np.meshgrid(*columns, indexing="ij"), axis=-1).reshape(-1, len(columns))


def dense_errors(topology: Topology, job: Job, values: Floats, *, points: int = 481) -> Floats:
    """Centred errors [dB] on a dense grid."""
    frequency = np.geomspace(*job.target.band_hz, points)
    wanted = level_db(job.curve, frequency)
    errors = [np.empty(0)]
    for first in range(0, len(values), _BLOCK):
        transfer_function = _transfer(topology, job, values[first : first + _BLOCK])
        error = 20 * np.log10(np.abs(transfer_function.response(frequency))) - wanted
        errors.append(np.ptp(error, axis=-1) / 2)
    return np.concatenate(errors)


def allowed(topology: Topology, job: Job, values: Floats) -> NDArray[np.bool_]:
    """Which combinations meet level, output and input impedance."""
    loading = job.loading
    gain = np.abs(_transfer(topology, job, values).response(1e3))[..., 0]
    fits = np.abs(20 * np.log10(gain / job.gain)) <= job.target.level_tolerance_db
    if job.network.output_resistance_max is not None:
        output = output_impedance_coefficients(
            topology, values[fits], source_resistance=loading.source_resistance
        )
        fits[fits] = np.abs(output.response(1e3))[..., 0] <= job.network.output_resistance_max
    if job.network.input_impedance_min is not None:
        entry = input_impedance_coefficients(
            topology, values[fits], load_resistance=loading.load_resistance,
            load_capacitance=loading.load_capacitance,
        )  # fmt: skip
        band = np.geomspace(*job.target.band_hz, 41)
        least = np.abs(entry.response(band)).min(axis=-1)
        fits[fits] = least >= job.network.input_impedance_min
    return np.asarray(fits)


def _transfer(topology, job, values):  # type: ignore[no-untyped-def]
    return transfer_coefficients(
        topology, values, source_resistance=job.loading.source_resistance,
        load_resistance=job.loading.load_resistance,
        load_capacitance=job.loading.load_capacitance,
    )  # fmt: skip
