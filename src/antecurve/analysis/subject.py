"""What every analysis takes: a design by itself, or a network together with its conditions.

``spread(design)`` takes curve, generator, unit, band and options from the design and its job;
``spread(picked, conditions)`` takes the options' usual values.
"""

from __future__ import annotations

import math
from typing import TypeAlias

from antecurve.analysis.waveform import SquareWave
from antecurve.curves.model import REFERENCE_FREQUENCY_HZ
from antecurve.errors import InputError
from antecurve.job import Job, SpreadRequest
from antecurve.networks.conditions import AnyNetwork, Conditions, Designed
from antecurve.parts.position import PickedNetwork

__all__ = [
    "WithParts",
    "builds_request",
    "error_limit_of",
    "job_of",
    "job_wave",
    "picked_of",
]

WithParts: TypeAlias = Designed | PickedNetwork
"""A design, or a network with parts that comes with conditions."""


def picked_of(design: AnyNetwork) -> PickedNetwork:
    """Take the network with parts of a design, or that network itself.

    Parameters
    ----------
    design : HasNetwork or Network
        What is analysed; it must have parts.

    Returns
    -------
    PickedNetwork
        The network with its parts.

    Raises
    ------
    InputError
        When it has no parts.
    """
    picked = design if isinstance(design, PickedNetwork) else getattr(design, "picked", None)
    if not isinstance(picked, PickedNetwork):
        raise InputError("design", design, "it must be a Design or a PickedNetwork")
    return picked


def job_of(design: AnyNetwork) -> Job | None:
    """Take the job of a design.

    Parameters
    ----------
    design : HasNetwork or Network
        What is analysed.

    Returns
    -------
    Job or None
        ``None`` for a network by itself.
    """
    job = getattr(design, "job", None)
    return job if isinstance(job, Job) else None


def error_limit_of(design: AnyNetwork, limit_db: float | None) -> float | None:
    """Choose the limit of the centred error: the one given, or that of a design's job.

    Parameters
    ----------
    design : HasNetwork or Network
        What is analysed.
    limit_db : float or None
        The limit [dB]; ``None`` for that of the job.

    Returns
    -------
    float or None
        The limit [dB]; ``None`` where there is none.
    """
    job = job_of(design)
    return job.target.error_limit_db if limit_db is None and job is not None else limit_db


def builds_request(
    design: AnyNetwork, *, builds: int | None, seed: int | None
) -> tuple[int, int, str]:
    """Choose number, seed and distribution of builds: those given, or those of a design's job.

    Parameters
    ----------
    design : HasNetwork or Network
        What is analysed.
    builds, seed : int or None
        ``None`` for those of the job, or the usual ones without a job.

    Returns
    -------
    builds, seed : int
        Number and seed.
    distribution : str
        That of the job, or the usual one.
    """
    job = job_of(design)
    asked = SpreadRequest() if job is None else job.spread
    return (
        asked.builds if builds is None else builds,
        asked.seed if seed is None else seed,
        asked.distribution,
    )


def job_wave(conditions: Conditions, *, rise_time_s: float = 0.0) -> SquareWave:
    """Derive the square wave that goes with a sine wave: 1 kHz, of the same peak.

    Parameters
    ----------
    conditions : Conditions
        Whose level counts.
    rise_time_s : float, optional
        Edge from end to end [s], 0 or greater.

    Returns
    -------
    SquareWave
        Amplitude sqrt(2) times the level of the EMF.
    """
    amplitude = math.sqrt(2.0) * conditions.source_level_v
    return SquareWave(REFERENCE_FREQUENCY_HZ, amplitude, rise_time_s)
