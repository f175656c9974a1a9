"""The cheapest grades against trying every assignment."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from bench_networks import BAND, COMMON, DISC, LOADING, bench_network, network_of, position

from antecurve.analysis.intervals import Proportion, clopper_pearson
from antecurve.analysis.planning import TolerancePlan, plan_tolerances, with_tolerances
from antecurve.analysis.spread import spread
from antecurve.errors import InputError, NoCombinationError
from antecurve.job import Grade
from antecurve.networks.build_errors import BuildErrors
from antecurve.networks.conditions import Conditions
from antecurve.networks.topology import Loading
from antecurve.parts.builds import Builds
from antecurve.parts.distributions import part_source
from antecurve.parts.scatter import part_table

PICKED = bench_network()
RESISTORS = (Grade(0.05, 0.01), Grade(0.01, 0.03), Grade(0.001, 0.40))
EVALUATOR = BuildErrors(
    PICKED.topology,
    DISC,
    loading=LOADING,
    band_hz=BAND,
    nominal=PICKED.network.values,
    points=121,
)
CAPACITORS = (Grade(0.10, 0.10), Grade(0.025, 0.35), Grade(0.01, 1.00))


def _plan(**more: object) -> TolerancePlan:
    arguments = {
        "resistor_grades": RESISTORS,
        "capacitor_grades": CAPACITORS,
        "limit_db": 0.15,
        "wanted": 0.95,
        "builds": 20_000,
        **COMMON,
        **more,
    }
    return plan_tolerances(PICKED, **arguments)  # type: ignore[arg-type]


def _price(grades: tuple[Grade, ...]) -> float:
    return sum(g.price * len(p.parts) for g, p in zip(grades, PICKED.positions, strict=True))


@pytest.mark.sweep(1)
@pytest.mark.parametrize(
    ("limit_db", "wanted"), [(0.15, 0.95), (0.25, 0.99), (0.10, 0.80), (0.5, 0.95)]
)
def test_no_cheaper_assignment_keeps_the_yield(limit_db: float, wanted: float) -> None:
    plan = _plan(limit_db=limit_db, wanted=wanted)
    chosen = tuple(c.grade for c in plan.choices)
    assert plan.price == pytest.approx(_price(chosen))
    ladders = [RESISTORS if p.element.ref.startswith("R") else CAPACITORS for p in PICKED.positions]
    cheaper = [g for g in itertools.product(*ladders) if _price(g) < plan.price - 1e-9]
    assert limit_db == 0.5 or len(cheaper) > 20
    for grades in cheaper:
        if _fraction(grades, 8192, limit_db, 0.9999).high >= wanted:
            confirmed = _fraction(grades, 20_000, limit_db, 0.95, plan.confirmed_seed)
            assert confirmed.low < wanted, grades


def _fraction(
    grades: tuple[Grade, ...], builds: int, limit_db: float, confidence: float, seed: int = 1
) -> Proportion:
    picked = with_tolerances(PICKED, [g.tolerance for g in grades])
    source = part_source(part_table(picked), distribution="uniform")
    blocks = Builds(source, EVALUATOR, seed).measured(builds)
    good = sum(int(np.count_nonzero(b.centred_db <= limit_db)) for b in blocks)
    return clopper_pearson(good, trials=builds, confidence=confidence)


def test_the_yield_is_confirmed_by_builds_that_did_not_choose() -> None:
    plan = _plan()
    picked = with_tolerances(PICKED, [c.grade.tolerance for c in plan.choices])
    seed = plan.confirmed_seed
    result = spread(
        picked,
        **COMMON,  # type: ignore[arg-type]
        builds=20_000,
        limit_db=0.15,
        seed=seed,
    )
    assert seed != 1 and _plan(seed=2).confirmed_seed not in (1, 2, seed)
    assert result.within is not None
    assert result.within.proportion == plan.confirmed
    assert plan.confirmed.low >= 0.95
    assert [c.parts for c in plan.choices] == [1, 2, 1, 2, 1, 1]


def test_grades_that_cost_no_less_than_a_tighter_one_are_not_bought() -> None:
    plan = _plan(resistor_grades=(*RESISTORS, Grade(0.02, 0.03), Grade(0.05, 0.02)))
    assert plan == _plan()


def test_without_grades_of_a_kind_its_tolerance_stays() -> None:
    plan = _plan(resistor_grades=())
    assert all(c.grade == Grade(0.01, 0.0) for c in plan.choices if c.ref.startswith("R"))
    assert plan.price == sum(c.grade.price * c.parts for c in plan.choices)


def test_what_no_grade_can_keep_is_said() -> None:
    with pytest.raises(NoCombinationError, match="the tightest grades keep"):
        _plan(limit_db=0.04)


@pytest.mark.parametrize("wanted", [0.0, 1.0, 1.5])
def test_impossible_yields_are_refused(wanted: float) -> None:
    with pytest.raises(InputError, match="yield: received"):
        _plan(wanted=wanted)


def test_what_is_assumed_is_counted() -> None:
    assert _plan().assumed > 0
    # The cheapest of all keeps it: nothing cheaper was left out.
    assert _plan(limit_db=3.0).assumed == 0


def test_no_grades_at_all_are_refused() -> None:
    with pytest.raises(InputError, match=r"received 0\.95; the job names no grades.*resistors\."):
        _plan(resistor_grades=(), capacitor_grades=())


@pytest.mark.parametrize(("tolerance", "price"), [(-0.1, 1.0), (1.0, 1.0), (0.1, -1.0)])
def test_grades_out_of_range_are_refused(tolerance: float, price: float) -> None:
    with pytest.raises(InputError, match="grades"):
        Grade(tolerance, price)


def test_a_flat_divider_takes_the_cheapest() -> None:
    """A divider of resistors has no error whatever its tolerances."""
    from antecurve.curves.model import Curve

    picked = network_of(position("R1", ("in", "out"), 1e4), position("R2", ("out", "0"), 1e3))
    plan = plan_tolerances(
        picked,
        Conditions(
            curve=Curve("flat", (1e-3,), (1e-3,)),
            loading=Loading(0.0, 1e9, 0.0),
            band_hz=(20.0, 20e3),
        ),
        resistor_grades=RESISTORS,
        capacitor_grades=(),
        limit_db=0.01,
        builds=2000,
    )
    assert {c.grade for c in plan.choices} == {RESISTORS[0]}


def test_level_and_mismatch_count_as_well() -> None:
    """A confirmed plan against the counts of the spread's own percentiles, on its own builds."""
    plain = _plan(limit_db=0.3)
    both = _plan(limit_db=0.3, level_limit_db=0.2, mismatch_limit_db=0.3)
    assert both.price > plain.price
    assert both.confirmed.low >= 0.95
    built = with_tolerances(PICKED, [c.grade.tolerance for c in both.choices])
    builds = Builds(
        part_source(part_table(built), distribution="uniform"), EVALUATOR, both.confirmed_seed
    )
    nominal = EVALUATOR.level_db(EVALUATOR.power_coefficients(PICKED.network.values[:, None]))
    good = 0
    for number, block in enumerate(builds.measured(both.confirmed.trials)):
        one, other = (
            10.0 * np.log10(EVALUATOR.ratio(builds.block(number, channel=channel)))
            for channel in (0, 1)
        )
        apart = np.abs(one - other).max(axis=0)[: len(block.centred_db)]
        level = np.abs(block.level_db - nominal)
        good += int(np.sum((block.centred_db <= 0.3) & (level <= 0.2) & (apart <= 0.3)))
    assert both.confirmed.fraction == pytest.approx(good / both.confirmed.trials, abs=1e-12)


@pytest.mark.seldom
def test_parts_off_one_reel_match_better() -> None:
    """What correlates is alike in both channels: looser grades keep the same mismatch."""
    apart = _plan(limit_db=0.5, mismatch_limit_db=0.25)
    alike = _plan(limit_db=0.5, mismatch_limit_db=0.25, reel_correlation=0.9)
    assert alike.price < apart.price
    assert alike.to_dict()["reel_correlation"] == 0.9


@pytest.mark.parametrize("name", ["level_limit_db", "mismatch_limit_db"])
def test_limits_that_can_not_be_are_refused(name: str) -> None:
    with pytest.raises(InputError, match="limit"):
        _plan(**{name: -1.0})
