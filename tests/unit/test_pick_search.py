"""The pick as a whole: results, limits, budgets, interruption, executors."""

from __future__ import annotations

import re
import time
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import differential_evolution

from antecurve.curves.catalogue import named_curve
from antecurve.curves.construct import with_limits
from antecurve.errors import InputError, NoCombinationError
from antecurve.files.job_file import parse_job
from antecurve.job import Job, PickRequest, default_job
from antecurve.networks.centred_error import error_range
from antecurve.networks.compiled import input_impedance, output_impedance, transfer
from antecurve.networks.topology import Element, ElementKind, Network, Topology
from antecurve.parts.builds import error_percentile_db
from antecurve.pick.exact_values import nearest_exact
from antecurve.pick.limits import limit_values
from antecurve.pick.model import NEPER_DB, NetworkModel
from antecurve.pick.result import PickProgress, PickResult, ShortlistEntry
from antecurve.pick.search import pick
from antecurve.pick.shortlist import front
from antecurve.synthesis.exact import exact_network

R, C = ElementKind.RESISTOR, ElementKind.CAPACITOR


def _job(form: str = "cauer-2", **network: object) -> Job:
    job = default_job()
    return replace(job, network=replace(job.network, forms=(form,), **network))  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def pick_result() -> PickResult:
    return pick(_job())


def test_the_pick_meets_every_limit(pick_result: PickResult) -> None:
    job, network = _job(), pick_result.best.network
    gain = abs(transfer(network, 1e3, loading=job.loading)[0])
    assert abs(20 * np.log10(gain / job.gain)) <= job.target.level_tolerance_db
    assert abs(output_impedance(network, 1e3, loading=job.loading)[0]) <= 600
    band = np.geomspace(20, 20e3, 200)
    assert abs(input_impedance(network, band, loading=job.loading)).min() >= 1000


def test_exact_values_are_near_and_exact(pick_result: PickResult) -> None:
    """Nearest in log values: each within 3 %, and with them the error is gone (1e-4 dB)."""
    job = _job()
    exact = np.array([p.exact for p in pick_result.best.positions], dtype=float)
    picked = np.array([p.value for p in pick_result.best.positions])
    assert np.abs(np.log(picked / exact)).max() < 0.03
    network = Network(pick_result.best.topology, exact)
    error = error_range(network, job.conditions)
    assert error.centred_db < 1e-4


def test_a_pick_is_repeatable(pick_result: PickResult) -> None:
    again = pick(_job())
    assert again.best == pick_result.best
    assert again.shortlist == pick_result.shortlist


def test_shortlist_is_a_trade_off(pick_result: PickResult) -> None:
    entries = pick_result.shortlist
    assert entries[0].picked.network.values == pytest.approx(pick_result.best.network.values)
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
        again = error_range(entry.picked.network, job.conditions)
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


def test_pick_by_build_is_no_worse_in_spread(pick_result: PickResult) -> None:
    job = replace(_job(), pick=PickRequest(pick_by="build", budget_seconds=1.0))
    built = pick(job)
    spread = error_percentile_db(built.best, job)
    assert spread <= error_percentile_db(pick_result.best, job)
    assert built.search.objective_db == spread
    assert (built.search.criterion, pick_result.search.criterion) == ("build", "nominal")
    assert built.search.lower_bound_db <= built.search.objective_db
    assert "95 %" in built.search.claim
    assert built.search.gap_db == built.search.objective_db - built.search.lower_bound_db > 0.0


@pytest.mark.seldom
def test_build_pick_is_proved_where_tolerances_are_small() -> None:
    """With parts of 0.01 % the window soon reaches beyond the percentile."""
    job = _job()
    job = replace(
        job,
        pick=PickRequest(pick_by="build"),
        resistors=replace(job.resistors, tolerance=1e-4),
        capacitors=replace(job.capacitors, tolerance=1e-4, parts_per_position=1),
    )
    assert pick(job).search.proved


def test_balanced_network_has_the_same_response() -> None:
    job = _job(balanced=True)
    pick_result = pick(job)
    assert pick_result.search.proved
    assert {p.element.ref for p in pick_result.best.positions} >= {"R1P", "R1N", "C1P", "C1N"}
    again = error_range(pick_result.best.network, job.conditions)
    assert pick_result.search.objective_db == pytest.approx(again.centred_db, abs=1e-8)


@pytest.mark.seldom
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
        resistors=replace(_job().resistors, series="E12"),
        capacitors=replace(_job().capacitors, parts_per_position=1),
    )
    built_in = pick(replace(sparse, network=replace(sparse.network, forms=("foster-1",))))
    pick_result = pick(replace(sparse, network=replace(sparse.network, elements=own)))
    assert pick_result.search.proved
    assert pick_result.search.objective_db == pytest.approx(built_in.search.objective_db, abs=1e-8)


def test_own_network_that_is_no_ladder_stops_at_the_budget() -> None:
    own = (
        Element("R1", R, ("in", "a")),
        Element("R2", R, ("a", "out")),
        Element("C1", C, ("a", "0")),
        Element("C2", C, ("in", "out")),
        Element("R3", R, ("out", "0")),
    )
    job = _job(elements=own)
    # Before the pick: that it loads the optimiser is no part of the budget.
    least_db = _smallest_continuous_error(job)
    began = time.process_time()
    pick_result = pick(job, budget_seconds=2.0)
    # Of the processor, not by the clock: the budget, and 5 s at most for a bound above 0.
    assert time.process_time() - began < 10
    assert not pick_result.search.proved
    assert pick_result.search.lower_bound_db <= pick_result.search.objective_db
    # Against scipy's global optimiser over values in between: parts come within a quarter of it.
    assert pick_result.search.objective_db < 1.25 * least_db


def _smallest_continuous_error(job: Job) -> float:
    """Smallest centred error of any values of a network of the user's own [dB]."""
    assert job.network.elements is not None
    model = NetworkModel(Topology("own", job.network.elements), job)
    level = job.target.level_tolerance_db / NEPER_DB

    def cost(logs: np.ndarray) -> np.ndarray:
        values = np.exp(logs.T)
        rows = model.rows(values)
        limits = limit_values(model.topology, job, values)
        missed = np.maximum(np.abs(rows[:, -1]) - level, 0.0)
        missed += np.maximum(np.log(limits.output_ohm / 600.0), 0.0)
        missed += np.maximum(np.log(1000.0 / limits.input_ohm), 0.0)
        return np.ptp(rows[:, :-1], axis=1) / 2.0 + 10.0 * missed

    ends = {R: np.log(job.resistors.value_range), C: np.log([220e-12, 2 * 470e-9])}
    optimum = differential_evolution(
        cost, [ends[e.kind] for e in job.network.elements],
        seed=1, maxiter=300, popsize=30, polish=False, vectorized=True, updating="deferred",
    )  # fmt: skip
    return float(optimum.fun) * NEPER_DB


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
    pick_result = pick(job, budget_seconds=60.0)
    assert pick_result.search.proved
    resistors = np.array([v * 10.0**d for d in (2, 3, 4, 5) for v in (1.0, 2.2, 4.7)] + [1e6])
    capacitors = np.array([v * 10.0**d for d in (-10, -9, -8, -7) for v in (1.0, 2.2, 4.7)][1:])
    grids = [resistors, resistors, capacitors, capacitors, resistors]
    values = np.stack(np.meshgrid(*grids, indexing="ij"), axis=-1).reshape(-1, 5)
    from pick_cases import allowed, dense_errors

    topology = pick_result.best.topology
    values = values[allowed(topology, job, values)]
    errors = dense_errors(topology, job, values, points=121)
    assert pick_result.search.objective_db == pytest.approx(errors.min(), rel=1e-3)


def test_budget_ends_the_search_unproved() -> None:
    pick_result = pick(replace(default_job(), pick=PickRequest(budget_seconds=0.01)))
    assert not pick_result.search.proved
    assert 0 <= pick_result.search.lower_bound_db < pick_result.search.objective_db < 0.05
    assert "ended early" in pick_result.search.claim


def test_interruption_returns_the_best_so_far() -> None:
    seen: list[PickProgress] = []

    def interrupt(progress: PickProgress) -> None:
        seen.append(progress)
        raise KeyboardInterrupt

    pick_result = pick(default_job(), progress=interrupt)
    assert not pick_result.search.proved
    assert len(seen) == 1  # no other form is begun after that
    assert seen[0].best_db is not None
    assert pick_result.search.objective_db <= seen[0].best_db + 1e-9


def test_progress_tells_best_and_bound() -> None:
    seen: list[PickProgress] = []
    pick_result = pick(_job(), progress=seen.append)
    assert seen
    assert all(p.lower_bound_db <= pick_result.search.objective_db for p in seen)
    assert all(
        p.best_db is None or p.best_db >= pick_result.search.objective_db - 1e-6 for p in seen
    )
    assert [p.seconds for p in seen] == sorted(p.seconds for p in seen)


def test_process_pool_finds_the_same(pick_result: PickResult) -> None:
    with ProcessPoolExecutor(2) as executor:
        other = pick(_job(), executor=executor)
    assert other.search.proved
    assert other.best == pick_result.best


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
        pick(_job(**changes), budget_seconds=0.5)
    assert limit in caught.value.limit


def test_a_bound_is_told_whatever_the_pick_goes_by_where_nothing_meets_the_limits() -> None:
    """Every combination misses the limit, so that what is proved is the same for all.

    Up to which error it is proved doubles with each pass, as many as the time allows.
    """
    told, proved_db = [], []
    for by in ("nominal", "build", "worst"):
        job = replace(_job(output_resistance_max=20.0), pick=PickRequest(pick_by=by))
        job = replace(job, network=replace(job.network, forms=("foster-1",)))
        with pytest.raises(NoCombinationError, match="no combination with an error up to") as it:
            pick(job, budget_seconds=0.3)
        parts = re.fullmatch(r"(.* an error up to )([\d.]+)( dB .*)", str(it.value))
        assert parts is not None
        told.append(parts.group(1, 3))
        proved_db.append(float(parts[2]))
    assert len(set(told)) == 1
    passes = np.log2(np.array(proved_db) / 0.05)
    assert passes == pytest.approx(np.round(passes))
    assert min(passes) >= 0.0


def test_a_network_of_the_users_own_without_combination_names_the_budget() -> None:
    content = {
        "curve": {"name": "disc"},
        "network": {
            "elements": ["R1 in a", "C1 in a", "R2 a out", "C2 in out", "C3 a 0", "R3 out 0"],
            "output_resistance_max": 0.1,
        },
        "pick": {"budget_seconds": 0.4},
    }
    with pytest.raises(NoCombinationError, match=r"found within the budget of 0\.4 s"):
        pick(parse_job(content))


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
    with pytest.raises(NoCombinationError, match=r"nearest level is [+-]\S+ dB off"):
        pick(job, budget_seconds=0.5)


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


@pytest.mark.seldom
def test_an_unproved_pick_has_exact_values_and_says_what_is_not_proved() -> None:
    """Far from any exact network the exact values of the form are given all the same."""
    job = parse_job(
        {
            "curve": {
                "name": "disc-amended",
                "ultrasonic_poles": ["50 kHz"],
                "low_end_bound": "2 Hz",
            },
            "network": {"forms": ["rc-shunt-foster-1"]},
            "capacitors": {"range": ["220 pF", "10 uF"], "series": "E3"},
            "resistors": {"series": "E6"},
            "pick": {"budget_seconds": 1.0},
        }
    )
    pick_result = pick(job)
    exact = np.array([p.exact for p in pick_result.best.positions], dtype=float)
    gain = abs(transfer(Network(pick_result.best.topology, exact), 1e3, loading=job.loading)[0])
    there = exact_network(
        "rc-shunt-foster-1", job.curve, loading=job.loading, gain=float(gain),
        shunt_resistance=exact[-1],
    )  # fmt: skip
    # The gain is known to 1e-4: what the form leaves of the error at 1 kHz.
    assert exact == pytest.approx(there.network.values, rel=1e-3)
    if not pick_result.search.proved and pick_result.search.lower_bound_db == 0.0:
        assert "no lower bound was proved" in pick_result.search.claim


def test_exact_values_are_found_from_a_start_that_is_no_network() -> None:
    """Below some impedance the source resistance leaves no network; the start is moved."""
    job = _job()
    exact = exact_network(
        "cauer-2", job.curve, loading=job.loading, gain=job.gain, shunt_resistance=300.0
    ).network
    logs = np.log(exact.values)
    logs[-1] = np.log(1e-2)
    pick_result = nearest_exact("cauer-2", exact.topology, job, logs, gain=job.gain)
    assert pick_result is not None


def test_late_exact_values_are_those_of_one_descent() -> None:
    """Where the first descent ends far away others follow, but not behind a deadline."""
    job = _job()
    exact = exact_network(
        "cauer-2", job.curve, loading=job.loading, gain=job.gain, shunt_resistance=300.0
    ).network
    logs = np.log(exact.values) + np.array([1.0, -1.0, 1.0, -1.0, 1.0, 0.0])
    near, late = (
        nearest_exact("cauer-2", exact.topology, job, logs, gain=job.gain, deadline=deadline)
        for deadline in (None, 0.0)
    )
    assert near is not None and late is not None
    assert near[0] <= late[0]
    values = np.exp(late[1])
    there = exact_network(
        "cauer-2", job.curve, loading=job.loading, shunt_resistance=values[-1],
        gain=abs(transfer(Network(exact.topology, values), 1e3, loading=job.loading)[0]),
    )  # fmt: skip
    # As above: what the form leaves of the error at 1 kHz.
    assert values == pytest.approx(there.network.values, rel=1e-3)


def test_an_error_that_is_next_to_nothing_ends_the_search() -> None:
    """From 1 Hz to 1.5 Hz the curve is all but flat: any divider is within 1e-5 dB."""
    job = replace(_job("foster-1"), target=replace(default_job().target, band_hz=(1.0, 1.5)))
    pick_result = pick(job, budget_seconds=20.0)
    assert pick_result.search.seconds < 10.0
    assert pick_result.search.objective_db < 1e-5
    assert pick_result.search.lower_bound_db == 0.0
    assert "smaller by more than 1e-05 dB" in pick_result.search.claim


@pytest.mark.parametrize("ultrasonic", [(), (50e3,)])
def test_an_output_resistance_below_what_parts_make_is_named(
    ultrasonic: tuple[float, ...],
) -> None:
    """At -40 dB the parts' range or the source's resistance asks for about 10 ohm or more."""
    job = _job("foster-1", output_resistance_max=1.0)
    job = replace(job, curve=with_limits(named_curve("disc"), ultrasonic_poles_hz=ultrasonic))
    with pytest.raises(NoCombinationError, match="allowed is 1 Ω") as caught:
        pick(job)
    assert caught.value.limit == "network.output_resistance_max"


@pytest.mark.seldom
def test_shortlist_keeps_the_error_limit_and_differs(pick_result: PickResult) -> None:
    for limit in (0.1, None):
        job = _job()
        job = replace(job, target=replace(job.target, error_limit_db=limit))
        entries = pick(job).shortlist
        most = 20.0 * entries[0].centred_db if limit is None else limit
        assert all(e.centred_db <= most for e in entries)
        for i, e in enumerate(entries):
            for f in entries[:i]:
                assert (
                    e.parts != f.parts
                    or abs(e.centred_db / f.centred_db - 1) > 0.0199
                    or abs(e.output_resistance_ohm / f.output_resistance_ohm - 1) > 0.0199
                )
