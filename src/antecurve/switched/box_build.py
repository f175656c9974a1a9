"""One build of a box, its parts measured: what every position does, and how to bring it back."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from antecurve.analysis.as_built import AsBuilt, as_built, measured_network
from antecurve.analysis.meter import MeterAccuracy
from antecurve.analysis.trim import TrimChange, trim
from antecurve.networks.centred_error import error_range
from antecurve.parts.drawer import Drawer
from antecurve.parts.position import PickedNetwork
from antecurve.results import Result
from antecurve.switched.box import Box

__all__ = ["BuiltPosition", "TrimmedBox", "build_of_box", "trim_box"]

_LEAST_GAIN_DB = 0.002
"""A further change lowers the largest error by this much at least [dB], as in `trim`."""


@dataclass(frozen=True, slots=True)
class BuiltPosition(Result):
    """What one position of a build does.

    Attributes
    ----------
    position : str
        Name of the switch position.
    designed_db : float
        Centred error of the design [dB].
    built : AsBuilt
        What this build does.
    """

    position: str
    designed_db: float
    built: AsBuilt


@dataclass(frozen=True, slots=True)
class TrimmedBox(Result):
    """How to bring a box back.

    Attributes
    ----------
    positions : tuple of str
        Names of the switch positions.
    before_db, after_db : tuple of float
        Centred error of each before and after the changes [dB].
    changes : tuple of TrimChange
        What to change, under the references of the parts list: ``R2_1`` is of the first throw,
        ``R1`` is shared and moves every position.
    """

    positions: tuple[str, ...]
    before_db: tuple[float, ...]
    after_db: tuple[float, ...]
    changes: tuple[TrimChange, ...]


def build_of_box(
    box: Box, measured: Mapping[str, float], *, meter: MeterAccuracy
) -> tuple[BuiltPosition, ...]:
    """Work out what every position of a build does.

    Parameters
    ----------
    box : Box
        The box.
    measured : mapping of str to float
        Values [ohm or F] by the references of the parts list; a shared part moves every position.
    meter : MeterAccuracy
        Residual meter uncertainty.

    Returns
    -------
    tuple of BuiltPosition
        In the order of the switch.

    Raises
    ------
    InputError
        When a value is far off what is marked.
    """
    built = []
    for throw, (name, design) in enumerate(zip(box.names, box.designs, strict=True), start=1):
        own = _of_position(box, throw, measured)
        built.append(
            BuiltPosition(
                name,
                error_range(design).centred_db,
                as_built(design, measured=own, meter=meter),
            )
        )
    return tuple(built)


def _of_position(box: Box, throw: int, measured: Mapping[str, float]) -> dict[str, float]:
    """The measured values that one position of the switch sees, by its own references."""
    own: dict[str, float] = {}
    for position in box.designs[throw - 1].picked.positions:
        ref = position.element.ref
        named = box.part_reference(ref, throw)
        for key, value in measured.items():
            if key == named or (key[:-1] == named and key[-1].isalpha()):
                own[ref + key[len(named) :]] = value
    return own


def trim_box(
    box: Box,
    measured: Mapping[str, float],
    *,
    meter: MeterAccuracy,
    drawer: Drawer | None = None,
    most_changes: int = 3,
    progress: Callable[[int, int], None] | None = None,
) -> TrimmedBox:
    """Suggest changes that bring every position of a build back.

    Parameters
    ----------
    box : Box
        The box.
    measured : mapping of str to float
        Parts already fitted [ohm or F], by the references of the parts list.
    meter : MeterAccuracy
        Residual meter uncertainty.
    drawer : Drawer, optional
        Parts on hand.
    most_changes : int, optional
        Largest number of changes, 1 or more.
    progress : callable, optional
        Called with positions done and positions in all.

    Returns
    -------
    TrimmedBox
        The changes.

    Notes
    -----
    What each position by itself would have changed (`antecurve.analysis.trim.trim`, complete up
    to two changes) is tried on the whole box.  Again and again the proposal that lowers the
    largest error most is taken; the best of all sets of changes need not be among them.
    """
    now = [
        measured_network(design.picked, _of_position(box, throw, measured), meter=meter)
        for throw, design in enumerate(box.designs, start=1)
    ]
    before = _errors(box, now)
    proposals: list[tuple[TrimChange, ...]] = []
    for throw, design in enumerate(box.designs, start=1):
        result = trim(
            design.picked, design.job, measured=_of_position(box, throw, measured), meter=meter,
            drawer=drawer, most_changes=min(most_changes, 2),
        )  # fmt: skip
        proposals += [_named(box, throw, p.changes) for p in result.proposals]
        if progress is not None:
            progress(throw, len(box.designs))
    changes: tuple[TrimChange, ...] = ()
    errors = before
    while True:
        taken = {c.ref for c in changes}
        better = min(
            (
                (max(_errors(box, _changed(box, now, p))), p)
                for p in proposals
                if len(changes) + len(p) <= most_changes and not taken & {c.ref for c in p}
            ),
            key=lambda item: item[0],
            default=None,
        )
        if better is None or better[0] > max(errors) - _LEAST_GAIN_DB:
            return TrimmedBox(box.names, before, errors, changes)
        now = _changed(box, now, better[1])
        changes, errors = (*changes, *better[1]), _errors(box, now)


def _named(box: Box, throw: int, changes: tuple[TrimChange, ...]) -> tuple[TrimChange, ...]:
    """Changes under the references of the parts list."""
    return tuple(
        replace(
            c,
            ref=box.part_reference(c.ref, throw),
            unsolder=tuple(
                box.part_reference(c.ref, throw) + old[len(c.ref) :] for old in c.unsolder
            ),
        )
        for c in changes
    )


def _changed(
    box: Box, picked: list[PickedNetwork], changes: tuple[TrimChange, ...]
) -> list[PickedNetwork]:
    """Every position after some changes."""
    by_ref = {c.ref: c.position for c in changes}
    made = []
    for throw, network in enumerate(picked, start=1):
        positions = tuple(
            replace(by_ref[name], element=p.element) if name in by_ref else p
            for p in network.positions
            for name in [box.part_reference(p.element.ref, throw)]
        )
        made.append(replace(network, positions=positions))
    return made


def _errors(box: Box, picked: list[PickedNetwork]) -> tuple[float, ...]:
    """Centred error of every position [dB]."""
    return tuple(
        error_range(network, design.conditions).centred_db
        for network, design in zip(picked, box.designs, strict=True)
    )
