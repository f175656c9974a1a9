"""The match between two channels, or two units, judged through the same network.

What the network is off is the same in both and cancels; what counts is the captures' noise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.checked import checked
from antecurve.errors import InputError
from antecurve.judge.verdict import Verdict
from antecurve.results import Result

__all__ = ["ChannelMatch", "channel_match"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class ChannelMatch(Result):
    """How alike two channels are.

    Attributes
    ----------
    frequency_hz : numpy.ndarray of float, shape (frequencies,)
        Frequencies [Hz].
    difference_db : numpy.ndarray of float, shape (frequencies,)
        Second less first, both 0 dB at 1 kHz [dB].
    expanded_uncertainty_db : numpy.ndarray of float, shape (frequencies,)
        Expanded uncertainty, 95 % [dB].
    gain_difference_db : float or None
        Second less first at 1 kHz, where both were captured alike [dB].
    """

    frequency_hz: Floats
    difference_db: Floats
    expanded_uncertainty_db: Floats
    gain_difference_db: float | None

    @property
    def largest(self) -> int:
        """Place of the largest difference."""
        return int(np.argmax(np.abs(self.difference_db)))

    @property
    def text(self) -> str:
        """The match in words."""
        at = self.largest
        text = (
            f"match of the channels: {self.difference_db[at]:+.2f} dB "
            f"(±{self.expanded_uncertainty_db[at]:.2f}) at {self.frequency_hz[at]:.0f} Hz re 1 kHz"
        )
        if self.gain_difference_db is not None:
            text += f", {self.gain_difference_db:+.2f} dB at 1 kHz if captured at the same settings"
        return text


@checked
def channel_match(first: Verdict, second: Verdict) -> ChannelMatch:
    """Compare two channels judged through the same network.

    Parameters
    ----------
    first, second : Verdict
        The verdicts, over the same band.

    Returns
    -------
    ChannelMatch
        Difference of the responses and of the gains.

    Raises
    ------
    InputError
        When the bands differ.
    """
    a, b = first.deviation, second.deviation
    if a.frequency_hz.shape != b.frequency_hz.shape or np.any(a.frequency_hz != b.frequency_hz):
        raise InputError(
            "band", second.band_hz, f"the first channel was judged over {first.band_hz}"
        )
    expanded = np.hypot(a.capture_part_db, b.capture_part_db)
    if first.low_end != second.low_end:
        expanded = expanded + a.model_part_db + b.model_part_db
    kinds = [t.kind for t in first.traces], [t.kind for t in second.traces]
    gain = None
    if kinds[0] == kinds[1]:
        one, other = first.gain[0], second.gain[0]
        over_time = first.traces[0].over_time
        gain = 20.0 * math.log10(other / one) if over_time else other - one
    return ChannelMatch(a.frequency_hz, b.deviation_db - a.deviation_db, expanded, gain)
