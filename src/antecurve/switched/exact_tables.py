"""The exact element values that each position of a switch may have, form by form.

What is free is sampled, for values to start from, and bounded (`value_ranges`): level within its
tolerance, impedance level, and the ultrasonic pole of a curve that has none of its own.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from antecurve.curves.construct import time_constant_from_frequency
from antecurve.curves.model import FLAT, Curve, zero_pole_gain
from antecurve.errors import UnattainableError
from antecurve.job import Job
from antecurve.networks.topology import Element, ElementKind, Topology
from antecurve.switched.request import SwitchPosition
from antecurve.switched.throws import ThrownNetwork, flat_networks, matching_networks
from antecurve.switched.value_ranges import (
    ValueRanges,
    flat_ranges,
    ranges_of_curve,
    sampled_ranges,
)
from antecurve.synthesis.exact import exact_network, exact_network_or_none

__all__ = [
    "ExactTable",
    "FormTables",
    "curve_with_pole",
    "exact_topology",
    "form_tables",
    "pole_range",
]

Floats = NDArray[np.float64]

_LEVELS = 3  # over the tolerance, ends included: values are monotone in the level
_IMPEDANCES = 10  # over the range of the resistor across the output: about five a decade
_POLES = 6  # over `_POLE_SPAN`, ends included
_POLE_SPAN = 40.0  # from 30 kHz to 1.2 MHz: further up a pole changes nothing in the band
_ABOVE_LIMIT = 3.0  # shunt resistances, as in the pick of one curve
_DIVIDER = Topology(
    "divider",
    (
        Element("R1", ElementKind.RESISTOR, ("in", "out")),
        Element("R2", ElementKind.RESISTOR, ("out", "0")),
    ),
)
"""A flat network."""
_FLAT_SERIES = 81  # series resistances over their range, ends included: some 16 a decade
_FLAT_LEVELS = 5  # over the tolerance, ends included


@dataclass(frozen=True, slots=True, eq=False)
class ExactTable:
    """Exact values of one position by samples of what is free.

    Attributes
    ----------
    name : str
        The position.
    exact : Topology
        The network of the exact formulas; of a flat position the two resistors.
    thrown : tuple of ThrownNetwork
        Ways to make its network of the whole one.
    logs : numpy.ndarray of float, shape (samples, elements)
        ln of the element values, in the order of the exact topology; of a flat position those of
        a series resistor and the resistor across the output.
    poles_s : numpy.ndarray of float, shape (samples,)
        The ultrasonic pole chosen [s]; 0 where the curve leaves none free.
    off_level : numpy.ndarray of float, shape (samples,)
        How far the level is from the wanted one, as a fraction of its tolerance.
    ranges : ValueRanges
        Bounds of the values, in the order of the exact topology.
    zeros_s : tuple of float
        Time constants [s] of the curve's zeros where it has one for each capacitor; else empty.
    """

    name: str
    exact: Topology
    thrown: tuple[ThrownNetwork, ...]
    logs: Floats
    poles_s: Floats
    off_level: Floats
    ranges: ValueRanges
    zeros_s: tuple[float, ...] = ()

    def values(self, network: ThrownNetwork) -> Floats:
        """Order the values as one of the networks has its elements.

        Parameters
        ----------
        network : ThrownNetwork
            One of `thrown`.

        Returns
        -------
        numpy.ndarray of float, shape (samples, elements)
            ln of the element values.
        """
        return self.logs[:, list(network.order)] if network.order else self.logs


@dataclass(frozen=True, slots=True, eq=False)
class FormTables:
    """One form of network for all positions.

    Attributes
    ----------
    topology : Topology
        The whole network: the largest that a position needs.
    tables : tuple of ExactTable
        One a position, in the order of the switch.
    """

    topology: Topology
    tables: tuple[ExactTable, ...]


def pole_range(lowest_pole_hz: float) -> tuple[float, float]:
    """Bound the time constant of an ultrasonic pole that the network may choose.

    Parameters
    ----------
    lowest_pole_hz : float
        Its lowest frequency [Hz].

    Returns
    -------
    tuple of float
        Shortest and longest time constant [s].
    """
    longest = time_constant_from_frequency(lowest_pole_hz)
    return longest / _POLE_SPAN, longest


def curve_with_pole(curve: Curve, pole_s: float) -> Curve:
    """Put the ultrasonic pole that the network makes on a curve.

    Parameters
    ----------
    curve : Curve
        The curve.
    pole_s : float
        Time constant [s]; 0 for none.

    Returns
    -------
    Curve
        The curve with the pole beside those it has.
    """
    if not pole_s:
        return curve
    return replace(curve, ultrasonic_poles_s=(*curve.ultrasonic_poles_s, pole_s))


def form_tables(
    form: str, positions: tuple[tuple[SwitchPosition, Job], ...], *, lowest_pole_hz: float
) -> FormTables:
    """Compute what each position needs of one form.

    Parameters
    ----------
    form : str
        Name of the form.
    positions : tuple of tuple
        Each position with its job.
    lowest_pole_hz : float
        Lowest frequency [Hz] of an ultrasonic pole that the network may choose.

    Returns
    -------
    FormTables
        The whole network and a table for each position.

    Raises
    ------
    UnattainableError
        When the form can't make a curve, or not as a part of the same network as another: the
        message names the positions.
    """
    sampled: dict[str, tuple[Topology, tuple[Floats, Floats, Floats]]] = {}
    for position, job in positions:
        if position.curve.name == FLAT:
            continue
        try:
            sampled[position.name] = _sampled(form, position, job, lowest_pole_hz)
        except UnattainableError as error:
            others = [p.name for p, _ in positions if p.name != position.name]
            pair = f"{others[0]} and {position.name} cannot share a box: " if others else ""
            raise UnattainableError(form, pair + error.condition, error.remedy) from None
    if not sampled:
        raise UnattainableError(
            form, "every position is flat", "give at least one position a curve that is not flat"
        )
    largest = max(sampled, key=lambda name: len(sampled[name][0].elements))
    whole = sampled[largest][0]
    tables = []
    for position, job in positions:
        if position.name not in sampled:
            tables.append(_flat_table(position.name, whole, job))
            continue
        topology, samples = sampled[position.name]
        matching = tuple(matching_networks(whole, topology))
        if position.name == largest:  # exchanging branches in all positions alike changes nothing
            matching = matching[:1]
        if not matching:
            raise UnattainableError(
                form,
                f"{largest} and {position.name} have no network in common, not even with up to "
                "three positions opened or shorted",
                "give one of them a box of its own, or allow other forms",
            )
        ranges = _ranges(form, position, topology, job, samples[0], lowest_pole_hz)
        zeros = _zeros_of(position.curve, topology)
        tables.append(ExactTable(position.name, topology, matching, *samples, ranges, zeros))
    return FormTables(whole, tuple(tables))


def _zeros_of(curve: Curve, topology: Topology) -> tuple[float, ...]:
    """Time constants of the zeros where every capacitor makes one; none where one may not."""
    zeros = zero_pole_gain(curve).lowest_terms()
    capacitors = sum(e.kind is ElementKind.CAPACITOR for e in topology.elements)
    makes_all = capacitors == len(zeros.zeros_s) + zeros.zeros_at_origin
    return tuple(zeros.zeros_s) if makes_all else ()


def exact_topology(
    form: str, position: SwitchPosition, job: Job, lowest_pole_hz: float
) -> Topology:
    """Name the elements of the network that makes one curve exactly.

    Parameters
    ----------
    form : str
        Name of the form.
    position : SwitchPosition
        The position; not a flat one.
    job : Job
        Its job.
    lowest_pole_hz : float
        Lowest frequency [Hz] of an ultrasonic pole that the network may choose.

    Returns
    -------
    Topology
        The commonest over level, impedance and pole.

    Raises
    ------
    UnattainableError
        When the form can't make the curve.
    """
    return _sampled(form, position, job, lowest_pole_hz)[0]


def _resistances(job: Job) -> tuple[float, float]:
    """Range of a position of resistors [ohm]: two joined ones double or halve the ends."""
    low, most = job.resistors.value_range
    return low / job.resistors.parts_per_position, most * job.resistors.parts_per_position


def _shunts(job: Job) -> tuple[float, float]:
    """Range of the resistor across the output [ohm].

    Beyond three times the limit of the output resistance it alone misses that, unless the level is
    within a few decibels of the EMF.
    """
    low, most = _resistances(job)
    top = job.network.output_resistance_max
    return low, most if top is None else max(low * 1.001, min(most, _ABOVE_LIMIT * top))


def _ranges(
    form: str, position: SwitchPosition, topology: Topology, job: Job, logs: Floats, pole_hz: float
) -> ValueRanges:
    """Bounds of the values by interval arithmetic where the form has them, else of the samples."""
    poles = pole_range(pole_hz) if position.free_pole else None
    low, high = _shunts(job)
    if job.network.output_resistance_max is None:  # a throw may open it
        high = np.inf
    bounds = ranges_of_curve(
        form, position.curve, topology, job=job, shunts=(low, high), poles=poles
    )
    return sampled_ranges(logs) if bounds is None else bounds


def _sampled(
    form: str, position: SwitchPosition, job: Job, lowest_pole_hz: float
) -> tuple[Topology, tuple[Floats, Floats, Floats]]:
    """The commonest topology of the exact networks of a curve; values, poles, levels."""
    low, high = _shunts(job)
    tolerance = job.target.level_tolerance_db
    off_levels = np.linspace(-1.0, 1.0, _LEVELS)
    poles = np.geomspace(*pole_range(lowest_pole_hz), _POLES) if position.free_pole else [0.0]
    by_topology: dict[Topology, list[tuple[Floats, float, float]]] = {}
    impedances = np.geomspace(low, high, _IMPEDANCES)
    for pole, impedance, off in product(poles, impedances, off_levels):
        gain = job.gain * 10.0 ** (off * tolerance / 20.0)
        exact = exact_network_or_none(
            form, curve_with_pole(position.curve, float(pole)), loading=job.loading,
            gain=min(float(gain), 0.999999), shunt_resistance=float(impedance),
        )  # fmt: skip
        if exact is not None:
            sample = (np.log(exact.network.values), float(pole), float(off))
            by_topology.setdefault(exact.network.topology, []).append(sample)
    if not by_topology:
        _refuse(form, position, job, float(poles[-1]), float(np.sqrt(low * high)))
    topology = max(by_topology, key=lambda t: len(by_topology[t]))
    samples = by_topology[topology]
    logs, poles_s, off_level = (np.array([row[i] for row in samples]) for i in range(3))
    return topology, (logs, poles_s, off_level)


def _refuse(form: str, position: SwitchPosition, job: Job, pole_s: float, impedance: float) -> None:
    """Raise the refusal of a curve that the form can't make, with the position's name."""
    try:
        exact_network(
            form, curve_with_pole(position.curve, pole_s), loading=job.loading, gain=job.gain,
            shunt_resistance=impedance, source_level_v=job.source_level_v,
        )  # fmt: skip
    except UnattainableError as error:
        raise UnattainableError(
            form, f"position {position.name}: {error.condition}", error.remedy
        ) from None
    raise UnattainableError(
        form,
        f"position {position.name}: no exact network within the level's tolerance",
        "allow a wider level_tolerance_db or another level",
    )


def _flat_table(name: str, whole: Topology, job: Job) -> ExactTable:
    """A flat position: a series resistor, and one across the output that follows the level."""
    low, high = _resistances(job)
    tolerance = job.target.level_tolerance_db
    off_levels = np.linspace(-1.0, 1.0, _FLAT_LEVELS)
    series, off = (
        grid.ravel() for grid in np.meshgrid(np.geomspace(low, high, _FLAT_SERIES), off_levels)
    )
    gain = job.gain * 10.0 ** (off * tolerance / 20.0)
    whole_series = series + job.loading.source_resistance
    conductance = (1.0 / gain - 1.0) / whole_series - 1.0 / job.loading.load_resistance
    made = conductance > 0.0
    if not made.any():
        raise UnattainableError(
            whole.form,
            f"position {name}: the unit's input resistance alone brings the level too low",
            "lower the level or widen the range of the resistors",
        )
    logs = np.log(np.stack([series[made], 1.0 / conductance[made]], axis=1))
    return ExactTable(
        name, _DIVIDER, tuple(flat_networks(whole)), logs, np.zeros(len(logs)), off[made],
        flat_ranges(job, (low, high)),
    )  # fmt: skip
