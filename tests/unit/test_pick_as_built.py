"""Picks by builds, yield and worst case, against all combinations looked at one by one."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace

import numpy as np
import pytest

from antecurve.errors import InputError
from antecurve.job import Job, PickRequest, default_job
from antecurve.networks.compiled import loaded_coefficients
from antecurve.parts.builds import error_percentile_db
from antecurve.parts.corners import corner_error_db
from antecurve.pick.boxes import Boxes
from antecurve.pick.branch_and_bound import Space
from antecurve.pick.criteria import criterion_of
from antecurve.pick.model import NEPER_DB
from antecurve.pick.percentile_bounds import PercentileBounds
from antecurve.pick.search import pick
from antecurve.pick.search_passes import Search


def _small_job(pick_by: str, **target: float) -> Job:
    """A job with so few parts that every combination can be looked at."""
    job = default_job()
    return replace(
        job,
        network=replace(
            job.network, forms=("foster-1",), output_resistance_max=None, input_impedance_min=None
        ),
        resistors=replace(job.resistors, series="E12", value_range=(47.0, 270e3)),
        capacitors=replace(job.capacitors, series="E6", value_range=(1e-9, 33e-9)),
        target=replace(job.target, **target),
        spread=replace(job.spread, builds=4_000),
        pick=PickRequest(pick_by=pick_by),
    )


def _whole_space(job: Job) -> tuple[Search, Space]:
    search = Search(job, None, None, None, None)
    return search, search.spaces[0]


def _near(space: Space, most_db: float, rng: np.random.Generator) -> np.ndarray:
    """Combinations with a nominal error up to a limit, out of very many random ones."""
    sizes = [len(p.values) for p in space.candidates]
    drawn = rng.integers(0, sizes, (400_000, len(sizes)))
    rows = space.model.rows(space.values(drawn))[:, :-1]
    return drawn[np.ptp(rows, axis=1) / 2.0 * NEPER_DB < most_db]


@pytest.mark.parametrize("worst", [False, True])
def test_no_build_of_a_box_is_below_its_bound(worst: bool) -> None:
    """Percentiles simulated with responses as they are and other draws, to their sampling error."""
    job = _small_job("build")
    _, space = _whole_space(job)
    bounds = PercentileBounds(space, worst=worst)
    rng = np.random.default_rng(5)
    last = np.array([len(p.values) - 1 for p in space.candidates])
    near = _near(space, 1.0, rng)[:6]
    assert len(near) == 6
    for centre, reach in itertools.product(near, (0, 1, 2)):
        box = Boxes(np.maximum(centre - reach, 0)[None], np.minimum(centre + reach, last)[None])
        bound_db = bounds.of_boxes(box, 1.0 if worst else 0.95)[0] * NEPER_DB
        for member in rng.integers(box.first[0], box.last[0] + 1, (3, len(last))):
            picked = space.picked(member)
            if worst:
                assert bound_db <= corner_error_db(picked, job.conditions)
            else:
                assert bound_db <= 1.06 * _simulated_db(space, member, rng)


def _simulated_db(space: Space, member: np.ndarray, rng: np.random.Generator) -> float:
    """The 95th percentile over 4,000 builds, each evaluated as a network of its own [dB]."""
    job = space.model.job
    values = []
    for position in space.picked(member).positions:
        parts = [
            part.value * (1.0 + part.tolerance * rng.uniform(-1.0, 1.0, 4_000))
            for part in position.parts
        ]
        values.append(sum(parts))  # resistors are single, capacitors join in parallel
    transfer = loaded_coefficients(
        space.model.topology, np.stack(values, axis=1), loading=job.loading
    )
    rows = np.abs(transfer.response(space.model.frequency[:-1]))
    error = 20.0 * np.log10(rows) - NEPER_DB * space.model.target[:-1]
    return float(np.percentile(np.ptp(error, axis=1) / 2.0, 95.0))


def test_worst_case_pick_is_the_best_of_all_combinations() -> None:
    job = _small_job("worst")
    job = replace(job, capacitors=replace(job.capacitors, parts_per_position=1))
    result = pick(job)
    assert result.search.proved
    # The worst case is no better than the nominal error: all that may be better are listed.
    search, _ = _whole_space(job)
    listed = search.run(result.search.objective_db / NEPER_DB, keep_all=True)
    assert listed.complete
    assert len(listed.contenders) > 5
    near = [c.picked for c in listed.contenders]
    least = min(corner_error_db(picked, job.conditions) for picked in near)
    assert result.search.objective_db <= least + 1e-9
    assert result.search.objective_db == corner_error_db(result.best, job.conditions)


def test_yield_pick_keeps_the_limit_most_often() -> None:
    by_error, by_yield = (pick(_small_job(by, error_limit_db=0.35)) for by in ("nominal", "yield"))
    shares = [result.shortlist[0] for result in (by_error, by_yield)]
    assert by_yield.search.criterion == "yield"
    assert by_yield.search.lower_bound_db <= by_yield.search.objective_db
    assert "keep ±0.35 dB" in by_yield.search.claim
    assert shares[1].spread_p95_db <= shares[0].spread_p95_db


@pytest.mark.sweep(3)
@pytest.mark.parametrize("budget", [None, 0.01])
@pytest.mark.parametrize("by", ["build", "yield", "worst"])
def test_no_combination_is_below_the_bound_of_its_criterion(by: str, budget: float | None) -> None:
    """All with a nominal error that may do, of single parts; 3 % for the sampling of 4,000."""
    job = _small_job(by, error_limit_db=0.35)
    job = replace(job, capacitors=replace(job.capacitors, parts_per_position=1))
    result = pick(job, budget_seconds=budget).search
    bound_db = result.lower_bound_db
    assert 0.0 < bound_db <= result.objective_db
    if not result.proved:
        gap = f"{bound_db:.3g} dB.*That is {result.objective_db - bound_db:.3g} dB less"
        assert re.search(gap, result.claim)
    criterion = criterion_of(job)
    if by == "yield":
        criterion = replace(criterion, fraction=_share_in(result.claim))
    search, _ = _whole_space(job)
    listed = search.run((result.objective_db + 0.02) / NEPER_DB, keep_all=True)
    assert listed.complete
    assert len(listed.contenders) > 5
    # Those whose nominal error is larger are no better than the bound by more than curvature.
    least = min(criterion.objective_db(c) for c in listed.contenders)
    assert bound_db <= least * (1.0 if by == "worst" else 1.03)


def _share_in(claim: str) -> float:
    """The share of the builds that keep the limit, as a claim says it."""
    said = re.search(r"([\d.]+) % of 4,000 builds keep", claim)
    assert said
    return float(said[1]) / 100.0


def test_yield_needs_a_limit() -> None:
    job = _small_job("yield")
    with pytest.raises(InputError, match="error_limit_db"):
        pick(replace(job, target=replace(job.target, error_limit_db=None)))


def test_printed_percentile_is_of_other_builds_than_those_compared() -> None:
    result = pick(_small_job("build"))
    low, high = result.search.interval_db
    assert low < result.search.objective_db < high
    # Twenty-five times as many builds lie within the interval, twice as wide for its 5 %.
    job = _small_job("build")
    many = replace(job, spread=replace(job.spread, builds=100_000, seed=99))
    truth = error_percentile_db(result.best, many)
    middle = (low + high) / 2.0
    assert abs(truth - middle) < high - low
