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

__all__ = ["LimitValues", "limit_values", "meeting_limits", "within_limits"]

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
    return LimitValues(_levels_db(topology, job, values), *_impedances(topology, job, values))


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
    levels_db = _levels_db(topology, job, values)
    met = _levels_within(levels_db, job)
    limits = LimitValues(levels_db[met], *_impedances(topology, job, values[met]))
    met[met] = within_limits(limits, job)
    return met


def _levels_db(topology: Topology, job: Job, values: Floats) -> Floats:
    level = loaded_coefficients(topology, values, loading=job.loading)
    gain = np.abs(level.response(REFERENCE_FREQUENCY_HZ)[..., 0])
    return np.asarray(20.0 * np.log10(gain / job.gain))


def _impedances(topology: Topology, job: Job, values: Floats) -> tuple[Floats, Floats]:
    """Output impedance at 1 kHz and smallest input impedance over the band [ohm]."""
    loading = job.loading
    output = output_impedance_coefficients(
        topology, values, source_resistance=loading.source_resistance
    )
    entry = input_impedance_coefficients(
        topology,
        values,
        load_resistance=loading.load_resistance,
        load_capacitance=loading.load_capacitance,
    )
    band = log_frequencies(job.target.band_hz, points_per_decade=24)
    output_ohm = np.abs(output.response(REFERENCE_FREQUENCY_HZ)[..., 0])
    return output_ohm, np.abs(entry.response(band)).min(axis=-1)


def _levels_within(levels_db: Floats, job: Job) -> NDArray[np.bool_]:
    return np.asarray(np.abs(levels_db) <= job.target.level_tolerance_db + _SLACK)


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
        & (limits.output_ohm <= largest * (1.0 + _SLACK))
        & (limits.input_ohm >= smallest * (1.0 - _SLACK))
    )
