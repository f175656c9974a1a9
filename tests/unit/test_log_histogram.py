"""Percentiles in constant memory against numpy on the whole sample."""

from __future__ import annotations

import numpy as np
import pytest

from antecurve.parts.log_histogram import LogHistogram

# Half a bin of 1e-4 in the logarithm, and one rounding of exp and log.
RELATIVE = 0.5e-4 + 1e-9


@pytest.mark.parametrize("count", [1, 2, 10, 999, 100_000])
@pytest.mark.parametrize("fraction", [0.025, 0.5, 0.95, 0.99, 1.0])
def test_quantiles_are_order_statistics(count: int, fraction: float) -> None:
    values = np.random.default_rng(count).lognormal(-3.0, 0.7, count)
    tally = LogHistogram()
    for part in np.array_split(values, 7):
        tally.add(part)
    expected = np.quantile(values, fraction, method="inverted_cdf")
    assert tally.quantile(fraction) == pytest.approx(expected, rel=RELATIVE)
    assert tally.count == count
    assert tally.greatest == values.max() and tally.least == values.min()


def test_order_and_parts_do_not_matter() -> None:
    values = np.random.default_rng(1).exponential(0.1, 10_000)
    one, other = LogHistogram(), LogHistogram()
    one.add(values)
    for part in np.array_split(values[::-1], 13):
        other.add(part)
    assert one.percentiles() == other.percentiles()


def test_values_beyond_the_range_are_counted() -> None:
    tally = LogHistogram()
    tally.add(np.array([0.0, 1e-12, 5.0, 1e6]))
    assert tally.count == 4
    assert tally.quantile(0.25) < 1e-8
    assert tally.percentiles().max == 1e6


def test_no_value_has_no_percentile() -> None:
    assert np.isnan(LogHistogram().quantile(0.5))
