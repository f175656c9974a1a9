"""Conformity against JCGM 106:2012."""

from __future__ import annotations

import numpy as np
import pytest

from antecurve.errors import InputError
from antecurve.judge.conformity import (
    Decision,
    LimitBand,
    combined_decision,
    conformance_probability,
    decide,
)

BAND = LimitBand(20.0, 20e3, 0.5)


def test_breakdown_voltage_example() -> None:
    """JCGM 106:2012, 7.3.2 example: Zener diode, y = -5.47 V, u = 0.05 V, limit -5.40 V.

    The document gives 92 % (from memory).
    """
    probability = conformance_probability(-5.47, standard_uncertainty=0.05, upper=-5.40)
    assert probability == pytest.approx(0.92, abs=0.005)


def test_guard_band_of_the_expanded_uncertainty() -> None:
    """JCGM 106:2012, 8.3.3.2: accepted right at the guard band w = U = 2 u, 2.3 % are beyond."""
    at_edge = conformance_probability(0.5 - 2 * 0.1, standard_uncertainty=0.1, upper=0.5)
    assert 1 - at_edge == pytest.approx(0.023, abs=0.0005)


def test_shared_risk_at_the_limit_is_one_half() -> None:
    """A value on the limit itself conforms with a probability of 1/2 (symmetry)."""
    assert conformance_probability(0.5, standard_uncertainty=0.1, upper=0.5) == pytest.approx(0.5)


@pytest.mark.parametrize(
    ("deviation", "expanded", "decision"),
    [
        (0.2, 0.3, Decision.PASS),
        (-0.2, 0.3, Decision.PASS),
        (0.2, 0.301, Decision.UNDECIDED),
        (-0.8, 0.301, Decision.UNDECIDED),
        (-0.9, 0.3, Decision.FAIL),
    ],
)
def test_the_three_outcomes(deviation: float, expanded: float, decision: Decision) -> None:
    """JCGM 106:2012, 8.3: inside by the guard band, outside by it, or in between."""
    conformity = decide([100.0, 1000.0], [deviation, 0.0], [expanded, 0.0], band=BAND)
    assert conformity.decision is decision
    assert (conformity.frequency_hz, conformity.deviation_db) == (100.0, deviation)


def test_only_the_band_counts_and_a_failure_rules() -> None:
    frequency = np.array([10.0, 20.0, 1000.0, 30e3])
    deviation, expanded = np.array([9.0, 0.3, 0.0, 9.0]), np.full(4, 0.1)
    assert decide(frequency, deviation, expanded, band=BAND).decision is Decision.PASS
    tight = decide(frequency, deviation, expanded, band=LimitBand(20.0, 50.0, 0.1))
    wide = decide(frequency, deviation, expanded, band=BAND)
    assert combined_decision((wide, tight)) == tight
    assert tight.decision is Decision.FAIL


@pytest.mark.parametrize(("low", "high", "limit"), [(50, 20, 1), (0, 20, 1), (20, 50, 0)])
def test_limits_that_are_none(low: float, high: float, limit: float) -> None:
    with pytest.raises(InputError):
        LimitBand(low, high, limit)


def test_nothing_judged_in_the_band() -> None:
    with pytest.raises(InputError, match="no frequency was judged"):
        decide([10.0], [0.0], [0.0], band=BAND)
    with pytest.raises(InputError):
        combined_decision(())
    with pytest.raises(InputError):
        conformance_probability(0.0, standard_uncertainty=0.0)
