"""The spread over builds: repeatable, the same for any number of workers, honest about limits."""

from __future__ import annotations

import numpy as np
import pytest
from bench_networks import BAND, COMMON, DISC, LOADING, bench_network, cards, large_network
from nodal import solve_cards

from antecurve.analysis.planning import with_tolerances
from antecurve.analysis.spread import SpreadResult, spread
from antecurve.curves.model import response
from antecurve.errors import InputError
from antecurve.networks.build_errors import BuildErrors
from antecurve.networks.centred_error import error_range
from antecurve.networks.conditions import Conditions
from antecurve.networks.topology import Network
from antecurve.parts.builds import Builds
from antecurve.parts.distributions import BLOCK, draw_block, part_source
from antecurve.parts.scatter import part_table, position_values

PICKED = bench_network()
MORE_THAN_TWO_BLOCKS = 2 * BLOCK + 1234


def _result(**more: object) -> SpreadResult:
    return spread(PICKED, **COMMON, **{"builds": 3000, **more})


def _drawn(tolerances: list[float] | None = None, points: int = 121) -> Builds:
    picked = PICKED if tolerances is None else with_tolerances(PICKED, tolerances)
    evaluator = BuildErrors(
        picked.topology,
        DISC,
        loading=LOADING,
        band_hz=BAND,
        nominal=picked.network.values,
        points=points,
    )
    return Builds(part_source(part_table(picked), distribution="uniform"), evaluator, 5)


def _values(drawn: Builds, builds: int) -> np.ndarray:
    parts = draw_block(drawn.source, seed=5, block=0)
    return position_values(drawn.source.table, parts)[:, :builds]


@pytest.mark.parametrize("scale", [1.0, 1e-4])
def test_builds_equal_a_nodal_solve_of_each(scale: float) -> None:
    drawn = _drawn([scale * t for t in (0.01, 0.025, 0.01, 0.025, 0.01, 0.01)])
    measured = next(drawn.measured(20))
    frequency = np.geomspace(*BAND, 121)
    for build, values in enumerate(_values(drawn, 20).T):
        ratio = np.abs(solve_cards(cards(PICKED, values), frequency) / response(DISC, frequency))
        error = 20 * np.log10(ratio)
        # Single precision on deviations: 6e-8 a rounding, a dozen roundings, some cancellation.
        expected = 0.5 * (error.max() - error.min())
        assert measured.centred_db[build] == pytest.approx(expected, rel=1e-5)
        level = 20 * np.log10(abs(solve_cards(cards(PICKED, values), [1000.0])[0]))
        assert measured.level_db[build] == pytest.approx(level, abs=1e-9)


def test_the_grid_is_within_a_tenth_of_a_percent_of_the_continuum() -> None:
    drawn = _drawn()
    measured = next(drawn.measured(200)).centred_db
    for build, values in enumerate(_values(drawn, 200).T):
        exact = error_range(
            Network(PICKED.topology, values), Conditions(curve=DISC, loading=LOADING, band_hz=BAND)
        ).centred_db
        assert measured[build] <= exact * (1 + 1e-5)
        assert measured[build] == pytest.approx(exact, rel=1e-3)


def test_the_result_does_not_depend_on_workers() -> None:
    one, three = (_result(builds=MORE_THAN_TWO_BLOCKS, workers=w, limit_db=0.1) for w in (1, 3))
    assert one.to_dict() == three.to_dict()


def test_more_builds_begin_with_the_same_ones() -> None:
    drawn = _drawn()
    few = np.concatenate([b.centred_db for b in drawn.measured(100)])
    many = np.concatenate([b.centred_db for b in drawn.measured(MORE_THAN_TWO_BLOCKS, workers=2)])
    assert len(few) == 100 and len(many) == MORE_THAN_TWO_BLOCKS
    np.testing.assert_array_equal(few, many[:100])


def test_percentiles_yield_and_level_are_those_of_the_builds() -> None:
    drawn = _drawn()
    blocks = list(drawn.measured(MORE_THAN_TWO_BLOCKS))
    error = np.concatenate([b.centred_db for b in blocks])
    level = np.concatenate([b.level_db for b in blocks])
    result = _result(builds=MORE_THAN_TWO_BLOCKS, seed=5, limit_db=0.1)
    for name, fraction in (("p50", 0.5), ("p95", 0.95), ("p99", 0.99), ("max", 1.0)):
        expected = np.quantile(error, fraction, method="inverted_cdf")
        assert getattr(result.centred_db, name) == pytest.approx(expected, rel=1e-4)
    assert result.within is not None
    assert result.within.proportion.successes == np.count_nonzero(error <= 0.1)
    nominal = 20 * np.log10(abs(solve_cards(cards(PICKED, PICKED.network.values), [1000.0])[0]))
    low, high = np.quantile(level - nominal, [0.025, 0.975], method="inverted_cdf")
    # Bins of 1e-5 in the logarithm of the ratio: 4.3e-5 dB to either side.
    assert result.level_low_db == pytest.approx(low, abs=5e-5)
    assert result.level_high_db == pytest.approx(high, abs=5e-5)


def test_percentile_curves_are_those_of_the_first_builds() -> None:
    result = _result(builds=2000, seed=5)
    drawn = _drawn()
    ratio = drawn.evaluator.ratio(drawn.block(0))[:, :2000]
    error = 10 * np.log10(ratio) - next(drawn.measured(2000)).level_db
    expected = np.percentile(error, result.curves.percent, axis=1)
    assert result.curves.builds == 2000
    np.testing.assert_allclose(result.curves.error_db, expected, atol=1e-9)
    at_reference = np.argmin(np.abs(result.curves.frequency_hz - 1000.0))
    assert np.abs(result.curves.error_db[:, at_reference]).max() < 0.02


def test_two_channels_differ_as_two_builds_do() -> None:
    free, alike = _result(builds=8000), _result(builds=8000, reel_correlation=0.95)
    # A difference of two independent draws is sqrt(2) times as wide, so its median magnitude
    # 0.954 times the standard deviation of one draw, if normal (0.6745 sqrt 2).
    one_sigma = (free.level_high_db - free.level_low_db) / (2 * 1.96)
    assert free.mismatch.level_db.p50 == pytest.approx(0.954 * one_sigma, rel=0.06)
    assert free.mismatch.largest_db.p50 > free.mismatch.level_db.p50
    # With r = 0.95 what is left is sqrt(1 - r) = 0.22 of it.
    assert alike.mismatch.level_db.p50 < 0.3 * free.mismatch.level_db.p50
    assert alike.centred_db.p95 == pytest.approx(free.centred_db.p95, rel=0.05)


def test_parts_without_tolerance_do_not_spread() -> None:
    still = with_tolerances(PICKED, [0.0] * 6)
    result = spread(still, **COMMON, builds=500, limit_db=0.1)
    nominal = error_range(
        PICKED.network, Conditions(curve=DISC, loading=LOADING, band_hz=BAND)
    ).centred_db
    assert result.centred_db.p50 == pytest.approx(nominal, rel=1e-3)
    assert result.centred_db.max == pytest.approx(result.centred_db.p50, rel=1e-9)
    assert result.worst_corner_db == pytest.approx(nominal, rel=1e-6)
    assert sum(s.share for s in result.sensitivity) == 0.0
    assert result.mismatch.largest_db.max == pytest.approx(0.0, abs=1e-9)
    assert result.level_high_db == pytest.approx(0.0, abs=1e-9)


def test_one_build_is_its_own_percentiles() -> None:
    result = _result(builds=1, limit_db=0.5)
    assert result.centred_db.p50 == result.centred_db.max
    assert result.within is not None and result.within.proportion.trials == 1
    assert result.mismatch.pairs == 1


def test_an_interrupted_run_keeps_what_is_done() -> None:
    def interrupt(done: int, wanted: int) -> None:
        assert wanted == 100 * BLOCK
        if done >= 2 * BLOCK:
            raise KeyboardInterrupt

    result = _result(builds=100 * BLOCK, progress=interrupt)
    assert result.wanted_builds == result.to_dict()["wanted_builds"] == 100 * BLOCK
    assert result.builds == 2 * BLOCK
    assert result.centred_db == _result(builds=2 * BLOCK).centred_db


def test_the_object_has_the_keys_of_the_format() -> None:
    content = _result(limit_db=0.1).to_dict()
    assert set(content["centred_db"]) == {"p50", "p95", "p99", "max"}
    assert {"limit_db", "fraction", "low", "high"} <= set(content["yield"])
    assert content["yield"]["low"] <= content["yield"]["fraction"] <= content["yield"]["high"]
    assert [s["ref"] for s in content["sensitivity"]] == ["R1", "C1", "R2", "C2", "R3", "R4"]
    names = {"ref", "db_per_percent_max", "level_db_per_percent", "share"}
    assert set(content["sensitivity"][0]) == names
    assert sum(s["share"] for s in content["sensitivity"]) == pytest.approx(1.0)
    assert content["worst_corner_db"] <= content["worst_case"]["upper_bound_db"]
    assert content["centred_db"]["max"] <= content["worst_case"]["upper_bound_db"]
    assert _result().to_dict()["yield"] is None


@pytest.mark.parametrize(
    ("field", "value"),
    [("builds", 0), ("seed", -1), ("points", 1), ("workers", 0), ("limit_db", 0.0)],
)
def test_numbers_out_of_range_are_refused(field: str, value: float) -> None:
    with pytest.raises(InputError, match="spread"):
        _result(**{field: value})


def test_a_network_of_many_positions_goes_without_the_worst_case() -> None:
    result = spread(large_network(), **COMMON, builds=100)
    assert result.worst is None and result.to_dict()["worst_corner_db"] is None
