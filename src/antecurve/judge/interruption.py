"""A record of which samples were lost: the output is late by another time from there on."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from antecurve.errors import InputError

__all__ = ["refuse_interruption"]

Floats = NDArray[np.float64]

_AGREE = 0.5  # samples, by which delays of segments scatter
_LEAST_STEP = 2.0  # samples; what a converter or a driver loses is more
_LEAST_SEGMENTS = 2  # on either side, so that one wrong delay is no step


def refuse_interruption(delay_samples: Floats, *, rate_hz: float, name: str) -> None:
    """Refuse a record whose delay steps once and holds before and after.

    Parameters
    ----------
    delay_samples : numpy.ndarray of float, shape (segments,)
        Delays of the output over stretches of the record, in their order.
    rate_hz : float
        Sampling rate [Hz].
    name : str
        How messages call the record.

    Raises
    ------
    InputError
        When it was interrupted.
    """
    for first in range(_LEAST_SEGMENTS, delay_samples.size - _LEAST_SEGMENTS + 1):
        # The segment with the gap may show either delay, or neither.
        for gap in (0, 1):
            before, after = delay_samples[:first], delay_samples[first + gap :]
            if after.size < _LEAST_SEGMENTS or max(np.ptp(before), np.ptp(after)) > _AGREE:
                continue
            step = float(before.mean() - after.mean())
            if abs(step) > _LEAST_STEP:
                raise InputError(
                    name, f"an interrupted record: {step / rate_hz:+.4f} s are missing",
                    "close other programs, enlarge the interface's buffer, and record again",
                )  # fmt: skip
