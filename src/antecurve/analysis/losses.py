"""What the losses of the capacitors do to the response."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from antecurve.analysis.drift import part_technologies
from antecurve.analysis.subject import WithParts, picked_of
from antecurve.analysis.technologies import Technology
from antecurve.arrays import hold_read_only, log_frequencies
from antecurve.checked import checked
from antecurve.curves.model import REFERENCE_FREQUENCY_HZ
from antecurve.networks.compiled import lossy_transfer, transfer
from antecurve.networks.conditions import Conditions, conditions_of
from antecurve.parts.scatter import part_table, part_weights
from antecurve.results import Result

__all__ = ["LossEffect", "loss_effect"]

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class LossEffect(Result):
    """How the losses change the response.

    Attributes
    ----------
    frequency_hz : numpy.ndarray of float, shape (frequencies,)
        Frequencies [Hz]; read-only.
    change_db : numpy.ndarray of float, shape (frequencies,)
        Level with losses less level without, 0 at 1 kHz [dB]; read-only.
    level_shift_db : float
        The same at 1 kHz, where `change_db` is 0 [dB].
    largest_db : float
        Largest magnitude of `change_db` [dB].
    """

    _keys: ClassVar = (
        "largest_db",
        "level_shift_db",
        "frequency_hz",
        "change_db",
    )

    frequency_hz: Floats
    change_db: Floats
    level_shift_db: float
    largest_db: float

    def __post_init__(self) -> None:
        hold_read_only(self, "frequency_hz", "change_db")


@checked
def loss_effect(
    design: WithParts,
    conditions: Conditions | None = None,
    *,
    technologies: Mapping[str, str | Technology] | None = None,
    points_per_decade: int = 40,
) -> LossEffect:
    """Work out how the losses of the capacitors change the response.

    Parameters
    ----------
    design : Design or PickedNetwork
        What is analysed: a design, or a network that comes with `conditions`.
    conditions : Conditions, optional
        Curve, generator, unit and band; those of the design by default.
    technologies : mapping of str to str or Technology, optional
        As in `antecurve.analysis.drift.part_technologies`.
    points_per_decade : int, optional
        Least number of frequencies per decade.

    Returns
    -------
    LossEffect
        Over frequency.

    Raises
    ------
    InputError
        When a technology does not fit, or the band is out of range.

    Notes
    -----
    The loss tangent follows log frequency in a straight line through its values at 1 kHz and
    10 kHz, not below 0, and is held at that of 1 kHz below.  Parts in parallel: tan d is the mean
    weighted by capacitance.
    """
    picked = picked_of(design)
    conditions = conditions_of(design, conditions)
    loading, band_hz = conditions.loading, conditions.band_hz
    assigned = part_technologies(picked, technologies)
    frequency = np.append(
        log_frequencies(band_hz, points_per_decade=points_per_decade), REFERENCE_FREQUENCY_HZ
    )
    decades = np.maximum(np.log10(frequency / REFERENCE_FREQUENCY_HZ), 0.0)
    parts = np.array(
        [t.loss_tangent + (t.loss_tangent_10k - t.loss_tangent) * decades for t in assigned]
    )
    tangent = part_weights(part_table(picked)) @ np.maximum(parts, 0.0)
    lossy = lossy_transfer(picked.network, frequency, loading=loading, loss_tangent=tangent)
    level = 20.0 * np.log10(np.abs(lossy / transfer(picked.network, frequency, loading=loading)))
    change = level[:-1] - level[-1]
    return LossEffect(frequency[:-1], change, float(level[-1]), float(np.abs(change).max()))
