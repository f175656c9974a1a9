"""What this very build does, its parts measured."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import ClassVar

from antecurve.analysis.correction import Correction, correction, drawn_deviations
from antecurve.analysis.meter import MeterAccuracy
from antecurve.analysis.subject import WithParts, job_of, picked_of
from antecurve.checked import checked
from antecurve.errors import InputError
from antecurve.networks.centred_error import ErrorRange, error_range, reference_gain
from antecurve.networks.conditions import Conditions, LoadingTolerance, conditions_of
from antecurve.networks.topology import ElementKind
from antecurve.parts.position import Part, PickedNetwork
from antecurve.parts.scatter import part_table
from antecurve.quantities import format_quantity
from antecurve.results import Result

__all__ = ["AsBuilt", "as_built", "measured_network"]

# Times the nominal value: no tolerance reaches it, a slip of the prefix or a wrong part does.
_FARTHEST = 3.0


@dataclass(frozen=True, slots=True)
class AsBuilt(Result):
    """What one build does.

    Attributes
    ----------
    picked : PickedNetwork
        The network with measured values where there are any; their tolerance is what the
        meter leaves.
    measured : tuple of str
        References of what was measured.
    nominal : tuple of str
        Positions that are not wholly measured, so that they count with the values marked on
        their parts and their tolerances.
    error : ErrorRange
        Against the job's curve.
    published_error : ErrorRange
        Against the published time constants alone.
    level_shift_db : float
        Level at 1 kHz against that of the values marked [dB].
    correction : Correction
        What to subtract from later measurements.
    """

    _keys: ClassVar = (
        "measured",
        "not_measured:nominal",
        "centred_db:error.centred_db",
        "at_1khz_db:error.at_1khz_db",
        "published_centred_db:published_error.centred_db",
        "level_shift_db",
        "correction:correction.records",
    )

    picked: PickedNetwork
    measured: tuple[str, ...]
    nominal: tuple[str, ...]
    error: ErrorRange
    published_error: ErrorRange
    level_shift_db: float
    correction: Correction


@checked
def measured_network(
    picked: PickedNetwork, measured: Mapping[str, float], *, meter: MeterAccuracy
) -> PickedNetwork:
    """Put measured values in place of those marked.

    Parameters
    ----------
    picked : PickedNetwork
        The network as designed.
    measured : mapping of str to float
        Values [ohm or F] by the reference of a position (``C1``: its parts as joined) or of one
        of its joined parts (``C1a``).
    meter : MeterAccuracy
        Residual meter uncertainty.

    Returns
    -------
    PickedNetwork
        Measured positions are one part each, with the meter's accuracy as their tolerance.

    Raises
    ------
    InputError
        When a reference is not known, a position is given twice, as a whole and by its parts,
        or a value is not finite and above 0 or more than three times off the value marked.
    """
    unused = dict(measured)
    positions = []
    for position, places in zip(picked.positions, part_table(picked).positions, strict=True):
        refs = [part_table(picked).refs[i] for i in places]
        ref, kind = position.element.ref, position.element.kind
        parts = [
            _measured_part(r, kind, part, unused.pop(r), meter) if r in unused else part
            for r, part in zip(refs, position.parts, strict=True)
        ]
        changed = replace(position, parts=tuple(parts))
        if ref in unused:
            if changed != position:
                raise InputError(ref, unused[ref], f"its parts {', '.join(refs)} are given as well")
            whole = Part(position.value, position.tolerance, origin=position.parts[0].origin)
            part = _measured_part(ref, kind, whole, unused.pop(ref), meter)
            changed = replace(position, parts=(part,), joined="single")
        positions.append(changed)
    if unused:
        known = dict.fromkeys([*picked.topology.refs, *part_table(picked).refs])
        raise InputError(
            "measured values", next(iter(unused)), f"the design has {', '.join(known)}"
        )
    return replace(picked, positions=tuple(positions))


def _measured_part(
    ref: str, kind: ElementKind, part: Part, value: float, meter: MeterAccuracy
) -> Part:
    if not (math.isfinite(value) and value > 0):
        raise InputError(ref, value, "a measured value must be finite and above 0")
    if not 1 / _FARTHEST <= value / part.value <= _FARTHEST:
        there = format_quantity(part.value, kind.unit)
        rule = f"the design has {there}; more than a factor of three off is a slip or another part"
        raise InputError(ref, format_quantity(value, kind.unit), rule)
    limit = meter.limit(kind, value)
    return replace(part, value=float(value), tolerance=limit, nominal=part.nominal or part.value)


@checked
def as_built(
    design: WithParts,
    conditions: Conditions | None = None,
    *,
    measured: Mapping[str, float],
    meter: MeterAccuracy | None = None,
    loading_tolerance: LoadingTolerance | None = None,
) -> AsBuilt:
    """Work out what one build does, given measured values of its parts.

    Parameters
    ----------
    design : Design or PickedNetwork
        What is analysed: a design, or a network that comes with `conditions`.
    conditions : Conditions, optional
        Curve, generator, unit and band; those of the design by default.
    measured : mapping of str to float
        Measured values [ohm or F], as in `measured_network`.
    meter : MeterAccuracy, optional
        Residual meter uncertainty.
    loading_tolerance : LoadingTolerance, optional
        Limits of source resistance, load resistance and load capacitance; exact by default.

    Returns
    -------
    AsBuilt
        Response error, level, correction table with uncertainty.

    Raises
    ------
    InputError
        When a measured value can't be used.

    Notes
    -----
    The uncertainty of the correction is counted over draws (`correction.drawn_deviations`): what
    is not measured scatters as the design's job says, uniformly by default.
    `antecurve.judge.network_estimate` puts the same into one covariance, for a fit.
    """
    picked = picked_of(design)
    conditions = conditions_of(design, conditions)
    loading, job = conditions.loading, job_of(design)
    meter = meter or MeterAccuracy()
    built = measured_network(picked, measured, meter=meter)
    network = built.network
    shift = reference_gain(network, loading=loading) / reference_gain(
        picked.network, loading=loading
    )

    def error(published: bool) -> ErrorRange:
        return error_range(network, conditions, published=published)

    return AsBuilt(
        picked=built,
        measured=tuple(measured),
        nominal=tuple(
            p.element.ref for p in built.positions if any(q.nominal is None for q in p.parts)
        ),
        error=error(False),
        published_error=error(True),
        level_shift_db=20.0 * math.log10(shift),
        correction=correction(
            network,
            conditions,
            deviations=drawn_deviations(
                built,
                distribution="uniform" if job is None else job.spread.distribution,
                meter=meter,
                loading_tolerance=loading_tolerance,
            ),
        ),
    )
