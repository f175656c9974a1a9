"""The pick as a whole: results, limits, budgets, interruption, executors."""

from __future__ import annotations

from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace

import numpy as np
import pytest

from antecurve.errors import InputError, NoCombinationError
from antecurve.job import Job, PickRequest, default_job
from antecurve.networks.compiled import input_impedance, output_impedance, transfer
from antecurve.networks.deviation import error_range
from antecurve.networks.topology import Element, ElementKind, Network
from antecurve.pick.builds import spread_percentile
from antecurve.pick.result import PickProgress, PickResult, ShortlistEntry
from antecurve.pick.search import pick
from antecurve.pick.shortlist import front

R, C = ElementKind.RESISTOR, ElementKind.CAPACITOR


def _job(form: str = "cauer-2", **network: object) -> Job:
    job = default_job()
    return replace(job, network=replace(job.network, forms=(form,), **network))  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def found() -> PickResult:
    return pick(_job())


def test_the_pick_meets_every_limit(found: PickResult) -> None:
    job, network = _job(), found.best.network
    gain = abs(transfer(network, 1e3, loading=job.loading)[0])
    assert abs(20 * np.log10(gain / job.gain)) <= job.target.level_tolerance_db
    assert abs(output_impedance(network, 1e3, loading=job.loading)[0]) <= 600
    band = np.geomspace(20, 20e3, 200)
    assert abs(input_impedance(network, band, loading=job.loading)).min() >= 1000


def test_exact_values_are_near_and_exact(found: PickResult) -> None:
    """Nearest in log values: each within 3 %, and with them the error is gone (1e-4 dB)."""
    job = _job()
    exact = np.array([p.exact for p in found.best.positions], dtype=float)
    picked = np.array([p.value for p in found.best.positions])
    assert np.abs(np.log(picked / exact)).max() < 0.03
    network = Network(found.best.topology, exact)
    left = error_range(network, job.curve, band_hz=job.target.band_hz, loading=job.loading)
    assert left.centred_db < 1e-4


def test_a_pick_is_repeatable(found: PickResult) -> None:
    again = pick(_job())
    assert again.best == found.best
    assert again.shortlist == found.shortlist


def test_shortlist_is_a_trade_off(found: PickResult) -> None:
    entries = found.shortlist
    assert entries[0].picked.network.values == pytest.approx(found.best.network.values)
    assert entries[0].trade == "the pick"
    assert len(entries) > 3
    assert min(e.parts for e in entries) < entries[0].parts

    def criteria(entry: ShortlistEntry) -> np.ndarray:
        return np.array(
            [entry.centred_db, entry.spread_p95_db, entry.parts, entry.output_resistance_ohm]
        )

    job = _job()
    for entry in entries:
        assert entry.trade
        assert entry.parts == entry.picked.part_count
        again = error_range(
            entry.picked.network, job.curve, band_hz=job.target.band_hz, loading=job.loading
        )
        assert entry.centred_db == pytest.approx(again.centred_db, abs=1e-8)
        for other in entries:
            if other is not entry:
                assert not np.all(criteria(other) <= criteria(entry))


def test_front_against_pairwise_comparison() -> None:
    rng = np.random.default_rng(2)
    points = rng.integers(0, 5, (200, 3)).astype(float)
    expected = [
        i
        for i, p in enumerate(points)
        if not any(np.all(q <= p) and np.any(q < p) for q in points)
        and not any(np.all(q == p) for q in points[:i])
    ]
    assert list(front(points)) == expected


def test_pick_by_build_is_no_worse_in_spread(found: PickResult) -> None:
    job = replace(_job(), pick=PickRequest(pick_by="build"))
    built = pick(job)
    spread = spread_percentile(built.best, job)
    assert spread <= spread_percentile(found.best, job)
    assert built.search.objective_db == pytest.approx(spread)
    assert built.search.lower_bound_db <= built.search.objective_db
    assert "95th percentile" in built.search.claim


def test_build_pick_is_proved_where_tolerances_are_small() -> None:
    """With parts of 0.01 % the window soon reaches beyond the percentile."""
    job = _job()
    job = replace(
        job,
        pick=PickRequest(pick_by="build"),
        resistors=replace(job.resistors, tolerance=1e-4),
        capacitors=replace(job.capacitors, tolerance=1e-4),
    )
    assert pick(job).search.proved


def test_balanced_network_has_the_same_response() -> None:
    job = _job(balanced=True)
    found = pick(job)
    assert found.search.proved
    assert {p.element.ref for p in found.best.positions} >= {"R1P", "R1N", "C1P", "C1N"}
    again = error_range(
        found.best.network, job.curve, band_hz=job.target.band_hz, loading=job.loading
    )
    assert found.search.objective_db == pytest.approx(again.centred_db, abs=1e-8)


def test_own_network_that_is_a_ladder_is_proved() -> None:
    """Foster's first form by the user's own names: the built-in form's optimum."""
    own = (
        Element("Ra", R, ("in", "a")),
        Element("Ca", C, ("in", "a")),
        Element("Rb", R, ("a", "b")),
        Element("Cb", C, ("a", "b")),
        Element("Rc", R, ("b", "out")),
        Element("Rd", R, ("out", "0")),
    )
    sparse = replace(
        _job(),
        resistors=replace(_job().resistors, series="E24"),
        capacitors=replace(_job().capacitors, parts_per_position=1),
    )
    built_in = pick(replace(sparse, network=replace(sparse.network, forms=("foster-1",))))
    found = pick(replace(sparse, network=replace(sparse.network, elements=own)))
    assert found.search.proved
    assert found.search.objective_db == pytest.approx(built_in.search.objective_db, abs=1e-8)


def test_own_network_that_is_no_ladder_stops_at_the_budget() -> None:
    own = (
        Element("R1", R, ("in", "a")),
        Element("R2", R, ("a", "out")),
        Element("C1", C, ("a", "0")),
        Element("C2", C, ("in", "out")),
        Element("R3", R, ("out", "0")),
    )
    found = pick(_job(elements=own), budget_seconds=1.0)
    assert not found.search.proved
    assert found.search.lower_bound_db <= found.search.objective_db
    assert found.search.seconds < 5


def test_own_network_that_is_no_ladder_can_be_proved() -> None:
    """With few parts the bounds for any network finish, and brute force agrees."""
    own = (
        Element("R1", R, ("in", "a")),
        Element("R2", R, ("a", "out")),
        Element("C1", C, ("a", "0")),
        Element("C2", C, ("in", "out")),
        Element("R3", R, ("out", "0")),
    )
    job = _job(elements=own, output_resistance_max=None, input_impedance_min=None)
    job = replace(
        job,
        target=replace(job.target, level_tolerance_db=3.0),
        resistors=replace(job.resistors, series="E3", value_range=(100.0, 1e6)),
        capacitors=replace(job.capacitors, series="E3", parts_per_position=1),
    )
    found = pick(job, budget_seconds=60.0)
    assert found.search.proved
    resistors = np.array([v * 10.0**d for d in (2, 3, 4, 5) for v in (1.0, 2.2, 4.7)] + [1e6])
    capacitors = np.array([v * 10.0**d for d in (-10, -9, -8, -7) for v in (1.0, 2.2, 4.7)][1:])
    grids = [resistors, resistors, capacitors, capacitors, resistors]
    values = np.stack(np.meshgrid(*grids, indexing="ij"), axis=-1).reshape(-1, 5)
    from pick_cases import allowed, dense_errors

    topology = found.best.topology
    values = values[allowed(topology, job, values)]
    errors = dense_errors(topology, job, values, points=121)
    assert found.search.objective_db == pytest.approx(errors.min(), rel=1e-3)


def test_budget_ends_the_search_unproved() -> None:
    found = pick(replace(default_job(), pick=PickRequest(budget_seconds=0.01)))
    assert not found.search.proved
    assert 0 <= found.search.lower_bound_db < found.search.objective_db < 0.05
    assert "ended early" in found.search.claim


def test_interruption_returns_the_best_so_far() -> None:
    seen: list[PickProgress] = []

    def interrupt(progress: PickProgress) -> None:
        seen.append(progress)
        raise KeyboardInterrupt

    found = pick(default_job(), progress=interrupt)
    assert not found.search.proved
    assert len(seen) == 1  # no other form is begun after that
    assert seen[0].best_db is not None
    assert found.search.objective_db <= seen[0].best_db + 1e-9


def test_progress_tells_best_and_bound() -> None:
    seen: list[PickProgress] = []
    found = pick(default_job(), progress=seen.append)
    assert seen
    assert all(p.lower_bound_db <= found.search.objective_db for p in seen)
    assert all(p.best_db is None or p.best_db >= found.search.objective_db - 1e-6 for p in seen)
    assert [p.seconds for p in seen] == sorted(p.seconds for p in seen)


def test_process_pool_finds_the_same(found: PickResult) -> None:
    with ProcessPoolExecutor(2) as executor:
        other = pick(_job(), executor=executor)
    assert other.search.proved
    assert other.best == found.best


@pytest.mark.parametrize(
    ("changes", "limit", "words"),
    [
        # At -40 dB and 5 ohm the input is below 500 ohm at 1 kHz, whatever the shape.
        ({"output_resistance_max": 5.0}, "network", "allowed is 5|asked for is 1"),
        ({"input_impedance_min": 60e3}, "network", "allowed is 600|asked for is 60"),
    ],
)
def test_limits_that_leave_nothing_are_named(
    changes: dict[str, float], limit: str, words: str
) -> None:
    with pytest.raises(NoCombinationError, match=words) as caught:
        pick(_job(**changes), budget_seconds=3.0)
    assert limit in caught.value.limit


def test_range_that_misses_the_exact_values_is_named() -> None:
    job = _job()
    job = replace(job, resistors=replace(job.resistors, value_range=(1e3, 1e4)))
    with pytest.raises(NoCombinationError, match="R1 of cauer-2 would have to be") as caught:
        pick(job)
    assert caught.value.limit == "resistors.range"


def test_level_window_that_leaves_nothing_is_named() -> None:
    job = _job()
    job = replace(
        job,
        target=replace(job.target, level_tolerance_db=0.0),
        resistors=replace(job.resistors, series="E6"),
    )
    with pytest.raises(NoCombinationError, match="off the level at 1 kHz"):
        pick(job, budget_seconds=3.0)


@pytest.mark.parametrize(
    ("field", "request_of"),
    [
        ("pick.pick_by", lambda: PickRequest(pick_by="luck")),
        ("pick.sets", lambda: PickRequest(sets=3)),
        ("pick.budget_seconds", lambda: PickRequest(budget_seconds=0.0)),
    ],
)
def test_pick_requests_are_checked(field: str, request_of: object) -> None:
    with pytest.raises(InputError, match=field):
        request_of()  # type: ignore[operator]
