"""Figures of a unit beside its response: gain, noise, hum, distortion, overload, channels."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from antecurve.results import Result

__all__ = ["FIGURE_NAMES", "POLARITY_WORDS", "UnitFigure"]

_COARSE_DB = 0.1  # an uncertainty of one digit and a half
_LEAST_SHOWN_DB = 0.01  # below, what no bench repeats

FIGURE_NAMES = {
    "gain": "gain at 1 kHz",
    "polarity": "polarity",
    "balance": "balance of the channels at 1 kHz",
    "match": "match of the channels re 1 kHz",
    "crosstalk_1khz": "crosstalk at 1 kHz",
    "crosstalk_10khz": "crosstalk at 10 kHz",
    "hum": "hum",
    "noise": "noise",
    "noise_a_weighted": "noise, A-weighted",
    "distortion": "harmonic distortion",
    "overload_1khz": "input at which it clips at 1 kHz",
    "overload_20khz": "input at which it clips at 20 kHz",
}
"""What each figure is called."""

POLARITY_WORDS = {True: "the right way up", False: "upside down"}
"""Polarities above and below 0."""


@dataclass(frozen=True, slots=True)
class UnitFigure(Result):
    """A figure of a unit with its uncertainty.

    Attributes
    ----------
    name : str
        One of `FIGURE_NAMES`.
    value : float
        In decibels; of polarity 1 or -1.
    expanded_uncertainty : float
        95 %, in the same unit.
    bound : str
        Empty; ``at most`` or ``at least`` where the record tells no more than that.
    condition : str
        What it is relative to and where it was measured.
    own_uncertainty : float
        Of the uncertainty what the other channel, through the same network, does not share.
    scale : str
        Of a gain, what it rests on: ``volts``, a stated ``emf``, two ``inputs`` of an interface
        whose gains may differ, ``known inputs``, ``one input`` before and after, or ``levels``
        of an interface, which are in it.
    """

    _keys: ClassVar = ("name", "value", "expanded_uncertainty", "bound", "condition")

    name: str
    value: float
    expanded_uncertainty: float
    bound: str = ""
    condition: str = ""
    own_uncertainty: float = 0.0
    scale: str = "volts"

    @property
    def text(self) -> str:
        """The figure in a sentence."""
        title = FIGURE_NAMES[self.name]
        condition = f" {self.condition}" if self.condition else ""
        if self.name == "polarity":
            return f"{title}: {POLARITY_WORDS[self.value > 0]}{condition}"
        if self.bound:
            return f"{title}: {self.bound} {self.value:.1f} dB{condition}"
        digits = 1 if self.expanded_uncertainty >= _COARSE_DB else 2
        reach = max(self.expanded_uncertainty, _LEAST_SHOWN_DB)
        return f"{title}: {self.value:.{digits}f} dB (±{reach:.{digits}f}){condition}"
