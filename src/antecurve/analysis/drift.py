"""Error and level over temperature.

Every part follows x(T) = x(T0) (1 + a (T - T0)) with its own coefficient a, which lies within
the range of its technology.  The typical coefficients give one curve; the worst case over the
box of all coefficients bounds what a build of perfectly chosen values can do.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from antecurve.analysis.subject import WithParts, picked_of
from antecurve.analysis.technologies import TECHNOLOGIES, Technology, technology
from antecurve.analysis.worst_case import worst_case_or_none
from antecurve.checked import checked
from antecurve.errors import InputError
from antecurve.networks.centred_error import error_range, reference_gain
from antecurve.networks.conditions import Conditions, conditions_of
from antecurve.networks.topology import ElementKind, Network, network_with_values
from antecurve.parts.position import PickedNetwork
from antecurve.parts.scatter import part_table, position_values
from antecurve.results import Result

__all__ = ["DriftResult", "DriftRow", "drift", "own_technologies", "part_technologies"]

_COLDEST = -273.15  # degree Celsius: absolute zero
_KINDS = {"resistors": ElementKind.RESISTOR, "capacitors": ElementKind.CAPACITOR}


@dataclass(frozen=True, slots=True)
class DriftRow(Result):
    """What the network does at one temperature.

    Attributes
    ----------
    temperature_c : float
        Temperature [degree Celsius].
    centred_db : float
        Centred error with typical coefficients [dB].
    level_shift_db : float
        Level at 1 kHz against the reference temperature, typical coefficients [dB].
    worst_centred_db : float or None
        Largest centred error over all coefficients in their ranges [dB]; ``None`` when more
        positions scatter than `antecurve.analysis.worst_case.worst_case` can take.
    """

    temperature_c: float
    centred_db: float
    level_shift_db: float
    worst_centred_db: float | None


@dataclass(frozen=True, slots=True)
class DriftResult(Result):
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

    _keys: ClassVar = (
        "reference_c",
        "technologies:technology_names",
        "rows",
    )
    _rows: ClassVar = "rows"

    reference_c: float
    technologies: tuple[Technology, ...]
    rows: tuple[DriftRow, ...]

    @property
    def technology_names(self) -> list[str]:
        """Technologies of the parts, each once."""
        return sorted({t.name for t in self.technologies})


def part_technologies(
    picked: PickedNetwork, chosen: Mapping[str, str | Technology] | None = None
) -> tuple[Technology, ...]:
    """Look up the technology of each part.

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
    kinds = dict(zip(table.refs, table.kinds, strict=True)) | _KINDS
    given = {}
    for key, one in (chosen or {}).items():
        if key not in kinds:
            raise InputError("technology", key, f"it is chosen for one of {', '.join(kinds)}")
        given[key] = technology(one, kinds[key]) if isinstance(one, str) else one
    assigned = []
    for ref, kind in zip(table.refs, table.kinds, strict=True):
        standard = next(t for t in TECHNOLOGIES if t.kind is kind)
        every = "resistors" if kind is ElementKind.RESISTOR else "capacitors"
        one = given.get(ref, given.get(every, standard))
        if one.kind is not kind:
            raise InputError(f"technology of {ref}", one.name, f"{ref} is a {kind.value}")
        assigned.append(one)
    return tuple(assigned)


@checked
def own_technologies(
    picked: PickedNetwork,
    chosen: Mapping[str, str | Technology] | None = None,
    *,
    coefficients: Mapping[str, float] | None = None,
    loss_tangents: Mapping[str, float] | None = None,
) -> dict[str, Technology]:
    """Look up the technology of each part, with what is known of the parts in hand.

    Parameters
    ----------
    picked : PickedNetwork
        The network with its parts.
    chosen : mapping of str to str or Technology, optional
        As in `part_technologies`.
    coefficients : mapping of str to float, optional
        Temperature coefficients [1/K], taken as exact, by reference of a part (``C1a``) or of a
        position (``C1``: all its parts), or by ``resistors`` and ``capacitors``; a later entry
        wins over an earlier one.
    loss_tangents : mapping of str to float, optional
        Loss tangents, the same at all frequencies, 0 or greater; by reference as above.

    Returns
    -------
    dict of str to Technology
        By reference of the part; to be given to `drift` and `loss_effect`.

    Raises
    ------
    InputError
        When a reference is not known or a number can't be used.
    """
    table = part_table(picked)
    by_ref = dict(zip(table.refs, part_technologies(picked, chosen), strict=True))
    covers = {ref: [ref] for ref in table.refs}
    covers |= {
        position.element.ref: [table.refs[i] for i in places]
        for position, places in zip(picked.positions, table.positions, strict=True)
    }
    for every, kind in _KINDS.items():
        covers[every] = [r for r, k in zip(table.refs, table.kinds, strict=True) if k is kind]
    stated = [
        *(("temperature coefficient", ref, value) for ref, value in (coefficients or {}).items()),
        *(("loss tangent", ref, value) for ref, value in (loss_tangents or {}).items()),
    ]
    for what, ref, value in stated:
        if ref not in covers:
            raise InputError(what, ref, f"it is given for one of {', '.join(covers)}")
        if what == "loss tangent" and ref in covers["resistors"]:
            raise InputError(f"loss tangent of {ref}", value, "a resistor has none; leave it out")
        for part in covers[ref]:
            by_ref[part] = _with_own(by_ref[part], what, part, value)
    return by_ref


def _with_own(base: Technology, what: str, ref: str, value: float) -> Technology:
    name = f"{base.name}, {ref} as given"
    if base.name.endswith(" as given"):
        name = base.name
    if what == "loss tangent":
        return replace(base, name=name, loss_tangent=value, loss_tangent_10k=value)
    return replace(
        base, name=name, coefficient=value, coefficient_low=value, coefficient_high=value
    )


@checked
def drift(
    design: WithParts,
    conditions: Conditions | None = None,
    *,
    temperatures_c: Sequence[float] = (10.0, 15.0, 20.0, 25.0, 30.0, 35.0, 40.0),
    reference_c: float = 20.0,
    technologies: Mapping[str, str | Technology] | None = None,
) -> DriftResult:
    """Work out error and level over temperature, parts at their nominal or measured values.

    Parameters
    ----------
    design : Design or PickedNetwork
        What is analysed: a design, or a network that comes with `conditions`.
    conditions : Conditions, optional
        Curve, generator, unit and band; those of the design by default.
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
        a technology does not fit, or the band is out of range.
    """
    picked = picked_of(design)
    conditions = conditions_of(design, conditions)
    loading = conditions.loading
    assigned = part_technologies(picked, technologies)
    for value in (reference_c, *temperatures_c):
        if not (math.isfinite(value) and value >= _COLDEST):
            raise InputError(
                "temperature", value, f"it must be finite and at least {_COLDEST} degrees Celsius"
            )
    typical = np.array([t.coefficient for t in assigned])
    ends = np.array([[t.coefficient_low, t.coefficient_high] for t in assigned])
    reference = reference_gain(picked.network, loading=loading)
    rows = []
    for temperature in temperatures_c:
        step = temperature - reference_c
        if np.any(1.0 + ends * step <= 0):
            raise InputError(
                "temperature", temperature, "a coefficient brings a part's value to 0 there"
            )
        at = _warmed(picked, 1.0 + typical * step)
        worst = worst_case_or_none(_box(picked, 1.0 + ends * step), conditions)
        rows.append(
            DriftRow(
                temperature_c=float(temperature),
                centred_db=error_range(at, conditions).centred_db,
                level_shift_db=20.0 * math.log10(reference_gain(at, loading=loading) / reference),
                worst_centred_db=None if worst is None else worst.centred_db,
            )
        )
    return DriftResult(reference_c, assigned, tuple(rows))


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
