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
from antecurve.job import Job
from antecurve.networks.conditions import AnyNetwork, Conditions, Designed
from antecurve.parts.position import PickedNetwork

__all__ = ["WithParts", "job_of", "job_wave", "picked_of"]

WithParts: TypeAlias = Designed | PickedNetwork
"""A design, or a network with parts that comes with conditions."""


def picked_of(design: AnyNetwork) -> PickedNetwork:
    """Get the network with parts of a design, or that network itself.

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
    """Get the job of a design.

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
