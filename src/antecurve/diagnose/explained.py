"""What captures say of a unit's level, and what its suspects make of it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.arrays import hold_read_only
from antecurve.diagnose.weighing import Weighed, log_weight
from antecurve.quantities import DB_PER_NEPER
from antecurve.results import Result

__all__ = ["ExplainedLevel", "explained_level"]

Floats = NDArray[np.float64]
Complex = NDArray[np.complex128]


@dataclass(frozen=True, slots=True, eq=False)
class ExplainedLevel(Result):
    """Level of a unit over that of its circuit on paper, each with mean 0 over the band.

    Attributes
    ----------
    frequency_hz : numpy.ndarray of float, shape (frequencies,)
        Frequencies [Hz].
    captured_db : numpy.ndarray of float, shape (frequencies,)
        As captured, smoothed as a response of few corners [dB].
    suspect_db : numpy.ndarray of float, shape (frequencies,)
        Under the most probable fault, good parts where the captures put them [dB].
    good_db : numpy.ndarray of float, shape (frequencies,)
        Without a fault, good parts likewise and within their tolerances [dB].
    """

    frequency_hz: Floats
    captured_db: Floats
    suspect_db: Floats
    good_db: Floats

    def __post_init__(self) -> None:
        hold_read_only(self, "frequency_hz", "captured_db", "suspect_db", "good_db")


def explained_level(weighed: Weighed, band_hz: tuple[float, float]) -> ExplainedLevel:
    """Compare what was captured with what a fault and a good unit make of it.

    Parameters
    ----------
    weighed : Weighed
        Hypotheses with their evidence.
    band_hz : tuple of float
        The band [Hz].

    Returns
    -------
    ExplainedLevel
        At the frequencies in the band at which responses were compared.
    """
    frequency = weighed.ranker.information.frequency_hz
    within = weighed.ranker.information.within(band_hz)
    nominal = np.log(weighed.ranker.solved.response)

    def level(log_response: Complex) -> Floats:
        change = DB_PER_NEPER * (log_response - nominal).real[within]
        return np.asarray(change - change.mean())

    first = max(weighed.fits, key=log_weight)
    responses = (weighed.measured, first.log_response, weighed.good_response)
    return ExplainedLevel(frequency[within], *(level(r) for r in responses))
