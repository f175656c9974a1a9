"""The exact interval of a proportion against statsmodels and scipy."""

from __future__ import annotations

import warnings

import pytest
from scipy.stats import binomtest

from antecurve.analysis.intervals import clopper_pearson
from antecurve.errors import InputError

with warnings.catch_warnings():
    warnings.simplefilter("ignore")  # the library's own imports
    from statsmodels.stats.proportion import proportion_confint

CASES = [(0, 1), (1, 1), (0, 20), (7, 20), (950, 1000), (99_999, 100_000), (10**6, 10**6)]


@pytest.mark.parametrize(("successes", "trials"), CASES)
@pytest.mark.parametrize("confidence", [0.8, 0.95, 0.9999])
def test_equals_both_libraries(successes: int, trials: int, confidence: float) -> None:
    interval = clopper_pearson(successes, trials=trials, confidence=confidence)
    low, high = proportion_confint(successes, trials, alpha=1 - confidence, method="beta")
    assert interval.low == pytest.approx(low, abs=1e-12)
    assert interval.high == pytest.approx(high, abs=1e-12)
    other = binomtest(successes, trials).proportion_ci(confidence, method="exact")
    # scipy finds the ends by root search to about 1e-12 of the interval.
    assert interval.low == pytest.approx(other.low, abs=1e-9)
    assert interval.high == pytest.approx(other.high, abs=1e-9)


@pytest.mark.parametrize(
    ("successes", "trials", "confidence"), [(1, 0, 0.95), (-1, 5, 0.95), (6, 5, 0.95), (1, 5, 1.0)]
)
def test_refuses_impossible_counts(successes: int, trials: int, confidence: float) -> None:
    with pytest.raises(InputError):
        clopper_pearson(successes, trials=trials, confidence=confidence)
