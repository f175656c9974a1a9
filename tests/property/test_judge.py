"""What must not matter to a verdict does not matter."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from playback_units import CONDITIONS, Unit, known_exactly, square_capture

from antecurve.judge.conformity import Decision, LimitBand, decide
from antecurve.judge.square_wave import SquareWaveCapture
from antecurve.judge.verdict import Verdict
from antecurve.judge.verdicts import judge_unit
from long_form import few

BASE = square_capture(Unit(treble_s=71e-6), np.random.default_rng(2), samples=3000)


@pytest.fixture(scope="module")
def base_verdict() -> Verdict:
    return judge_unit([BASE], known_exactly(), conditions=CONDITIONS)


@settings(max_examples=few(2, of=4), deadline=None)
@given(
    gain=st.floats(1e-3, 1e3),
    turned=st.booleans(),
    offset=st.floats(-10, 10),
    start=st.floats(-100, 100),
)
def test_gain_polarity_offset_and_start(
    base_verdict: Verdict, gain: float, turned: bool, offset: float, start: float
) -> None:
    """The same record scaled, turned over and shifted gives the same constants."""
    span = float(np.ptp(BASE.volts))
    volts = gain * ((-1.0 if turned else 1.0) * BASE.volts + offset * span)
    moved = SquareWaveCapture(BASE.time_s + start, volts)
    verdict = judge_unit([moved], known_exactly(), conditions=CONDITIONS)
    assert verdict.decision is base_verdict.decision
    for before, after in zip(base_verdict.fitted, verdict.fitted, strict=True):
        if before.name in ("turnover_s", "treble_s"):
            # Times near 100 s keep 1e-14 s of 1e-6 s; the rest is the solver's tolerance.
            assert after.value == pytest.approx(before.value, rel=2e-4)


def test_the_same_record_gives_the_same_verdict_bit_for_bit(base_verdict: Verdict) -> None:
    again = judge_unit([BASE], known_exactly(), conditions=CONDITIONS)
    assert again.to_dict() == base_verdict.to_dict()


def test_record_keeps_to_its_own_rule(base_verdict: Verdict) -> None:
    """The verdict follows from the numbers printed beside it."""
    record = base_verdict.to_dict()
    size, reach, limit = (
        abs(record["deviation_db"]),
        record["expanded_uncertainty_db"],
        record["limit_db"],
    )
    expected = "pass" if size + reach <= limit else "fail" if size - reach > limit else "undecided"
    assert record["verdict"] == expected
    assert record["format"] == "antecurve-verdict-1"
    names = [f["name"] for f in record["fitted"]]
    # A shape of the low end or the top may add constants; these five are always there.
    usual = ["bass_shelf_s", "turnover_s", "treble_s", "low_corner_hz", "high_corner_hz"]
    assert [name for name in names if name in usual] == usual and len(set(names)) == len(names)
    for entry in record["fitted"]:
        low, high = entry["low"], entry["high"]
        assert low is None or entry["value"] is None or low <= entry["value"]
        assert high is None or entry["value"] is None or entry["value"] <= high


@settings(max_examples=200, deadline=None)
@given(
    points=st.lists(
        st.tuples(st.floats(20, 20e3), st.floats(-3, 3), st.floats(0, 2)), min_size=1, max_size=20
    ),
    limit=st.floats(0.05, 2),
)
def test_decisions_follow_the_rule(points: list[tuple[float, float, float]], limit: float) -> None:
    frequency, deviation, expanded = (np.array(c) for c in zip(*points, strict=True))
    conformity = decide(frequency, deviation, expanded, band=LimitBand(20, 20e3, limit))
    if np.any(np.abs(deviation) - expanded > limit):
        assert conformity.decision is Decision.FAIL
        assert abs(conformity.deviation_db) - conformity.expanded_uncertainty_db > limit
    elif np.all(np.abs(deviation) + expanded <= limit):
        assert conformity.decision is Decision.PASS
    else:
        assert conformity.decision is Decision.UNDECIDED
        assert abs(conformity.deviation_db) + conformity.expanded_uncertainty_db > limit
