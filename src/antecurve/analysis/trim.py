"""Bringing a build back: which positions to change, and to what, given the parts already fitted.

A position still open is filled with any candidate of the stock; a fitted one takes more parts in
series or in parallel, or has its own replaced (`antecurve.analysis.trim_options`).  Changes are
ranked by what they promise: the 95th percentile of the centred error over what stays uncertain.
For one and for two changes the search is complete up to a stated resolution
(`antecurve.analysis.trim_search`); three and more extend the best sets by one change, which need
not find the best of them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from antecurve.analysis.as_built import measured_network
from antecurve.analysis.meter import MeterAccuracy
from antecurve.analysis.trim_options import TrimChange, options
from antecurve.analysis.trim_search import (
    RESOLUTION,
    Chosen,
    Draws,
    Exhausted,
    Trimmer,
)
from antecurve.analysis.trim_subject import TrimSubject, excess_of
from antecurve.checked import checked
from antecurve.errors import InputError, NoCombinationError
from antecurve.job import Job
from antecurve.networks.build_errors import BuildErrors
from antecurve.networks.centred_error import error_range
from antecurve.networks.topology import ElementKind, Network
from antecurve.parts.builds import BAND_POINTS
from antecurve.parts.drawer import Drawer
from antecurve.parts.position import PickedNetwork, Position
from antecurve.parts.scatter import part_references, part_table, position_values
from antecurve.pick.candidates import candidates
from antecurve.pick.limits import limit_values
from antecurve.results import Result
from antecurve.threads import single_threaded_linear_algebra

__all__ = [
    "LEAST_GAIN",
    "LEAST_GAIN_DB",
    "PROVED_CHANGES",
    "TrimChange",
    "TrimProposal",
    "TrimResult",
    "TrimSearch",
    "centred_errors_db",
    "trim",
    "trim_together",
]

Floats = NDArray[np.float64]

LEAST_GAIN = 0.05
"""A further change lowers the 95th percentile by this fraction at least ..."""
LEAST_GAIN_DB = 0.002
"""... and by this much at least [dB]."""

PROVED_CHANGES = 2
"""Changes up to which all sets are searched."""

_COUNTED = 16  # sets of changes whose percentile is counted over all draws: some 0.3 s
_EXTENDED = 4  # sets that are extended by one more change


@dataclass(frozen=True, slots=True)
class TrimProposal(Result):
    """Changes that belong together.

    Attributes
    ----------
    changes : tuple of TrimChange
        What to change.
    picked : PickedNetwork
        The build after the changes.
    centred_db : float
        Its centred error with the values known or marked [dB].
    p95_db : float
        95th percentile of the centred error over what stays uncertain [dB]: the meter's
        accuracy of measured parts, the tolerance of all others, each drawn by itself.
    """

    _keys: ClassVar = (
        "changes",
        "parts_to_add",
        "parts_to_unsolder",
        "centred_db",
        "p95_db",
        "network:picked",
    )

    changes: tuple[TrimChange, ...]
    picked: PickedNetwork
    centred_db: float
    p95_db: float

    @property
    def parts_to_add(self) -> int:
        """Number of parts to get and solder in."""
        return sum(len(change.parts) for change in self.changes)

    @property
    def parts_to_unsolder(self) -> int:
        """Number of parts to take out."""
        return sum(len(change.unsolder) for change in self.changes)


@dataclass(frozen=True, slots=True)
class TrimSearch(Result):
    """What was searched for one number of changes.

    Attributes
    ----------
    changes : int
        Number of changes.
    combinations : float
        Sets of changes among which the search was.
    evaluated : int
        Sets evaluated; the others were excluded by a bound.
    bound_db : float
        No set searched has a 95th percentile below this [dB], to the accuracy of the draws;
        infinite where none meets the limits of the job.
    proved : bool
        Whether all sets were searched, and the bound is as good as the best of them.
    """

    # How many were evaluated depends on the processor's rounding: it stays out of the files.
    _keys: ClassVar = ("changes", "combinations", "bound_db", "proved")

    changes: int
    combinations: float
    evaluated: int
    bound_db: float
    proved: bool


@dataclass(frozen=True, slots=True)
class TrimResult(Result):
    """How to bring a build back.

    Attributes
    ----------
    designed_db : float
        Centred error of the design [dB].
    before : TrimProposal
        The build as it is, without a change.
    proposals : tuple of TrimProposal
        The best ones with 1, 2, ... changes; the 95th percentile of each is lower than that of all
        with fewer by `LEAST_GAIN` and `LEAST_GAIN_DB` at least.
    advised : TrimProposal
        The one with the lowest 95th percentile; the build as it is where no change is worth it.
    searches : tuple of TrimSearch
        What was searched for 1, 2, ... changes.
    """

    designed_db: float
    before: TrimProposal
    proposals: tuple[TrimProposal, ...]
    advised: TrimProposal
    searches: tuple[TrimSearch, ...]


class _Build:
    """The build, what can be done to each position, and how to rate it."""

    def __init__(
        self,
        picked: PickedNetwork,
        subjects: Sequence[TrimSubject],
        measured: Mapping[str, float],
        meter: MeterAccuracy,
        drawer: Drawer | None,
        soldered: Collection[str],
    ) -> None:
        self.picked = measured_network(picked, measured, meter=meter)
        self.subjects = subjects
        job = subjects[0].job
        stocks = {ElementKind.RESISTOR: job.resistors, ElementKind.CAPACITOR: job.capacitors}
        kinds = dict.fromkeys(p.element.kind for p in picked.positions)
        choices = {kind: candidates(kind, stocks[kind], drawer) for kind in kinds}
        built = [
            (old, new, old != new or _is_soldered(old, soldered))
            for old, new in zip(picked.positions, self.picked.positions, strict=True)
        ]
        # What is soldered in is no longer in the drawer.
        for kind, choice in choices.items():
            there = [p for old, _, fitted in built if fitted and old.element.kind is kind
                     for p in old.parts]  # fmt: skip
            choices[kind] = choice.without(Counter(choice.limited_parts(there)))
        self.positions = [
            options(
                new, choices[new.element.kind], stocks[new.element.kind],
                fitted=part_references(old) if fitted else (),
                planned=() if fitted else choices[new.element.kind].limited_parts(old.parts),
            )
            for old, new, fitted in built
        ]  # fmt: skip
        self._draws = Draws(self.picked, distribution=job.spread.distribution, seed=job.spread.seed)
        self.trimmer = Trimmer(subjects, self.positions, self._draws)
        self._evaluators = [
            BuildErrors(
                s.picked.topology,
                s.job.curve,
                loading=s.job.loading,
                band_hz=s.job.target.band_hz,
                nominal=s.picked.network.values,
                points=BAND_POINTS,
            )
            for s in subjects
        ]
        self._drawn = self._as_it_is()

    def _as_it_is(self) -> Floats:
        """Values of the positions without a change, shape (positions, draws)."""
        table = part_table(self.picked)
        existing = [
            d[: len(p.parts)]
            for d, p in zip(self._draws.by_position, self.picked.positions, strict=True)
        ]
        parts = table.nominal[:, None] * (1.0 + table.tolerance[:, None] * np.concatenate(existing))
        return position_values(table, parts)

    def propose(self, chosen: Chosen) -> TrimProposal:
        """Work out what changes make of the build."""
        values = self._drawn.copy()
        for i, option in chosen:
            values[i] = self.positions[i].drawn(option, self._draws.by_position[i])
        errors = np.max(
            [
                evaluator.centred_db(evaluator.power_coefficients(s.joined(values)[0]))
                for s, evaluator in zip(self.subjects, self._evaluators, strict=True)
            ],
            axis=0,
        )
        changes = tuple(self.positions[i].change(option) for i, option in chosen)
        by_ref = {change.ref: change.position for change in changes}
        after = replace(
            self.picked,
            positions=tuple(by_ref.get(p.element.ref, p) for p in self.picked.positions),
        )
        return TrimProposal(
            changes,
            after,
            max(centred_errors_db(self.subjects, after)),
            float(np.quantile(errors, 0.95)),
        )

    def best_of(self, search: Exhausted) -> TrimProposal | None:
        """Choose the best of a search by all draws; of equals the one with the least work."""
        judged = [self.propose(chosen) for _, chosen in search.pool[:_COUNTED]]
        if not judged:
            return None
        enough = min(p.p95_db for p in judged) * (1.0 + RESOLUTION)
        return min(
            (p for p in judged if p.p95_db <= enough),
            key=lambda p: (p.parts_to_unsolder, p.parts_to_add, p.p95_db),
        )

    def search(self, count: int, pool: Sequence[Chosen]) -> list[Exhausted]:
        """Search all single changes, all pairs, or extensions of the best sets by one change."""
        if count == 1:
            return [self.trimmer.search(self.trimmer.singles())]
        if count == 2:
            return [self.trimmer.search(self.trimmer.pairs())]
        return [self.trimmer.search(self.trimmer.extensions(chosen)) for chosen in pool]


@checked
@single_threaded_linear_algebra()
def trim(
    picked: PickedNetwork,
    job: Job,
    *,
    measured: Mapping[str, float],
    meter: MeterAccuracy | None = None,
    drawer: Drawer | None = None,
    soldered: Collection[str] = (),
    most_changes: int = 3,
    progress: Callable[[int, int], None] | None = None,
) -> TrimResult:
    """Choose which positions of a build to change, and to what, to bring it back.

    Parameters
    ----------
    picked : PickedNetwork
        The network as designed.
    job : Job
        Curve, loading, band, limits and the stock to choose from.
    measured : mapping of str to float
        Values of the parts already fitted [ohm or F], as in `measured_network`.
    meter : MeterAccuracy, optional
        Residual meter uncertainty.
    drawer : Drawer, optional
        Parts on hand, if the job's stock is a drawer.
    soldered : collection of str, optional
        References of parts that are soldered in but were not measured: they have their marked
        values and tolerances, and their positions are no longer open.
    most_changes : int, optional
        Largest number of changes, 1 or more.
    progress : callable, optional
        Called with numbers of changes done and wanted.

    Returns
    -------
    TrimResult
        Proposals by number of changes, and the one advised.

    Raises
    ------
    InputError
        When a measured value can't be used, or the network has no such part.
    NoCombinationError
        When the build misses the job's level or impedance limits and no change brings it back.
    """
    return trim_together(
        picked, [TrimSubject.whole(picked, job)], measured=measured, meter=meter, drawer=drawer,
        soldered=soldered, most_changes=most_changes, progress=progress,
    )  # fmt: skip


def centred_errors_db(subjects: Sequence[TrimSubject], build: PickedNetwork) -> tuple[float, ...]:
    """Compute the centred error of every network of a build.

    Parameters
    ----------
    subjects : sequence of TrimSubject
        The networks.
    build : PickedNetwork
        What is in the places of the build.

    Returns
    -------
    tuple of float
        Centred errors [dB].
    """
    values = np.array([p.value for p in build.positions])
    return tuple(
        error_range(Network(s.picked.topology, s.joined(values)[0]), s.job.conditions).centred_db
        for s in subjects
    )


def trim_together(
    picked: PickedNetwork,
    subjects: Sequence[TrimSubject],
    *,
    measured: Mapping[str, float],
    meter: MeterAccuracy | None = None,
    drawer: Drawer | None = None,
    soldered: Collection[str] = (),
    most_changes: int = 3,
    progress: Callable[[int, int], None] | None = None,
) -> TrimResult:
    """Choose which changes bring several networks that share parts back together.

    Parameters
    ----------
    picked : PickedNetwork
        Every place of the build with its parts as designed; a list, not a circuit.
    subjects : sequence of TrimSubject
        The networks that these make; the largest of their errors is what is made small.
    measured, meter, drawer, soldered, most_changes, progress : optional
        See `trim`.

    Returns
    -------
    TrimResult
        As of `trim`; errors are the largest over the networks.

    Raises
    ------
    InputError
        When a measured value can't be used, or the build has no such part.
    NoCombinationError
        When the build misses the limits of a job and no change brings it back.
    """
    if most_changes < 1:
        raise InputError("most changes", most_changes, "it must be 1 or more")
    for ref in soldered:
        if not any(_is_soldered(position, (ref,)) for position in picked.positions):
            rule = f"the network has no such part; it has {', '.join(part_table(picked).refs)}"
            raise InputError("soldered", ref, rule)
    build = _Build(picked, subjects, measured, meter or MeterAccuracy(), drawer, soldered)
    before = build.propose(())
    now = np.array([p.value for p in build.picked.positions])
    meets_limits = build.trimmer.excess(now[None])[0] <= 0.0
    improving = [before] if meets_limits else []
    searches: list[TrimSearch] = []
    pool: list[Chosen] = []
    most = min(most_changes, len(picked.positions))
    for count in range(1, most + 1):
        results = build.search(count, pool)
        result = _together(results)
        pool = _distinct(result.pool)
        best = build.best_of(result)
        searches.append(_searched(build, count, result, best))
        if best is not None and (not improving or _is_worth_it(best, improving[-1])):
            improving.append(best)
        if progress is not None:
            progress(count, most)
    if not improving:
        raise NoCombinationError(*_missed(build))
    return TrimResult(
        max(centred_errors_db(subjects, picked)),
        before,
        tuple(p for p in improving if p.changes),
        improving[-1],
        tuple(searches),
    )


def _is_soldered(position: Position, soldered: Collection[str]) -> bool:
    """Whether a position, or a part of it, is among references."""
    return any(ref in soldered for ref in (position.element.ref, *part_references(position)))


def _together(results: Sequence[Exhausted]) -> Exhausted:
    """Several searches as one."""
    return Exhausted(
        tuple(sorted(entry for result in results for entry in result.pool)),
        min((result.bound for result in results), default=np.inf),
        sum(result.evaluated for result in results),
        sum(result.combinations for result in results),
        all(result.complete for result in results),
    )


def _distinct(pool: Sequence[tuple[float, Chosen]]) -> list[Chosen]:
    """The best sets of changes, one for each set of positions."""
    best: dict[tuple[int, ...], Chosen] = {}
    for _, chosen in pool:
        best.setdefault(tuple(sorted(i for i, _ in chosen)), chosen)
    return list(best.values())[:_EXTENDED]


def _searched(
    build: _Build, count: int, result: Exhausted, best: TrimProposal | None
) -> TrimSearch:
    # Search and count differ in their draws: the bound goes with the best set of changes.
    bound_db = best.p95_db * result.bound / result.pool[0][0] if best else np.inf
    bound_db = float(f"{bound_db:.3g}")  # as far as the draws tell
    proved = count <= PROVED_CHANGES and result.complete and build.trimmer.bounded
    return TrimSearch(count, result.combinations, result.evaluated, bound_db, proved)


def _is_worth_it(proposal: TrimProposal, fewer: TrimProposal) -> bool:
    gain = fewer.p95_db - proposal.p95_db
    return gain >= max(LEAST_GAIN * fewer.p95_db, LEAST_GAIN_DB)


def _missed(build: _Build) -> tuple[str, str]:
    values = np.array([p.value for p in build.picked.positions])
    subject = max(build.subjects, key=lambda s: excess_of(s, values[None])[0])
    now = limit_values(subject.picked.topology, subject.job, subject.joined(values)[0][None])
    return (
        "limits of the job",
        f"the build is {now.level_db[0]:+.2f} dB off the target level; its output has "
        f"{now.output_ohm[0]:.4g} ohm, its input {now.input_ohm[0]:.4g} ohm. No change of the "
        "parts brings it within the limits; widen the limits or the stock",
    )
