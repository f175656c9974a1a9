"""How parts are drawn, against scipy.stats and the definitions."""

from __future__ import annotations

import numpy as np
import pytest
from bench_networks import bench_network, network_of, position
from scipy import stats

from antecurve.errors import InputError
from antecurve.parts.distributions import (
    BLOCK,
    draw_block,
    part_source,
    standard_deviations,
)
from antecurve.parts.scatter import part_table, part_weights, position_box, position_values

TABLE = part_table(bench_network())


def _draws(blocks: int = 8, **kind: object) -> np.ndarray:
    source = part_source(TABLE, **kind)  # type: ignore[arg-type]
    return np.hstack([draw_block(source, seed=7, block=b) for b in range(blocks)])


def test_parts_are_named_by_position_and_letter() -> None:
    assert TABLE.refs == ("R1", "C1a", "C1b", "R2", "C2a", "C2b", "R3", "R4")


@pytest.mark.parametrize(
    ("distribution", "reference"),
    [
        ("uniform", stats.uniform(-1, 2)),
        ("normal", stats.truncnorm(-3, 3, scale=1 / 3)),
    ],
)
def test_each_part_follows_its_distribution(distribution: str, reference: object) -> None:
    values = _draws(distribution=distribution)
    relative = (values / TABLE.nominal[:, None] - 1.0) / TABLE.tolerance[:, None]
    assert np.all(np.abs(relative) <= 1 + 1e-12)
    for row in relative:
        # 65536 draws: a wrong distribution gives p < 1e-12; eight fair ones rarely below 1e-4.
        assert stats.kstest(row, reference.cdf).pvalue > 1e-4  # type: ignore[attr-defined]
    source = part_source(TABLE, distribution=distribution)
    expected = reference.std() * TABLE.tolerance  # type: ignore[attr-defined]
    np.testing.assert_allclose(standard_deviations(source), expected, rtol=1e-12)


def test_measured_values_are_drawn_equally_often() -> None:
    measured = {"C1a": [6.7e-9, 6.75e-9, 6.9e-9]}
    values = _draws(distribution="empirical", measured=measured)[1]
    drawn, counts = np.unique(values, return_counts=True)
    assert drawn.tolist() == sorted(measured["C1a"])
    assert stats.chisquare(counts).pvalue > 1e-4
    source = part_source(TABLE, distribution="empirical", measured=measured)
    spread = np.std(measured["C1a"]) / TABLE.nominal[1]
    assert standard_deviations(source)[1] == pytest.approx(spread, rel=1e-12)
    assert standard_deviations(source)[0] == pytest.approx(0.01 / np.sqrt(3), rel=1e-12)


def test_parts_of_one_reel_are_correlated_and_scatter_as_before() -> None:
    picked = network_of(
        position("R1", ("in", "a"), 1000.0),
        position("R2", ("a", "out"), 1000.0),
        position("R3", ("out", "0"), 2000.0),
    )
    source = part_source(part_table(picked), distribution="uniform", reel_correlation=0.8)
    both = [
        np.hstack([draw_block(source, seed=3, block=b, channel=c) for b in range(8)])
        for c in (0, 1)
    ]
    # Gaussian copula: Spearman's correlation, which is Pearson's of uniforms, (6/pi) asin(r/2)
    # (Kruskal, J. Am. Stat. Assoc. 53 (1958) 814; from memory).
    expected = 6 / np.pi * np.arcsin(0.8 / 2)
    first, second, third = both[0]
    assert np.corrcoef(first, second)[0, 1] == pytest.approx(expected, abs=0.01)  # 5 sigma
    assert np.corrcoef(first, both[1][0])[0, 1] == pytest.approx(expected, abs=0.01)
    assert np.corrcoef(first, third)[0, 1] == pytest.approx(0.0, abs=0.02)
    scaled = (first / 1000.0 - 1.0) / 0.01
    assert stats.kstest(scaled, stats.uniform(-1, 2).cdf).pvalue > 1e-4


def test_blocks_channels_and_seeds_differ_and_repeat() -> None:
    source = part_source(TABLE, distribution="uniform")
    first = draw_block(source, seed=1, block=0)
    assert first.shape == (8, BLOCK)
    np.testing.assert_array_equal(first, draw_block(source, seed=1, block=0))
    for other in (
        draw_block(source, seed=1, block=1),
        draw_block(source, seed=2, block=0),
        draw_block(source, seed=1, block=0, channel=1),
    ):
        assert abs(np.corrcoef(first[0], other[0])[0, 1]) < 0.06  # 5 / sqrt(8192)


def test_joined_parts_make_the_position() -> None:
    picked = network_of(
        position("R1", ("in", "out"), 100.0, 300.0, joined="parallel", tolerance=0.1),
        position("R2", ("out", "0"), 100.0, 300.0, joined="series", tolerance=0.1),
        position("C1", ("out", "0"), 1e-9, 3e-9, joined="series", tolerance=0.1),
        position("C2", ("out", "0"), 1e-9, 3e-9, joined="parallel", tolerance=0.1),
    )
    table = part_table(picked)
    nominal = position_values(table, table.nominal[:, None])[:, 0]
    np.testing.assert_allclose(nominal, [75.0, 400.0, 0.75e-9, 4e-9], rtol=1e-15)
    low, high = position_box(table)
    np.testing.assert_allclose(low, 0.9 * nominal, rtol=1e-15)
    np.testing.assert_allclose(high, 1.1 * nominal, rtol=1e-15)
    # Two equal relative changes: weights of each position add up to 1.
    np.testing.assert_allclose(part_weights(table).sum(axis=1), 1.0, rtol=1e-15)
    np.testing.assert_allclose(part_weights(table)[0, :2], [0.75, 0.25], rtol=1e-15)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"distribution": "even"}, "spread.distribution"),
        ({"distribution": "empirical"}, "at least one list"),
        ({"distribution": "uniform", "measured": {"R1": [1e3]}}, "belong to"),
        ({"distribution": "empirical", "measured": {"R9": [1e3]}}, "the parts of the design are"),
        ({"distribution": "empirical", "measured": {"R1": [1e3, -1.0]}}, "above 0"),
        ({"distribution": "empirical", "measured": {"R1": []}}, "one or more"),
        ({"distribution": "uniform", "reel_correlation": 1.0}, "reel_correlation"),
    ],
)
def test_bad_requests_are_refused(arguments: dict[str, object], message: str) -> None:
    with pytest.raises(InputError, match=message):
        part_source(TABLE, **arguments)  # type: ignore[arg-type]
