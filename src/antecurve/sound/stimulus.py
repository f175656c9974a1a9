"""The stimulus as the interface makes it: a record with network and unit bypassed."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from antecurve.signals.alignment import laid_side_by_side

__all__ = ["stimulus_by_reference"]

Floats = NDArray[np.float64]

_SETTLED_S = 0.05  # beside what is played: filters of converters ring shorter


def stimulus_by_reference(
    record: Floats, played: Floats, *, rate_hz: int, factor: float, name: str
) -> Floats:
    """Derive the stimulus from a record with network and unit bypassed.

    What output and input of the interface do to a signal is in it, and in the record of the unit:
    the ratio of both is free of it.

    Parameters
    ----------
    record : numpy.ndarray of float, shape (samples,)
        The record of the interface's output straight at its input.
    played : numpy.ndarray of float, shape (samples of the file,)
        What was played.
    rate_hz : int
        Sampling rate [Hz].
    factor : float
        The EMF during the unit's record over the voltage at the input here.
    name : str
        How messages call the record.

    Returns
    -------
    numpy.ndarray of float, shape (samples of the file,)
        The EMF in the unit of the record, silent where the file is.

    Raises
    ------
    InputError
        When the record is silent, interrupted, or lacks a cue.
    """
    from scipy.ndimage import maximum_filter1d

    beside = laid_side_by_side(played, record, played_hz=rate_hz, record_hz=rate_hz, name=name)
    stimulus = np.zeros(played.size)
    inside = slice(beside.first, beside.first + beside.played.size)
    stimulus[inside] = record[beside.inside]
    near = 2 * round(_SETTLED_S * rate_hz) + 1
    sounding = maximum_filter1d((played != 0.0).astype(np.int8), near).astype(bool)
    silent = ~sounding[inside]
    if silent.any():
        stimulus -= stimulus[inside][silent].mean()
    return factor * np.where(sounding, stimulus, 0.0)
