"""Which tolerance to buy for which position: the cheapest grades that keep a yield.

Assignments of grades to positions are tried in ascending order of price.  Each is first looked
at with few builds and dropped when even the upper end of the yield's interval stays below what
is wanted; what passes is confirmed with all builds, drawn from a stream of their own: the lower
end of the interval must reach the wanted yield.  Before that, one and two positions at a time
are tried with loose grades, all others being as tight as can be had: a grade too loose even
there is left out everywhere.
"""

from __future__ import annotations

import heapq
import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from antecurve.analysis.intervals import Proportion, clopper_pearson
from antecurve.analysis.subject import WithParts, builds_request, error_limit_of, job_of, picked_of
from antecurve.checked import checked
from antecurve.errors import InputError, NoCombinationError
from antecurve.job import MOST_BUILDS, Grade
from antecurve.networks.build_errors import BuildErrors
from antecurve.networks.conditions import Conditions, conditions_of
from antecurve.networks.topology import ElementKind
from antecurve.parts.builds import BAND_POINTS, Builds, MeasuredBuilds
from antecurve.parts.distributions import part_source
from antecurve.parts.position import PickedNetwork
from antecurve.parts.scatter import part_table
from antecurve.quantities import check_count, check_number
from antecurve.results import Result

__all__ = ["GradeChoice", "TolerancePlan", "plan_tolerances", "with_tolerances"]

_FIRST_LOOK = 8192  # builds: one block of draws, enough to settle all but the close calls
# Confidence of the first look: many grades are looked at, and none may be dropped by chance.
_SURE = 0.9999


@dataclass(frozen=True, slots=True)
class GradeChoice(Result):
    """The grade bought for one position.

    Attributes
    ----------
    ref : str
        The position.
    parts : int
        Parts to buy for it.
    grade : Grade
        Tolerance and price of each.
    """

    _keys: ClassVar = (
        "ref",
        "parts",
        "tolerance:grade.tolerance",
        "each:grade.price",
    )

    ref: str
    parts: int
    grade: Grade


@dataclass(frozen=True, slots=True)
class TolerancePlan(Result):
    """The cheapest grades that keep a yield.

    Attributes
    ----------
    choices : tuple of GradeChoice
        One a position.
    price : float
        Price of all parts of one build.
    limit_db : float
        Limit of the centred error [dB].
    level_limit_db, mismatch_limit_db : float or None
        Limits of the level against nominal at 1 kHz, and of the difference of two channels
        anywhere in the band [dB]; ``None`` for no limit.
    reel_correlation : float
        Correlation of equal parts off one reel.
    wanted : float
        Yield that was asked for, a fraction: builds that keep all limits.
    confirmed : Proportion
        Yield over the builds that confirmed it, with its interval.
    confirmed_seed : int
        Seed of the builds that confirmed it: another than that of the first looks, so that the
        choice does not colour its own confirmation.
    examined : int
        Assignments that were looked at.
    assumed : int
        Cheaper assignments that were left out unseen, because one no looser anywhere had failed:
        with 0 the plan is the cheapest whatever the network; otherwise it is, as far as looser
        grades never raise the yield.
    """

    _keys: ClassVar = (
        "limit_db",
        "level_limit_db",
        "mismatch_limit_db",
        "reel_correlation",
        "wanted",
        "price",
        "confirmed",
        "confirmed_seed",
        "assumed",
        "choices",
    )

    choices: tuple[GradeChoice, ...]
    price: float
    limit_db: float
    wanted: float
    confirmed: Proportion
    confirmed_seed: int
    examined: int
    assumed: int
    level_limit_db: float | None = None
    mismatch_limit_db: float | None = None
    reel_correlation: float = 0.0


def with_tolerances(picked: PickedNetwork, tolerances: Sequence[float]) -> PickedNetwork:
    """Set other tolerances of a network's parts.

    Parameters
    ----------
    picked : PickedNetwork
        The network with its parts.
    tolerances : sequence of float, length positions
        Tolerance of every part of each position, a fraction.

    Returns
    -------
    PickedNetwork
        The same parts otherwise.
    """
    return replace(
        picked,
        positions=tuple(
            replace(p, parts=tuple(replace(q, tolerance=t) for q in p.parts))
            for p, t in zip(picked.positions, tolerances, strict=True)
        ),
    )


@checked
def plan_tolerances(
    design: WithParts,
    conditions: Conditions | None = None,
    *,
    resistor_grades: Sequence[Grade] | None = None,
    capacitor_grades: Sequence[Grade] | None = None,
    limit_db: float | None = None,
    wanted: float = 0.95,
    builds: int | None = None,
    seed: int | None = None,
    distribution: str | None = None,
    level_limit_db: float | None = None,
    mismatch_limit_db: float | None = None,
    reel_correlation: float = 0.0,
) -> TolerancePlan:
    """Find the cheapest grades that keep a stated yield within a stated limit.

    Parameters
    ----------
    design : Design or PickedNetwork
        What is analysed: a design, or a network that comes with `conditions`.
    conditions : Conditions, optional
        Curve, generator, unit and band; those of the design by default.
    resistor_grades, capacitor_grades : sequence of Grade, optional
        What can be bought; those of the job by default;
        without grades the parts keep their tolerances at no price.
    limit_db : float, optional
        Limit of the centred error [dB], above 0; that of the job by default.
    wanted : float, optional
        Fraction of builds within the limit, above 0 and below 1.
    builds : int, optional
        Builds that confirm a yield, 1 or more; those of the job, or 100,000, by default.
    seed : int, optional
        Seed, 0 or greater, that of the job, or 1, by default; every first look sees the
        same draws, every confirmation those of
        another seed that is derived from it.
    distribution : str, optional
        ``uniform`` or ``normal``; that of the job, or uniform, by default.
    level_limit_db : float, optional
        Limit of the level at 1 kHz against that of the nominal values [dB], above 0.
    mismatch_limit_db : float, optional
        Limit of the difference of two channels anywhere in the band [dB], above 0.
    reel_correlation : float, optional
        Correlation of equal parts off one reel, 0 or greater, below 1.

    Returns
    -------
    TolerancePlan
        Grade by position, price, confirmed yield.

    Raises
    ------
    InputError
        When a number is out of range, or there are no grades at all.
    NoCombinationError
        When no assignment keeps the yield.

    Notes
    -----
    Leaving out grades that fail beside the tightest takes it that a looser grade does not raise
    the yield.  That is no theorem, but where the error of the nominal values is well within the
    limit it is so; a yield is never taken for granted, each plan is confirmed by its own builds.
    """
    picked = picked_of(design)
    conditions = conditions_of(design, conditions)
    job = job_of(design)
    if resistor_grades is None:
        resistor_grades = () if job is None else job.resistors.grades
    if capacitor_grades is None:
        capacitor_grades = () if job is None else job.capacitors.grades
    limit_db = _stated_limit(error_limit_of(design, limit_db))
    for field, limit in (("level limit", level_limit_db), ("mismatch limit", mismatch_limit_db)):
        if limit is not None:
            check_number(limit, field=field, unit="dB")
    if builds is not None:
        check_count(builds, field="builds", most=MOST_BUILDS)
    builds, seed, usual = builds_request(design, builds=builds, seed=seed)
    if not 0 < wanted < 1:
        raise InputError("yield", wanted, "it must lie above 0 and below 100 %")
    plan = _Planner(
        picked=picked,
        ladders=_ladders(picked, resistor_grades, capacitor_grades, wanted),
        evaluator=BuildErrors(
            picked.topology,
            conditions.curve,
            loading=conditions.loading,
            band_hz=conditions.band_hz,
            nominal=picked.network.values,
            points=BAND_POINTS,
        ),
        limit_db=limit_db,
        builds=builds,
        seed=seed,
        distribution=distribution or usual,
        level_limit_db=level_limit_db,
        mismatch_limit_db=mismatch_limit_db,
        reel_correlation=reel_correlation,
    )
    return _cheapest(plan, wanted)


def _stated_limit(limit_db: float | None) -> float:
    if limit_db is None:
        raise InputError("limit_db", None, "a yield needs a limit; state the largest error [dB]")
    check_number(limit_db, field="limit_db", unit="dB")
    return limit_db


def _ladders(
    picked: PickedNetwork, resistors: Sequence[Grade], capacitors: Sequence[Grade], wanted: float
) -> tuple[tuple[Grade, ...], ...]:
    """The grades of each position; its own tolerance at no price where none are named."""
    if not resistors and not capacitors:
        raise InputError(
            "yield",
            wanted,
            "the job names no grades to choose from; add [[resistors.grades]] or "
            "[[capacitors.grades]] with tolerance and price",
        )
    return tuple(
        _ladder(resistors if p.element.kind is ElementKind.RESISTOR else capacitors)
        or (Grade(p.tolerance, 0.0),)
        for p in picked.positions
    )


@dataclass(frozen=True, slots=True, eq=False)
class _Planner:
    """Grades by position, loose to tight, and how to look at an assignment of them."""

    picked: PickedNetwork
    ladders: tuple[tuple[Grade, ...], ...]
    evaluator: BuildErrors
    limit_db: float
    builds: int
    seed: int
    distribution: str
    level_limit_db: float | None
    mismatch_limit_db: float | None
    reel_correlation: float

    def grades(self, places: tuple[int, ...]) -> list[Grade]:
        return [ladder[i] for ladder, i in zip(self.ladders, places, strict=True)]

    @property
    def second_seed(self) -> int:
        derived = np.random.SeedSequence(self.seed, spawn_key=(0,))
        return int(derived.generate_state(1)[0])

    def _look(
        self, places: tuple[int, ...], trials: int, *, confidence: float, seed: int
    ) -> Proportion:
        tolerances = [grade.tolerance for grade in self.grades(places)]
        table = part_table(with_tolerances(self.picked, tolerances))
        source = part_source(
            table, distribution=self.distribution, reel_correlation=self.reel_correlation
        )
        builds = Builds(source, self.evaluator, seed)
        good = sum(
            int(np.count_nonzero(self._within(builds, number, block)))
            for number, block in enumerate(builds.measured(trials))
        )
        return clopper_pearson(good, trials=trials, confidence=confidence)

    def _within(self, builds: Builds, number: int, block: MeasuredBuilds) -> NDArray[np.bool_]:
        """Which builds of a block keep all limits."""
        within = np.asarray(block.centred_db <= self.limit_db)
        if self.level_limit_db is not None:
            nominal = self.picked.network.values[:, None]
            level = self.evaluator.level_db(self.evaluator.power_coefficients(nominal))
            within = within & (np.abs(block.level_db - level) <= self.level_limit_db)
        if self.mismatch_limit_db is not None:
            largest = builds.mismatch(number).largest_db[: len(within)]
            within = within & (largest <= self.mismatch_limit_db)
        return within

    def first_look(self, places: tuple[int, ...]) -> Proportion:
        trials = min(_FIRST_LOOK, self.builds)
        return self._look(places, trials, confidence=_SURE, seed=self.seed)

    def confirm(self, places: tuple[int, ...]) -> Proportion:
        return self._look(places, self.builds, confidence=0.95, seed=self.second_seed)


def _cheapest(plan: _Planner, wanted: float) -> TolerancePlan:
    counts = [len(p.parts) for p in plan.picked.positions]
    tightest = plan.first_look(tuple(len(ladder) - 1 for ladder in plan.ladders))
    hopeless = tightest.high < wanted
    too_loose = [] if hopeless else _too_loose(plan, wanted)
    examined, assumed = 1, 0
    for price, places in () if hopeless else _by_price(plan.ladders, counts):
        if places in too_loose:
            continue  # seen already, and it failed
        if any(all(a <= b for a, b in zip(places, f, strict=True)) for f in too_loose):
            assumed += 1
            continue
        examined += 1
        if plan.first_look(places).high < wanted:
            continue
        confirmed = plan.confirm(places)
        if confirmed.low >= wanted:
            choices = tuple(
                GradeChoice(ref, count, grade)
                for ref, count, grade in zip(
                    plan.picked.topology.refs, counts, plan.grades(places), strict=True
                )
            )
            return TolerancePlan(
                choices, price, plan.limit_db, wanted, confirmed, plan.second_seed, examined,
                assumed, plan.level_limit_db, plan.mismatch_limit_db, plan.reel_correlation,
            )  # fmt: skip
    raise NoCombinationError(
        f"yield of {wanted * 100:g} % within {plan.limit_db:g} dB"
        + (f", level {plan.level_limit_db:g} dB" if plan.level_limit_db else "")
        + (f", channels {plan.mismatch_limit_db:g} dB" if plan.mismatch_limit_db else ""),
        f"the tightest grades keep {tightest.fraction * 100:.4g} %. Allow tighter grades, a wider "
        "limit or a lower yield",
    )


def _too_loose(plan: _Planner, wanted: float) -> list[tuple[int, ...]]:
    """Assignments that fail though all but one or two positions are as tight as can be."""
    last = [len(ladder) - 1 for ladder in plan.ladders]
    failed: list[tuple[int, ...]] = []
    for count in (1, 2):
        for loose in itertools.combinations(range(len(last)), count):
            for grades in itertools.product(*(range(last[i]) for i in loose)):
                places = list(last)
                for i, grade in zip(loose, grades, strict=True):
                    places[i] = grade
                if any(all(a <= b for a, b in zip(places, f, strict=True)) for f in failed):
                    continue
                if plan.first_look(tuple(places)).high < wanted:
                    failed.append(tuple(places))
    return failed


def _ladder(grades: Sequence[Grade]) -> tuple[Grade, ...]:
    """Grades from loose to tight, those left out that cost no less than a tighter one."""
    ladder: list[Grade] = []
    for grade in sorted(grades, key=lambda g: (g.tolerance, g.price)):
        if not ladder or grade.price < ladder[-1].price:
            ladder.append(grade)
    return tuple(reversed(ladder))


def _by_price(
    ladders: Sequence[Sequence[Grade]], counts: Sequence[int]
) -> Iterator[tuple[float, tuple[int, ...]]]:
    """All assignments, cheapest first."""

    def price(places: tuple[int, ...]) -> float:
        return math.fsum(
            ladder[i].price * n for ladder, i, n in zip(ladders, places, counts, strict=True)
        )

    start = tuple(0 for _ in ladders)
    queue = [(price(start), start)]
    seen = {start}
    while queue:
        cheapest = heapq.heappop(queue)
        yield cheapest
        for index, ladder in enumerate(ladders):
            step = cheapest[1][index] + 1
            onward = (*cheapest[1][:index], step, *cheapest[1][index + 1 :])
            if step < len(ladder) and onward not in seen:
                seen.add(onward)
                heapq.heappush(queue, (price(onward), onward))
