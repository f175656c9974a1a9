"""How much each position moves the response, from exact derivatives.

The real part of d ln H / d ln x (`antecurve.networks.sensitivity`) times 20/ln 10 is dB per unit
relative change; a hundredth of that, dB per percent.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from antecurve.analysis.subject import WithParts, picked_of
from antecurve.arrays import log_frequencies
from antecurve.curves.model import REFERENCE_FREQUENCY_HZ
from antecurve.networks.conditions import Conditions, conditions_of
from antecurve.networks.sensitivity import logarithmic_sensitivity
from antecurve.parts.distributions import PartSource, part_source, standard_deviations
from antecurve.parts.scatter import part_table, position_scatter
from antecurve.quantities import DB_PER_NEPER
from antecurve.results import Result

__all__ = [
    "PositionSensitivity",
    "Sensitivities",
    "sensitivities",
    "tighten_first",
]

Floats = NDArray[np.float64]
_DB_PER_PERCENT = DB_PER_NEPER / 100.0


@dataclass(frozen=True, slots=True)
class PositionSensitivity(Result):
    """What one position does to the response.

    Attributes
    ----------
    ref : str
        The position.
    db_per_percent_max : float
        Change of the error's shape per percent of its value [dB/%]: the largest magnitude over
        the band of the change of 20 log10(abs(H)) less its mean over log frequency.
    level_db_per_percent : float
        Change of the level at 1 kHz per percent of its value [dB/%], with its sign.
    share : float
        Its share in the variance of the error's shape over the band, by its tolerance; all
        shares add up to 1 (0 where nothing scatters).
    """

    ref: str
    db_per_percent_max: float
    level_db_per_percent: float
    share: float


@dataclass(frozen=True, slots=True, eq=False)
class Sensitivities(Result):
    """Sensitivities of all positions over a band.

    Attributes
    ----------
    frequency_hz : numpy.ndarray of float, shape (frequencies,)
        Frequencies [Hz]; read-only.
    db_per_percent : numpy.ndarray of float, shape (positions, frequencies)
        Change of 20 log10(abs(H)) per percent of the value [dB/%]; read-only.
    error_db_per_percent : numpy.ndarray of float, shape (positions, frequencies)
        The same of the error, 0 at 1 kHz [dB/%]; read-only.
    positions : tuple of PositionSensitivity
        In the order of the positions.
    root_sum_square_db : numpy.ndarray of float, shape (frequencies,)
        Standard deviation of the error, 0 at 1 kHz, by first-order propagation [dB]; read-only.
    """

    frequency_hz: Floats
    db_per_percent: Floats
    error_db_per_percent: Floats
    positions: tuple[PositionSensitivity, ...]
    root_sum_square_db: Floats


def sensitivities(
    design: WithParts,
    conditions: Conditions | None = None,
    *,
    source: PartSource | None = None,
    points_per_decade: int = 40,
) -> Sensitivities:
    """Work out how much each position moves the response over a band.

    Parameters
    ----------
    design : Design or PickedNetwork
        What is analysed: a design, or a network that comes with `conditions`.
    conditions : Conditions, optional
        Curve, generator, unit and band; those of the design by default.
    source : PartSource, optional
        How the parts scatter; uniform within their tolerances by default.
    points_per_decade : int, optional
        Least number of frequencies per decade.

    Returns
    -------
    Sensitivities
        Over frequency; for each position its change of shape and level and its share.

    Raises
    ------
    InputError
        When the band is not finite, above 0 Hz and ascending.

    Notes
    -----
    What moves the level of the whole band alone is no error, whose level is free: the largest
    change of a position and its share are those of the shape, about the mean over the band.

    A position of joined parts scatters with the root sum square of its parts, each weighted by
    d ln x / d ln part: the part's share in the sum (or in the sum of reciprocals).  Parts of
    one reel are correlated; their shares are those of the parts taken by themselves.
    """
    picked = picked_of(design)
    conditions = conditions_of(design, conditions)
    loading, band_hz = conditions.loading, conditions.band_hz
    table = part_table(picked)
    source = source or part_source(table, distribution="uniform")
    frequency = log_frequencies(band_hz, points_per_decade=points_per_decade)
    with_reference = np.append(frequency, REFERENCE_FREQUENCY_HZ)
    logarithmic = logarithmic_sensitivity(picked.network, with_reference, loading=loading).real
    response, at_reference = (
        _DB_PER_PERCENT * logarithmic[:, :-1],
        _DB_PER_PERCENT * logarithmic[:, -1],
    )
    error = response - at_reference[:, None]
    scatter = 100.0 * position_scatter(source.table, standard_deviations(source))
    shape = response - response.mean(axis=1, keepdims=True)
    variance = (shape**2).mean(axis=1) * scatter**2
    whole = float(variance.sum())
    share = variance / whole if whole else np.zeros_like(variance)
    positions = tuple(
        PositionSensitivity(ref, *numbers)
        for ref, *numbers in zip(
            picked.topology.refs,
            np.abs(shape).max(axis=1).tolist(),
            at_reference.tolist(),
            share.tolist(),
            strict=True,
        )
    )
    root_sum_square = np.sqrt(((error * scatter[:, None]) ** 2).sum(axis=0))
    for array in (frequency, response, error, root_sum_square):
        array.setflags(write=False)
    return Sensitivities(frequency, response, error, positions, root_sum_square)


def tighten_first(positions: Sequence[PositionSensitivity]) -> PositionSensitivity:
    """Find the position whose tolerance is worth tightening first.

    Parameters
    ----------
    positions : sequence of PositionSensitivity, one at least
        The positions with their shares.

    Returns
    -------
    PositionSensitivity
        The one with the largest share in the variance of the error.
    """
    return max(positions, key=lambda position: position.share)
