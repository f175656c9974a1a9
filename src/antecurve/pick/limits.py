"""The limits of a job as conditions on combinations: level, output and input impedance."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.arrays import log_frequencies
from antecurve.curves.model import REFERENCE_FREQUENCY_HZ
from antecurve.job import Job
from antecurve.networks.compiled import (
    input_impedance_coefficients,
    loaded_coefficients,
    output_impedance_coefficients,
)
from antecurve.networks.topology import Topology

__all__ = ["LimitValues", "limit_values", "meeting_limits", "output_ohms", "within_limits"]

Floats = NDArray[np.float64]

_SLACK = 1e-12  # rounding of the limits, so that a network exactly at one meets it


@dataclass(frozen=True, slots=True, eq=False)
class LimitValues:
    """What the limits apply to, for many combinations.

    Attributes
    ----------
    level_db : numpy.ndarray of float, shape (combinations,)
        Level at 1 kHz against the target [dB].
    output_ohm : numpy.ndarray of float, shape (combinations,)
        Magnitude of the output impedance at 1 kHz [ohm].
    input_ohm : numpy.ndarray of float, shape (combinations,)
        Smallest magnitude of the input impedance over the band [ohm].
    """

    level_db: Floats
    output_ohm: Floats
    input_ohm: Floats


def limit_values(topology: Topology, job: Job, values: Floats) -> LimitValues:
    """Compute level, output and input impedance of combinations.

    Parameters
    ----------
    topology : Topology
        The shape.
    job : Job
        Loading, level and band.
    values : numpy.ndarray of float, shape (combinations, elements)
        Element values [ohm and F].

    Returns
    -------
    LimitValues
        The quantities; the input impedance over a grid of 24 frequencies a decade.
    """
    return LimitValues(
        _levels_db(topology, job, values),
        output_ohms(topology, job, values),
        _input_ohms(topology, job, values),
    )


def meeting_limits(topology: Topology, job: Job, values: Floats) -> NDArray[np.bool_]:
    """Test which combinations meet the job's limits; impedances of those with the level alone.

    Parameters
    ----------
    topology : Topology
        The shape.
    job : Job
        Loading, level, band and limits.
    values : numpy.ndarray of float, shape (combinations, elements)
        Element values [ohm and F].

    Returns
    -------
    numpy.ndarray of bool, shape (combinations,)
        True where all limits are met.
    """
    met = _levels_within(_levels_db(topology, job, values), job)
    for limit, quantity, within in (
        (job.network.output_resistance_max, output_ohms, _output_within),
        (job.network.input_impedance_min, _input_ohms, _input_within),
    ):
        if limit is not None:
            met[met] = within(quantity(topology, job, values[met]), limit)
    return met


def _levels_db(topology: Topology, job: Job, values: Floats) -> Floats:
    level = loaded_coefficients(topology, values, loading=job.loading)
    gain = np.abs(level.response(REFERENCE_FREQUENCY_HZ)[..., 0])
    return np.asarray(20.0 * np.log10(gain / job.gain))


def output_ohms(topology: Topology, job: Job, values: Floats) -> Floats:
    """Compute the magnitude of the output impedance at 1 kHz.

    Parameters
    ----------
    topology : Topology
        The shape.
    job : Job
        Loading.
    values : numpy.ndarray of float, shape (combinations, elements)
        Element values [ohm and F].

    Returns
    -------
    numpy.ndarray of float, shape (combinations,)
        The magnitudes [ohm].
    """
    output = output_impedance_coefficients(
        topology, values, source_resistance=job.loading.source_resistance
    )
    return np.asarray(np.abs(output.response(REFERENCE_FREQUENCY_HZ)[..., 0]))


def _input_ohms(topology: Topology, job: Job, values: Floats) -> Floats:
    """Smallest input impedance over the band [ohm]."""
    loading = job.loading
    entry = input_impedance_coefficients(
        topology,
        values,
        load_resistance=loading.load_resistance,
        load_capacitance=loading.load_capacitance,
    )
    band = log_frequencies(job.target.band_hz, points_per_decade=24)
    return np.asarray(np.abs(entry.response(band)).min(axis=-1))


def _levels_within(levels_db: Floats, job: Job) -> NDArray[np.bool_]:
    return np.asarray(np.abs(levels_db) <= job.target.level_tolerance_db + _SLACK)


def _output_within(output_ohm: Floats, limit: float) -> NDArray[np.bool_]:
    return np.asarray(output_ohm <= limit * (1.0 + _SLACK))


def _input_within(input_ohm: Floats, limit: float) -> NDArray[np.bool_]:
    return np.asarray(input_ohm >= limit * (1.0 - _SLACK))


def within_limits(limits: LimitValues, job: Job) -> NDArray[np.bool_]:
    """Test which combinations meet the job's limits.

    Parameters
    ----------
    limits : LimitValues
        Level and impedances.
    job : Job
        The limits.

    Returns
    -------
    numpy.ndarray of bool, shape (combinations,)
        True where all limits are met.
    """
    wanted = job.network
    largest = math.inf if wanted.output_resistance_max is None else wanted.output_resistance_max
    smallest = 0.0 if wanted.input_impedance_min is None else wanted.input_impedance_min
    return np.asarray(
        _levels_within(limits.level_db, job)
        & _output_within(limits.output_ohm, largest)
        & _input_within(limits.input_ohm, smallest)
    )
