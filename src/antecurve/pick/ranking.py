"""The pick by what will be built: its percentile, its yield or its worst case, with a bound."""

from __future__ import annotations

import math
import time
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from antecurve.pick.branch_and_bound import Space
from antecurve.pick.comparison import compared
from antecurve.pick.criteria import Criterion, OfYield, criterion_of, percentile_interval_db
from antecurve.pick.model import NEPER_DB
from antecurve.pick.monotone_bounds import monotone_cut
from antecurve.pick.outcome import report, with_exact
from antecurve.pick.percentile_bounds import COMMON_DRAWS, PercentileBounds
from antecurve.pick.percentile_search import PercentileSearch
from antecurve.pick.result import PickResult
from antecurve.pick.rounding import neighbours
from antecurve.pick.scatter_bound import scatter_bound
from antecurve.pick.search_passes import Search
from antecurve.pick.shortlist import SCREENING_BUILDS, Contender, contender, shortlist

__all__ = ["pick_as_built"]

Floats = NDArray[np.float64]
Indices = NDArray[np.int64]

_EVEN_SHARES = (0.5, 0.55, 0.65)  # of the larger of two parts: even ones scatter least together
_DESCENT_ROUNDS = 6  # by judgement: descents settle within four
_DESCENT_WIDTH = 4  # combinations whose neighbours are looked at in each round
_MOST_NEIGHBOURS = 400  # whose percentile is estimated: 0.1 ms each
_SIMULATED = 48  # combinations simulated by the screening builds: some 0.3 s
_FINALISTS = 8  # of them compared by as many builds as the job has: some 0.5 s for 100,000
_MOST_BOXES = 40_000  # in all, some seconds: more close the gap slowly
_BOXES_AT_A_TIME = 2_000  # before the network with the smallest bound is chosen anew
_MOST_DEPARTURE = 2.0  # of the percentile: where responses are bent so much, bounds say nothing
_SMALL_SHARE = 0.25  # of the target: within it nearly nothing is left of a network
_SMALL_SECONDS = 2.0  # for all networks together, which take one by trial
_NO_MORE_TO_GAIN = 1e-3  # of the builds: a yield so near to all of them needs no bound
_LEAST_FRACTION = 0.02  # of the builds: below it a percentile of the common draws says little


@dataclass(frozen=True, slots=True, eq=False)
class _Ranked:
    """Combinations compared, and what is proved of all others.

    Attributes
    ----------
    finalists : list of Contender
        The best first.
    simulated : int
        Combinations compared by fewer builds.
    lower : float
        What the objective of no combination is below [Np].
    lower_of : dict of int to float
        The same of each network, by the number of its space.
    scattered : bool
        Whether `lower` is what capacitors make by their tolerance in any network.
    closed : bool
        Whether no combination is better by more than chance may add.
    """

    finalists: list[Contender]
    simulated: int
    lower: float
    lower_of: dict[int, float]
    scattered: bool
    closed: bool


def pick_as_built(search: Search, best: Contender) -> PickResult:
    """Pick by the error over builds, the yield or the worst case.

    Parameters
    ----------
    search : Search
        A search that has found the smallest nominal error.
    best : Contender
        The pick by nominal error.

    Returns
    -------
    PickResult
        The pick; `search.objective_db` is its percentile over the job's builds, or its worst
        case, and `search.claim` says what is proved.

    Notes
    -----
    Combinations with even pairs of parts, near ones and those met by a branch and bound
    (`antecurve.pick.percentile_search`) are compared by builds of another seed than the job's, so
    that the job's own builds are a fresh sample for the figure that is printed.
    """
    criterion = criterion_of(search.job)
    good = _good_ones(search, [best, *search.pool], criterion)
    if isinstance(criterion, OfYield):
        good = _leading(search, good)
        good.sort(key=lambda c: criterion.compared(c, SCREENING_BUILDS))
        share = good[0].share_within(criterion.limit_db, fresh=False)
        criterion = replace(criterion, fraction=max(share, _LEAST_FRACTION))
    ranked = _ranked(search, good, criterion)
    first = ranked.finalists[0]
    if isinstance(criterion, OfYield):
        fraction = max(first.share_within(criterion.limit_db), _LEAST_FRACTION)
        criterion = replace(criterion, fraction=fraction)
        if fraction > 1.0 - _NO_MORE_TO_GAIN:
            ranked = replace(ranked, lower=criterion.limit_db / NEPER_DB, closed=True)
    objective_db = criterion.objective_db(first)
    search.lower = min(ranked.lower, objective_db / NEPER_DB)
    claim = _claim(search, ranked, criterion)
    interval = None if criterion.worst else percentile_interval_db(first, criterion.fraction)
    done = replace(
        report(search, objective_db, ranked.closed, claim),
        criterion=criterion.name, interval_db=interval, ties=_ties(ranked, criterion),
    )  # fmt: skip
    search.lower_of = ranked.lower_of
    forms = compared(
        search, first, ranked.finalists, proved=ranked.closed, objective_db=criterion.objective_db
    )
    return PickResult(
        with_exact(first, deadline=search.deadline),
        done,
        shortlist(first, search.pool + ranked.finalists),
        forms=forms,
    )


def _good_ones(search: Search, known: list[Contender], criterion: Criterion) -> list[Contender]:
    """Combinations with small percentiles, as far as estimates tell, smallest first."""
    fraction = 0.95 if math.isnan(criterion.fraction) else criterion.fraction
    ranked: list[tuple[float, int, Contender]] = []
    for number, (space, starts) in enumerate(zip(search.spaces, search.starts, strict=True)):
        bounds = PercentileBounds(space, worst=criterion.worst)
        indices = [np.zeros((0, len(space.candidates)), dtype=np.int64)]
        indices += [_in_space(c, space) for c in known if c.space.model is space.model]
        for share in _EVEN_SHARES:
            even = [
                p.chosen(bounds.even_parts(i, share=share)) for i, p in enumerate(space.candidates)
            ]
            if all(len(p.values) for p in even) and len(starts):
                other = Space(space.model, tuple(even), space.grids.exchanges)
                indices += [_in_space(c, space) for c in search.near(other, starts)]
        unique = np.unique(np.concatenate(indices), axis=0)
        chosen, estimates = _descended(space, bounds, unique, fraction)
        errors = space.error(space.values(chosen))
        ranked += [
            (estimate, number, c)
            for estimate, c in zip(
                estimates.tolist(), contender(space, chosen, errors), strict=True
            )
        ]
    return [c for *_, c in sorted(ranked, key=lambda item: item[:2])]


def _in_space(contender: Contender, space: Space) -> Indices:
    """The candidates of a combination among all those of its network, shape (1, elements)."""
    columns = zip(contender.space.candidates, space.candidates, contender.indices, strict=True)
    return np.array([[whole.index_of(own, int(i)) for own, whole, i in columns]])


def _descended(
    space: Space, bounds: PercentileBounds, indices: Indices, fraction: float
) -> tuple[Indices, Floats]:
    """Combinations near given ones with smaller percentiles, and their estimates, least first."""
    known = indices[:0]
    estimates = np.zeros(0)
    for _ in range(_DESCENT_ROUNDS):
        rows = space.model.rows(space.values(indices))
        nearest = np.argsort(np.ptp(rows[:, :-1], axis=1), kind="stable")[:_MOST_NEIGHBOURS]
        indices = indices[nearest]
        indices = indices[space.admitted(indices)]
        known = np.concatenate([known, indices])
        estimates = np.append(estimates, bounds.of_combinations(indices, fraction)[1])
        known, first = np.unique(known, axis=0, return_index=True)
        order = np.argsort(estimates[first], kind="stable")
        before = estimates.min(initial=math.inf)
        known, estimates = known[order], estimates[first][order]
        around = neighbours(space, known[:_DESCENT_WIDTH])
        seen = {row.tobytes() for row in known}
        indices = around[[row.tobytes() not in seen for row in around]]
        if not len(indices) or before < estimates[0]:
            break
    return known[:_SIMULATED], estimates[:_SIMULATED]


def _ranked(search: Search, good: list[Contender], criterion: Criterion) -> _Ranked:
    """The best combinations of those met, compared by builds, and bounds of all others."""
    full = isinstance(criterion, OfYield) and criterion.fraction > 1.0 - _NO_MORE_TO_GAIN
    searches: list[PercentileSearch] = []
    target = math.inf
    if not full:
        good = _by_builds(_leading(search, good), criterion)
        target = _objective(good[0], criterion) * (1.0 - criterion.resolution(good[0])) / NEPER_DB
        searches = _searched(search, criterion, target)
    met = [c for s in searches for c in _contenders(s)]
    simulated = _by_builds(_leading(search, good) + met, criterion)
    finalists = _compared(search, simulated, criterion)
    known = {(id(c.space.model), c.indices.tobytes()) for c in simulated}
    lower_of = {
        number: min(
            s.lower, s.open_bound,
            *(
                bound
                for row, bound in zip(s.met, s.met_bounds.tolist(), strict=True)
                if (id(s.space.model), row.tobytes()) not in known
            ),
        )
        for number, s in enumerate(searches)
    }  # fmt: skip
    lower_of, scattered = _raised(search, searches, criterion, lower_of, target)
    lower = min(lower_of.values(), default=0.0)
    return _Ranked(finalists, len(simulated), lower, lower_of, scattered, lower >= target)


def _raised(
    search: Search, searches: list[PercentileSearch], criterion: Criterion,
    lower_of: dict[int, float], target: float,
) -> tuple[dict[int, float], bool]:  # fmt: skip
    """Bounds of each network, and whether the least is what its capacitors alone make."""
    made = {
        number: scatter_bound(
            search.spaces[number], fraction=criterion.fraction, worst=criterion.worst
        )
        for number in lower_of
    }  # fmt: skip
    unbounded = [number for number in lower_of if max(made[number], lower_of[number]) <= 0.0]
    known = dict(lower_of)
    for number in unbounded:
        if searches[number].bounds.valid:
            known[number] = _small_bound(
                search, searches[number], criterion, target, networks=len(unbounded)
            )
    raised = {number: max(bound, made[number]) for number, bound in known.items()}
    least = min(raised, key=raised.__getitem__, default=None)
    return raised, least is not None and raised[least] > known[least]


def _leading(search: Search, good: list[Contender]) -> list[Contender]:
    """The first combinations, and of each network the first."""
    own = (next((c for c in good if c.space.model is space.model), None) for space in search.spaces)
    return good[:_SIMULATED] + [c for c in own if c is not None]


def _objective(contender: Contender, criterion: Criterion) -> float:
    """What the search has to stay below, by the draws that serve to compare [dB]."""
    if criterion.worst:
        return criterion.objective_db(contender)
    return contender.percentile_db(criterion.fraction, fresh=False)


def _searched(search: Search, criterion: Criterion, target: float) -> list[PercentileSearch]:
    """Networks searched by bounds, always the one whose bound is smallest."""
    searches = []
    for space in search.spaces:
        bounds = PercentileBounds(space, worst=criterion.worst)
        boxes = search.cut(space, target + bounds.departure)
        searches.append(PercentileSearch(space, bounds, criterion.fraction, boxes))
    able = [s for s in searches if s.bounds.valid and s.bounds.departure < _MOST_DEPARTURE * target]
    examined = 0
    while able and examined < _MOST_BOXES and not search.late:
        now = min(able, key=lambda s: s.open_bound)
        if not len(now.boxes):
            break
        form = now.space.model.topology.form

        def watch(evaluated: int, open_boxes: int, form: str = form) -> None:
            search.tell(form, target, evaluated=evaluated, open_boxes=open_boxes)

        try:
            now.run(target, most_boxes=_BOXES_AT_A_TIME, deadline=search.deadline, watch=watch)
        except KeyboardInterrupt:
            break
        examined += _BOXES_AT_A_TIME
    search.evaluated += sum(s.evaluated for s in searches)
    return searches


def _small_bound(
    search: Search, stopped: PercentileSearch, criterion: Criterion, target: float, networks: int
) -> float:
    """A bound for a network whose search was stopped before it had one, from a smaller target."""
    space, bounds = stopped.space, stopped.bounds
    small = _SMALL_SHARE * target
    deadline = time.perf_counter() + _SMALL_SECONDS * search.slowness / networks
    try:
        boxes = monotone_cut(
            space.model, space.grids, limit=small + bounds.departure, deadline=deadline
        )
        again = PercentileSearch(space, bounds, criterion.fraction, boxes)
        again.run(small, most_boxes=_MOST_BOXES, deadline=deadline, watch=lambda *_: None)
    except KeyboardInterrupt:
        return 0.0
    search.evaluated += again.evaluated
    met = float(again.met_bounds.min(initial=math.inf))
    return max(0.0, min(small, again.lower, again.open_bound, met))


def _contenders(search: PercentileSearch) -> list[Contender]:
    """Combinations with the smallest estimates that a search met."""
    space, indices = search.space, search.met[:_SIMULATED]
    return contender(space, indices, space.error(space.values(indices)))


def _by_builds(contenders: list[Contender], criterion: Criterion) -> list[Contender]:
    """Combinations by the first of the builds that serve to compare, the best first."""
    unique = {(id(c.space.model), c.indices.tobytes()): c for c in reversed(contenders)}
    return sorted(unique.values(), key=lambda c: criterion.compared(c, SCREENING_BUILDS))


def _compared(search: Search, simulated: list[Contender], criterion: Criterion) -> list[Contender]:
    """The best by as many builds as the job has, and of each network the best."""
    chosen = simulated[:_FINALISTS]
    for space in search.spaces:
        if not any(c.space.model is space.model for c in chosen):
            chosen += [c for c in simulated if c.space.model is space.model][:1]
    return sorted(chosen, key=lambda c: criterion.compared(c, None))


def _ties(ranked: _Ranked, criterion: Criterion) -> int:
    """Count the finalists that chance does not tell from the pick."""
    first, *others = ranked.finalists
    most = _objective(first, criterion) * (1.0 + criterion.resolution(first))
    return sum(_objective(c, criterion) <= most for c in others)


def _claim(search: Search, ranked: _Ranked, criterion: Criterion) -> str:
    """What was compared, and what is proved, in a few sentences."""
    first = ranked.finalists[0]
    sentences = [_figure(search, first, criterion)]
    ties = _ties(ranked, criterion)
    if ties and not criterion.worst:
        sentences.append(f"{ties} of {len(ranked.finalists)} finalists tie with it within chance")
    sentences.append(_proof(search, ranked, criterion))
    return ". ".join(sentences)


def _figure(search: Search, first: Contender, criterion: Criterion) -> str:
    builds = search.job.spread.builds
    if criterion.worst:
        return (
            f"with every part at an end of its tolerance the error is at most "
            f"{first.worst_corner_db():.3g} dB"
        )
    low, high = percentile_interval_db(first, criterion.fraction)
    if isinstance(criterion, OfYield):
        share = first.share_within(criterion.limit_db)
        return f"{_percent(share)} of {builds:,} builds keep ±{criterion.limit_db:g} dB"
    return (
        f"95 % of {builds:,} fresh builds are within ±{first.p95_db():.3g} dB "
        f"({low:.4g} to {high:.4g} dB with 95 % confidence)"
    )


def _percent(share: float) -> str:
    return f"{100.0 * share:.5g} %"


def _proof(search: Search, ranked: _Ranked, criterion: Criterion) -> str:
    """What is proved of all combinations, in a sentence."""
    objective_db = criterion.objective_db(ranked.finalists[0])
    lower_db = min(ranked.lower * NEPER_DB, objective_db)
    draws = "" if criterion.worst else f" by {COMMON_DRAWS:,} common draws"
    if ranked.scattered:
        draws = ", as capacitors alone make so much by their tolerance"
    what = {
        "build": "95 % error",
        "worst": "worst case",
        "yield": f"error that {_percent(criterion.fraction)} of builds keep",
    }[criterion.name]
    if isinstance(criterion, OfYield) and criterion.fraction > 1.0 - _NO_MORE_TO_GAIN:
        return "No combination can keep it noticeably more often"
    if ranked.closed and criterion.worst:
        return "No other combination of these parts does better (proved)"
    if ranked.closed:
        return f"No combination does better by more than chance (proved{draws})"
    if lower_db <= 0.0:
        return "Nothing is proved about combinations that were not compared"
    return (
        f"No combination's {what} is below {lower_db:.3g} dB (proved{draws}). "
        f"That is {objective_db - lower_db:.3g} dB less than the pick's"
    )
