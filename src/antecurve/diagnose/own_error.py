"""The error of a unit's circuit on paper: nominal, and over its tolerances."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from antecurve.arrays import hold_read_only, log_frequencies
from antecurve.curves.model import REFERENCE_FREQUENCY_HZ, inverse_response
from antecurve.diagnose.nodal import NodalModel, ideal_drive
from antecurve.networks.centred_error import sampled_half_range
from antecurve.quantities import DB_PER_NEPER
from antecurve.results import Result

__all__ = ["OwnError", "own_error"]

Floats = NDArray[np.float64]

_POINTS_PER_DECADE = 12  # of corners of first order: a parabola between errs by 0.001 dB
_BUILDS = 2000  # for a percentile to within a twentieth of itself
_SEED = 1  # any: the same circuit gives the same percentile
_SHARE = 0.95  # of builds, as everywhere


@dataclass(frozen=True, slots=True, eq=False)
class OwnError(Result):
    """How far a circuit is from its curve on paper.

    Attributes
    ----------
    frequency_hz : numpy.ndarray of float, shape (frequencies,)
        Frequencies [Hz].
    error_db : numpy.ndarray of float, shape (frequencies,)
        Level of the nominal circuit over ideal playback [dB], 0 at 1 kHz.
    centred_db : float
        Half of its range over the band [dB].
    spread_db : float
        What 95 % of units within tolerance stay below, likewise [dB].
    band_hz : tuple of float
        The band [Hz].
    """

    _keys: ClassVar = ("centred_db", "spread_db", "band_hz")

    frequency_hz: Floats
    error_db: Floats
    centred_db: float
    spread_db: float
    band_hz: tuple[float, float]

    def __post_init__(self) -> None:
        hold_read_only(self, "frequency_hz", "error_db")


def own_error(model: NodalModel, band_hz: tuple[float, float]) -> OwnError:
    """Compare a circuit with the curve that it is to play.

    Parameters
    ----------
    model : NodalModel
        The circuit.
    band_hz : tuple of float
        The band [Hz].

    Returns
    -------
    OwnError
        Nominal error, and to first order the spread of units within tolerance.
    """
    grid = log_frequencies(band_hz, points_per_decade=_POINTS_PER_DECADE)
    frequency = np.append(grid, REFERENCE_FREQUENCY_HZ)
    solved = model.solved(ideal_drive(frequency))
    slopes = DB_PER_NEPER * solved.slopes.real
    ideal = inverse_response(model.circuit.curve, frequency)
    level = DB_PER_NEPER * np.log(np.abs(solved.response / ideal))
    tolerance = np.array([q.tolerance for q in model.quantities])
    scatter = np.random.default_rng(_SEED).uniform(-1.0, 1.0, (_BUILDS, tolerance.size))
    levels = np.vstack([level, level + (scatter * tolerance) @ slopes])
    error = levels[:, :-1] - levels[:, -1:]
    half = sampled_half_range(error)
    return OwnError(grid, error[0], float(half[0]), float(np.quantile(half[1:], _SHARE)), band_hz)
