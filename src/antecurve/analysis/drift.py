"""Error and level over temperature.

Every part follows x(T) = x(T0) (1 + a (T - T0)) with its own coefficient a, which lies within
the range of its technology.  The typical coefficients give one curve; the worst case over the
box of all coefficients bounds what a build of perfectly chosen values can do.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from antecurve.analysis.scatter import part_table, position_values
from antecurve.analysis.technologies import TECHNOLOGIES, Technology, technology
from antecurve.analysis.worst_case import worst_case
from antecurve.curves.model import REFERENCE_FREQUENCY_HZ, Curve
from antecurve.errors import InputError
from antecurve.networks.compiled import transfer
from antecurve.networks.deviation import error_range
from antecurve.networks.topology import ElementKind, Loading, Network, network_with_values
from antecurve.pick.parts import PickedNetwork

__all__ = ["DriftResult", "DriftRow", "drift", "part_technologies"]

_COLDEST = -273.15


@dataclass(frozen=True, slots=True)
class DriftRow:
    """What the network does at one temperature.

    Attributes
    ----------
    temperature_c : float
        Temperature [degree Celsius].
    centred_db : float
        Centred error with typical coefficients [dB].
    level_shift_db : float
        Level at 1 kHz against the reference temperature, typical coefficients [dB].
    worst_centred_db : float
        Largest centred error over all coefficients in their ranges [dB].
    """

    temperature_c: float
    centred_db: float
    level_shift_db: float
    worst_centred_db: float


@dataclass(frozen=True, slots=True)
class DriftResult:
    """What the network does over temperature.

    Attributes
    ----------
    reference_c : float
        Temperature at which the parts have their values [degree Celsius].
    technologies : tuple of Technology
        Of the parts, in their order.
    rows : tuple of DriftRow
        One for each temperature.
    """

    reference_c: float
    technologies: tuple[Technology, ...]
    rows: tuple[DriftRow, ...]


def part_technologies(
    picked: PickedNetwork, chosen: Mapping[str, str | Technology] | None = None
) -> tuple[Technology, ...]:
    """Return the technology of each part.

    Parameters
    ----------
    picked : PickedNetwork
        The network with its parts.
    chosen : mapping of str to str or Technology, optional
        By reference of a part, or by ``resistors`` and ``capacitors``; metal film and
        polypropylene where nothing is chosen.

    Returns
    -------
    tuple of Technology
        One for each physical part.

    Raises
    ------
    InputError
        When a reference or a technology is not known, or does not fit the kind of the part.
    """
    table = part_table(picked)
    given = {k: technology(t) if isinstance(t, str) else t for k, t in (chosen or {}).items()}
    known = {*table.refs, "resistors", "capacitors"}
    for key in given:
        if key not in known:
            names = ", ".join([*table.refs, "resistors", "capacitors"])
            raise InputError("technology", key, f"it is chosen for one of {names}")
    found = []
    for ref, kind in zip(table.refs, table.kinds, strict=True):
        standard = next(t for t in TECHNOLOGIES if t.kind is kind)
        every = "resistors" if kind is ElementKind.RESISTOR else "capacitors"
        one = given.get(ref, given.get(every, standard))
        if one.kind is not kind:
            raise InputError(f"technology of {ref}", one.name, f"{ref} is a {kind.value}")
        found.append(one)
    return tuple(found)


def drift(
    picked: PickedNetwork,
    *,
    curve: Curve,
    loading: Loading,
    band_hz: tuple[float, float],
    temperatures_c: Sequence[float] = (10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0),
    reference_c: float = 20.0,
    technologies: Mapping[str, str | Technology] | None = None,
) -> DriftResult:
    """Return error and level over temperature, parts at their nominal or measured values.

    Parameters
    ----------
    picked : PickedNetwork
        The network with its parts.
    curve : Curve
        The curve to impose.
    loading : Loading
        Source and load, taken as free of drift.
    band_hz : tuple of float
        Low and high end [Hz].
    temperatures_c : sequence of float, optional
        Temperatures [degree Celsius].
    reference_c : float, optional
        Temperature at which the parts have their values [degree Celsius]; 20 in IEC standards
        for parts (common practice, no source).
    technologies : mapping of str to str or Technology, optional
        As in `part_technologies`.

    Returns
    -------
    DriftResult
        One row a temperature.

    Raises
    ------
    InputError
        When a temperature is not finite or below absolute zero, or takes a part to 0 or below,
        or a technology does not fit.
    """
    found = part_technologies(picked, technologies)
    for value in (reference_c, *temperatures_c):
        if not (math.isfinite(value) and value >= _COLDEST):
            raise InputError(
                "temperature", value, f"it must be finite and at least {_COLDEST} degree Celsius"
            )
    typical = np.array([t.coefficient for t in found])
    ends = np.array([[t.coefficient_low, t.coefficient_high] for t in found])

    def level(network: Network) -> float:
        return float(abs(transfer(network, [REFERENCE_FREQUENCY_HZ], loading=loading)[0]))

    reference = level(picked.network)
    rows = []
    for temperature in temperatures_c:
        step = temperature - reference_c
        if np.any(1.0 + ends * step <= 0):
            raise InputError("temperature", temperature, "a coefficient takes a part to 0 there")
        at = _warmed(picked, 1.0 + typical * step)
        rows.append(
            DriftRow(
                temperature_c=float(temperature),
                centred_db=error_range(at, curve, band_hz=band_hz, loading=loading).centred_db,
                level_shift_db=20.0 * math.log10(level(at) / reference),
                worst_centred_db=worst_case(
                    _box(picked, 1.0 + ends * step), curve=curve, loading=loading, band_hz=band_hz
                ).centred_db,
            )
        )
    return DriftResult(reference_c, found, tuple(rows))


def _warmed(picked: PickedNetwork, factor: NDArray[np.float64]) -> Network:
    """The network with each part multiplied by a factor."""
    table = part_table(picked)
    values = position_values(table, (table.nominal * factor)[:, None])[:, 0]
    return network_with_values(picked.topology, values.tolist())


def _box(picked: PickedNetwork, factors: NDArray[np.float64]) -> PickedNetwork:
    """Parts whose tolerance covers the factors, shape (parts, 2)."""
    middle = factors.mean(axis=1)
    half = np.abs(factors[:, 1] - factors[:, 0]) / 2.0
    positions = []
    for position, places in zip(picked.positions, part_table(picked).positions, strict=True):
        parts = tuple(
            replace(part, value=part.value * middle[i], tolerance=half[i] / middle[i])
            for part, i in zip(position.parts, places, strict=True)
        )
        positions.append(replace(position, parts=parts))
    return replace(picked, positions=tuple(positions))
