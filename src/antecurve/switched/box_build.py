"""One build of a box, its parts measured: what every position does, and how to bring it back."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass

from antecurve.analysis.as_built import AsBuilt, as_built
from antecurve.analysis.meter import MeterAccuracy
from antecurve.analysis.trim import TrimChange, TrimSearch, centred_errors_db, trim_together
from antecurve.analysis.trim_subject import TrimSubject
from antecurve.networks.centred_error import error_range
from antecurve.parts.drawer import Drawer
from antecurve.results import Result
from antecurve.switched.box import Box, box_positions
from antecurve.threads import single_threaded_linear_algebra

__all__ = ["BuiltPosition", "TrimmedBox", "build_of_box", "trim_box", "values_at_throw"]


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
    before_p95_db, after_p95_db : float
        95th percentile of the largest of them over what stays uncertain [dB].
    changes : tuple of TrimChange
        What to change, under the references of the parts list: ``R2_1`` is of the first throw,
        ``R1`` is shared and moves every position.
    searches : tuple of TrimSearch
        What was searched for 1, 2, ... changes.
    """

    positions: tuple[str, ...]
    before_db: tuple[float, ...]
    after_db: tuple[float, ...]
    before_p95_db: float
    after_p95_db: float
    changes: tuple[TrimChange, ...]
    searches: tuple[TrimSearch, ...]


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
        own = values_at_throw(box, throw, measured)
        built.append(
            BuiltPosition(
                name,
                error_range(design).centred_db,
                as_built(design, measured=own, meter=meter),
            )
        )
    return tuple(built)


def values_at_throw(box: Box, throw: int, measured: Mapping[str, float]) -> dict[str, float]:
    """Choose the measured values that one position of the switch sees.

    Parameters
    ----------
    box : Box
        The box.
    throw : int
        Number of the throw, from 1.
    measured : mapping of str to float
        Values [ohm or F] by the references of the parts list.

    Returns
    -------
    dict of str to float
        Values by the references of that position's design.
    """
    own: dict[str, float] = {}
    for position in box.designs[throw - 1].picked.positions:
        names = box.part_names(position, throw)
        own |= {ref: measured[name] for ref, name in names.items() if name in measured}
        whole = box.part_reference(position.element.ref, throw)
        if whole in measured and whole not in names.values():  # all its parts together
            own[position.element.ref] = measured[whole]
    return own


def trim_box(
    box: Box,
    measured: Mapping[str, float],
    *,
    meter: MeterAccuracy,
    drawer: Drawer | None = None,
    soldered: Collection[str] = (),
    most_changes: int = 3,
    progress: Callable[[int, int], None] | None = None,
) -> TrimmedBox:
    """Choose the changes that bring every position of a build back, a shared part moving all.

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
    soldered : collection of str, optional
        References of parts that are soldered in but were not measured.
    most_changes : int, optional
        Largest number of changes, 1 or more.
    progress : callable, optional
        Called with numbers of changes done and wanted.

    Returns
    -------
    TrimmedBox
        The changes.

    Raises
    ------
    InputError
        When a measured value can't be used, or the box has no such part.
    NoCombinationError
        When the build misses the job's limits and no change brings it back.

    Notes
    -----
    The search is that of `antecurve.analysis.trim.trim`: complete up to two changes, each of any
    part of the box; its objective is the 95th percentile of the largest centred error.
    """
    whole = box_positions(box)
    refs = whole.topology.refs
    subjects = [
        TrimSubject(
            design.picked,
            design.job,
            tuple(
                tuple(refs.index(ref) for ref, _ in box.pieces(position, throw))
                for position in design.picked.positions
            ),
        )
        for throw, design in enumerate(box.designs, start=1)
    ]
    with single_threaded_linear_algebra():
        result = trim_together(
            whole, subjects, measured=measured, meter=meter, drawer=drawer, soldered=soldered,
            most_changes=most_changes, progress=progress,
        )  # fmt: skip
    return TrimmedBox(
        box.names,
        centred_errors_db(subjects, result.before.picked),
        centred_errors_db(subjects, result.advised.picked),
        result.before.p95_db,
        result.advised.p95_db,
        result.advised.changes,
        result.searches,
    )
