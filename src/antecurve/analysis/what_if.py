"""A design on another bench, or with other parts: what changes, quickly."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from antecurve.arrays import read_only
from antecurve.networks.centred_error import error_db, error_range, reference_gain
from antecurve.networks.conditions import Conditions
from antecurve.networks.topology import ElementKind
from antecurve.parts.builds import builds_of
from antecurve.parts.position import PickedNetwork
from antecurve.results import Result

if TYPE_CHECKING:
    from antecurve.job import SpreadRequest

__all__ = ["WhatIf", "what_if", "with_parts"]

_PER_DECADE = 60  # frequencies of a curve that moves, as the report's page has them
_BUILDS = 1000  # drawn while a control moves; 50 of them lie beyond the 95 %


@dataclass(frozen=True, slots=True, eq=False)
class WhatIf(Result):
    """What a network does under other conditions.

    Attributes
    ----------
    frequency_hz : numpy.ndarray of float, shape (frequencies,)
        Frequencies over the band [Hz].
    error_db : numpy.ndarray of float, shape (frequencies,)
        Error against the job's curve, 0 at 1 kHz [dB].
    centred_db : float
        Centred error over the band [dB].
    builds_p95_db : float
        Centred error that 95 % of a thousand builds stay within [dB].
    level_v : float
        Level at 1 kHz into the load [V rms].
    """

    frequency_hz: NDArray[np.float64]
    error_db: NDArray[np.float64]
    centred_db: float
    builds_p95_db: float
    level_v: float

    def __post_init__(self) -> None:
        for name in ("frequency_hz", "error_db"):
            object.__setattr__(self, name, read_only(getattr(self, name)))


def with_parts(
    picked: PickedNetwork,
    *,
    values: Mapping[str, float] | None = None,
    tolerances: Mapping[ElementKind, float] | None = None,
) -> PickedNetwork:
    """Swap parts of a network for others.

    Parameters
    ----------
    picked : PickedNetwork
        The network.
    values : mapping of str to float, optional
        New value by reference of the position [ohm or F]; one part makes it.
    tolerances : mapping of ElementKind to float, optional
        New tolerance of all parts of a kind, a fraction.

    Returns
    -------
    PickedNetwork
        The same positions with other parts.

    Raises
    ------
    InputError
        When a value is out of range.
    """
    values, tolerances = values or {}, tolerances or {}
    positions = []
    for position in picked.positions:
        parts, joined = position.parts, position.joined
        if position.element.ref in values:
            tolerance = position.tolerance
            parts = (replace(parts[0], value=values[position.element.ref], tolerance=tolerance),)
            joined = "single"
        tolerance = tolerances.get(position.element.kind, -1.0)
        if tolerance >= 0.0:
            parts = tuple(replace(part, tolerance=tolerance) for part in parts)
        positions.append(replace(position, parts=parts, joined=joined))
    return replace(picked, positions=tuple(positions))


def what_if(picked: PickedNetwork, conditions: Conditions, request: SpreadRequest) -> WhatIf:
    """Compute what a network does under other conditions.

    Parameters
    ----------
    picked : PickedNetwork
        The network with its parts.
    conditions : Conditions
        Curve, generator, unit and band.
    request : SpreadRequest
        Seed and distribution of the builds.

    Returns
    -------
    WhatIf
        Error over the band, builds and level.
    """
    low, high = conditions.band_hz
    count = max(2, int(np.ceil(_PER_DECADE * np.log10(high / low))))
    frequency, network = np.geomspace(low, high, count), picked.network
    drawn = builds_of(
        picked,
        curve=conditions.curve,
        loading=conditions.loading,
        band_hz=conditions.band_hz,
        seed=request.seed,
        distribution=request.distribution,
    )
    gain = reference_gain(network, loading=conditions.loading)
    return WhatIf(
        frequency,
        error_db(network, conditions.curve, frequency, loading=conditions.loading),
        error_range(network, conditions).centred_db,
        drawn.centred_histogram(_BUILDS).quantile(0.95),
        gain * conditions.source_level_v,
    )
