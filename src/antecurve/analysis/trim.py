"""Bringing a build back: which positions to change, and to what, given the parts already fitted.

A position of which no part was measured is still open: it can be filled with any candidate of
the stock.  To every other position a part can be added in series or in parallel, where the stock
allows that way of joining.  All single changes and all pairs of changes are tried; three and
more by extending the best pairs one change at a time, which need not find the best of them.
A network of many positions has so many pairs that fewer choices of each position, the nearest
ones, are tried: the effort is bounded by their number, not by time.

Changes are found by the error with the values known, and judged by what they promise: the 95th
percentile of the error over what stays uncertain.  Of the choices that reach the smallest errors,
the best for each set of positions is judged so; a change must lower the percentile by a minimum.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

import numpy as np
from numpy.typing import NDArray

from antecurve.analysis.as_built import MeterAccuracy, measured_network
from antecurve.checked import checked
from antecurve.errors import InputError, NoCombinationError
from antecurve.job import Job, Stock
from antecurve.networks.centred_error import BuildErrors, error_range
from antecurve.networks.topology import ElementKind
from antecurve.parts.builds import BAND_POINTS, Builds
from antecurve.parts.distributions import part_source
from antecurve.parts.drawer import Drawer
from antecurve.parts.joined import joined_value, values_add
from antecurve.parts.position import Part, PickedNetwork, Position
from antecurve.parts.scatter import part_table
from antecurve.pick.candidates import candidates
from antecurve.pick.limits import LimitValues, limit_values, within_limits
from antecurve.results import Result

__all__ = [
    "LEAST_GAIN",
    "LEAST_GAIN_DB",
    "TrimChange",
    "TrimProposal",
    "TrimResult",
    "trim",
]

Floats = NDArray[np.float64]
_Rated = tuple[float, tuple[tuple[int, int], ...]]  # error, and (position, option) pairs

LEAST_GAIN = 0.05
"""A further change lowers the 95th percentile by this fraction at least ..."""
LEAST_GAIN_DB = 0.002
"""... and by this much at least [dB]."""

_WINDOW = 1.5  # a position changes by this factor at most
_OPTIONS = 256  # nearest options kept for a position
_MOST_PAIRS = 3_000_000  # pairs of choices tried at most
_EXTENDED = 64  # combinations that are extended by one more change
_JUDGED = 16  # choices of which the percentile is worked out, for each number of changes
_BUILDS = 16_384  # for the percentile of one choice: two blocks of draws
_AT_ONCE = 65_536  # choices at a time: bounds the memory
# Choices at a time: the first that meet the limits end the look, so few go to waste.
_LIMITS_AT_ONCE = 1024


@dataclass(frozen=True, slots=True)
class TrimChange(Result):
    """One change to one position.

    Attributes
    ----------
    ref : str
        The position.
    action : str
        ``fit`` parts in a position still open, or ``add in series`` or ``add in parallel`` to what
        is there.
    parts : tuple of Part
        Parts to get.
    position : Position
        The position after the change; an addition counts what was there as one part.
    """

    ref: str
    action: str
    parts: tuple[Part, ...]
    position: Position

    def to_dict(self) -> dict[str, Any]:
        """Return the change as plain data.

        Returns
        -------
        dict
            Reference, action, values of the parts to add, and the value they make.
        """
        return {
            "ref": self.ref,
            "action": self.action,
            "parts": [part.value for part in self.parts],
            "joined": self.position.joined,
            "value": self.position.value,
        }


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

    changes: tuple[TrimChange, ...]
    picked: PickedNetwork
    centred_db: float
    p95_db: float

    def to_dict(self) -> dict[str, Any]:
        """Return the changes as plain data.

        Returns
        -------
        dict
            The changes, the errors after them, and the network they make.
        """
        return {
            "changes": [change.to_dict() for change in self.changes],
            "centred_db": self.centred_db,
            "p95_db": self.p95_db,
            "network": self.picked.to_dict(),
        }


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
        The one with the fewest changes whose centred error is within `LEAST_GAIN` of that of the
        design, or else the one with the lowest 95th percentile.
    choices : int
        Choices tried for each position at most: those nearest to the value it has.
    all_choices : bool
        Whether the number is the usual one, not cut for the sake of the effort.
    """

    designed_db: float
    before: TrimProposal
    proposals: tuple[TrimProposal, ...]
    advised: TrimProposal
    choices: int = _OPTIONS
    all_choices: bool = True

    def to_dict(self) -> dict[str, Any]:
        """Return the proposals as plain data.

        Returns
        -------
        dict
            The build as it is, the proposals, and which one is advised.
        """
        return {
            "designed_db": self.designed_db,
            "before": self.before.to_dict(),
            "proposals": [proposal.to_dict() for proposal in self.proposals],
            "advised": self.advised.to_dict(),
            "choices_tried": self.choices,
        }


@dataclass(frozen=True, slots=True, eq=False)
class _Build:
    """The build, what can be done to each position, and how to rate it."""

    picked: PickedNetwork
    job: Job
    options: tuple[tuple[TrimChange, ...], ...]
    values: tuple[Floats, ...]
    quantity: Mapping[Part, int]
    evaluator: BuildErrors
    choices: int

    def rate(self, places: Sequence[int], chosen: NDArray[np.intp]) -> Floats:
        """Centred error with the chosen options, shape (combinations, places)."""
        ratings = np.empty(len(chosen))
        nominal = self.picked.network.values
        for first in range(0, len(chosen), _AT_ONCE):
            rows = chosen[first : first + _AT_ONCE]
            values = np.repeat(nominal[:, None], len(rows), axis=1)
            for position, column in zip(places, rows.T, strict=True):
                values[position] = self.values[position][column]
            power = self.evaluator.power_coefficients(values)
            ratings[first : first + len(rows)] = self.evaluator.centred_db(power)
        return ratings

    def propose(self, changes: tuple[TrimChange, ...]) -> TrimProposal:
        """Work out what changes make of the build."""
        by_ref = {c.ref: c.position for c in changes}
        after = replace(
            self.picked,
            positions=tuple(by_ref.get(p.element.ref, p) for p in self.picked.positions),
        )
        job = self.job
        source = part_source(part_table(after), distribution=job.spread.distribution)
        errors = Builds(source, self.evaluator, job.spread.seed).centred_histogram(_BUILDS)
        error = error_range(after.network, job.conditions)
        return TrimProposal(changes, after, error.centred_db, errors.quantile(0.95))

    def enough_parts(self, changes: tuple[TrimChange, ...]) -> bool:
        """Whether there are enough parts."""
        needed = Counter(part for change in changes for part in change.parts)
        return all(count <= self.quantity.get(part, 0) for part, count in needed.items())

    def within_limits(self, pool: Sequence[_Rated]) -> NDArray[np.bool_]:
        """Which choices meet the job's limits."""
        values = np.repeat(self.picked.network.values[None], len(pool), axis=0)
        for row, (_, chosen) in zip(values, pool, strict=True):
            for position, option in chosen:
                row[position] = self.values[position][option]
        return within_limits(self.limits(values), self.job)

    def limits(self, values: Floats) -> LimitValues:
        return limit_values(self.picked.topology, self.job, values)


@checked
def trim(
    picked: PickedNetwork,
    job: Job,
    *,
    measured: Mapping[str, float],
    meter: MeterAccuracy | None = None,
    drawer: Drawer | None = None,
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
        When a measured value can't be used.
    NoCombinationError
        When the build misses the job's level or impedance limits and no change brings it back.
    """
    if most_changes < 1:
        raise InputError("most changes", most_changes, "it must be 1 or more")
    build = _built(picked, job, measured, meter or MeterAccuracy(), drawer)
    designed = error_range(picked.network, job.conditions).centred_db
    before = build.propose(())
    improving = [before] if build.within_limits([(0.0, ())])[0] else []
    pool: list[_Rated] = []
    most = min(most_changes, len(picked.positions))
    for count in range(1, most + 1):
        pool = _singles(build) if count == 1 else _more(build, pool, count)
        best = _best_promise(build, pool)
        if best is not None and (not improving or _is_worth_it(best, improving[-1])):
            improving.append(best)
        if progress is not None:
            progress(count, most)
    if not improving:
        raise NoCombinationError(*_missed(build))
    enough = designed * (1.0 + LEAST_GAIN)
    advised = next((p for p in improving if p.centred_db <= enough), improving[-1])
    proposals = tuple(p for p in improving if p.changes)
    return TrimResult(
        designed, before, proposals, advised, build.choices, build.choices == _OPTIONS
    )


def _is_worth_it(proposal: TrimProposal, fewer: TrimProposal) -> bool:
    gain = fewer.p95_db - proposal.p95_db
    return gain >= max(LEAST_GAIN * fewer.p95_db, LEAST_GAIN_DB)


def _best_promise(build: _Build, pool: list[_Rated]) -> TrimProposal | None:
    """The proposal with the lowest 95th percentile, one looked at for each set of positions."""
    seen: set[tuple[int, ...]] = set()
    judged: list[TrimProposal] = []
    for chosen in _within_limits(build, pool):
        places = tuple(sorted(position for position, _ in chosen))
        changes = _changes(build, chosen)
        if places in seen or not build.enough_parts(changes):
            continue
        seen.add(places)
        judged.append(build.propose(changes))
        if len(judged) == _JUDGED:
            break
    return min(judged, key=lambda p: p.p95_db, default=None)


def _within_limits(build: _Build, pool: list[_Rated]) -> Iterator[tuple[tuple[int, int], ...]]:
    """The choices that meet the job's limits, in their order, looked at many at once."""
    for first in range(0, len(pool), _LIMITS_AT_ONCE):
        batch = pool[first : first + _LIMITS_AT_ONCE]
        for (_, chosen), meets in zip(batch, build.within_limits(batch), strict=True):
            if meets:
                yield chosen


def _missed(build: _Build) -> tuple[str, str]:
    now = build.limits(build.picked.network.values[None])
    return (
        "limits of the job",
        f"as it is, the build is {now.level_db[0]:+.2f} dB off the target level, has "
        f"{now.output_ohm[0]:.4g} ohm at its output and {now.input_ohm[0]:.4g} ohm at its input, "
        "and no change tried brings it within them; widen the limits or replace a fitted part",
    )


def _built(
    picked: PickedNetwork,
    job: Job,
    measured: Mapping[str, float],
    meter: MeterAccuracy,
    drawer: Drawer | None,
) -> _Build:
    built = measured_network(picked, measured, meter=meter)
    stocks = {ElementKind.RESISTOR: job.resistors, ElementKind.CAPACITOR: job.capacitors}
    kinds = dict.fromkeys(p.element.kind for p in picked.positions)
    choices = {kind: candidates(kind, stocks[kind], drawer) for kind in kinds}
    quantity: dict[Part, int] = {}
    for choice in choices.values():
        for part, count in zip(choice.parts, choice.quantity.tolist(), strict=True):
            quantity[part] = quantity.get(part, 0) + count
    options = []
    for old, new in zip(picked.positions, built.positions, strict=True):
        stock, choice = stocks[new.element.kind], choices[new.element.kind]
        if old == new:  # nothing measured there: still open
            near = np.argsort(np.abs(np.log(choice.values / new.value)))[:_OPTIONS]
            filled = (choice.position(new.element, int(i)) for i in near)
            ways = [TrimChange(new.element.ref, "fit", p.parts, p) for p in filled]
        else:
            ways = _additions(new, choice.parts, stock)
        ways = [w for w in ways if 1 / _WINDOW <= w.position.value / new.value <= _WINDOW]
        ways.sort(key=lambda w: abs(np.log(w.position.value / new.value)))
        options.append(tuple(ways[:_OPTIONS]))
    evaluator = BuildErrors(
        picked.topology,
        job.curve,
        loading=job.loading,
        band_hz=job.target.band_hz,
        nominal=picked.network.values,
        points=BAND_POINTS,
    )
    most = _choices([len(ways) for ways in options])
    options = [ways[:most] for ways in options]
    values = tuple(np.array([w.position.value for w in ways]) for ways in options)
    return _Build(built, job, tuple(options), values, quantity, evaluator, most)


def _choices(sizes: Sequence[int]) -> int:
    """Choices for each position with which there are no more than `_MOST_PAIRS` pairs."""
    choices = _OPTIONS
    while choices > 1:
        kept = np.minimum(sizes, choices)
        if (kept.sum() ** 2 - (kept**2).sum()) // 2 <= _MOST_PAIRS:
            break
        choices -= 1
    return choices


def _additions(position: Position, parts: Sequence[Part], stock: Stock) -> list[TrimChange]:
    """Every part joined with what is there."""
    there = Part(position.value, position.tolerance, origin="fitted")
    kind, ref = position.element.kind, position.element.ref
    additions = []
    for joined in stock.join:
        adds = values_add(kind, joined)
        for part in parts:
            value = joined_value([there.value, part.value], adds=adds)
            if 1 / _WINDOW <= value / there.value <= _WINDOW:
                after = Position(position.element, (there, part), joined, position.exact)
                additions.append(TrimChange(ref, f"add in {joined}", (part,), after))
    return additions


def _changes(build: _Build, chosen: tuple[tuple[int, int], ...]) -> tuple[TrimChange, ...]:
    return tuple(build.options[position][option] for position, option in chosen)


def _singles(build: _Build) -> list[_Rated]:
    rated = []
    for position, options in enumerate(build.options):
        rating = build.rate((position,), np.arange(len(options))[:, None])
        rated += [(float(r), ((position, i),)) for i, r in enumerate(rating)]
    return sorted(rated)


def _more(build: _Build, pool: list[_Rated], count: int) -> list[_Rated]:
    """Combinations of one more change: all pairs, else extensions of the best."""
    rated: list[_Rated] = []
    if count == 2:
        for places in combinations(range(len(build.options)), 2):
            sizes = [len(build.options[p]) for p in places]
            if all(sizes):
                grid = np.stack(np.unravel_index(np.arange(sizes[0] * sizes[1]), sizes), axis=1)
                rated += _best_of(build, places, grid)
        return sorted(rated)
    for _, chosen in pool[:_EXTENDED]:
        taken = [position for position, _ in chosen]
        for position in sorted(set(range(len(build.options))) - set(taken)):
            extra = np.arange(len(build.options[position]))[:, None]
            fixed = np.repeat([[option for _, option in chosen]], len(extra), axis=0)
            rated += _best_of(build, (*taken, position), np.hstack([fixed, extra]))
    return sorted(rated)


def _best_of(build: _Build, places: tuple[int, ...], grid: NDArray[np.intp]) -> list[_Rated]:
    if not len(grid):
        return []
    rating = build.rate(places, grid)
    best = np.argsort(rating)[:_OPTIONS]
    return [(float(rating[i]), tuple(zip(places, grid[i].tolist(), strict=True))) for i in best]
