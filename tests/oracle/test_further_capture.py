"""What would decide an open verdict: predicted, then captured and judged."""

from __future__ import annotations

import numpy as np
import pytest
from playback_units import (
    CONDITIONS,
    LOADING,
    VALUES,
    Unit,
    by_tolerance,
    known_exactly,
    picked_network,
    square_capture,
)
from two_channel_records import two_channel_record

from antecurve.analysis.as_built import measured_network
from antecurve.analysis.meter import MeterAccuracy
from antecurve.judge.capture import Capture
from antecurve.judge.conformity import Decision
from antecurve.judge.network_estimate import NetworkEstimate, estimate_by_tolerance
from antecurve.judge.verdict import Verdict
from antecurve.judge.verdicts import JudgeRequest, judge_unit


def judged(captures: list[Capture], network: NetworkEstimate, limit_db: float) -> Verdict:
    request = JudgeRequest(limit_db=limit_db)
    return judge_unit(captures, network, conditions=CONDITIONS, request=request)


def test_a_low_square_wave_settles_the_low_end() -> None:
    """One capture of 200 Hz leaves the low end open; the one proposed leaves what it said."""
    rng = np.random.default_rng(1)
    unit = Unit(low_corner_hz=1.5, high_corner_hz=0.0)
    # Noise is given re peak to peak: half of what it is re the amplitude.
    first = square_capture(unit, rng, frequency=200.0, noise=0.0025, samples=10_000)
    network = known_exactly()
    opened = judged([first], network, 0.2)
    assert opened.decision is Decision.UNDECIDED and opened.ruling.frequency_hz < 30.0
    question = opened.question
    assert question is not None and question.text in opened.findings
    assert "low end" in question.quantity or "bass shelf" in question.quantity
    proposed = question.further[0]
    assert "23 Hz" in proposed.text and proposed.decides
    second = square_capture(unit, rng, frequency=23.0, noise=0.0025, samples=10_000)
    settled = judged([first, second], network, 0.2)
    assert settled.decision is Decision.PASS
    at = np.argmin(np.abs(settled.deviation.frequency_hz - opened.ruling.frequency_hz))
    remaining = settled.deviation.expanded_uncertainty_db[at]
    # The best shape may change with the capture, and the gain of a record is its own: within 2.
    assert 0.5 < remaining / proposed.expanded_uncertainty_db < 2.0


def test_parts_by_their_tolerance_are_to_be_measured_or_left_out() -> None:
    """Parts of 1 % and 2.5 % leave what no capture behind the network can tell."""
    rng = np.random.default_rng(2)
    record = two_channel_record(Unit(high_corner_hz=0.0), rng, signal="white noise")
    opened = judged([record], by_tolerance(), 0.15)
    question = opened.question
    assert opened.decision is Decision.UNDECIDED and question is not None
    assert question.quantity.startswith("the network's ")
    assert question.network_alone_opens and question.shares[0].origin == "the network's parts"
    assert question.shares[0].most.startswith("the network's ")
    # JCGM 100:2008, 5.1.2: variances of independent origins add up; those of the parts are what
    # units drawn with builds are wider by than units drawn by noise alone.
    assert sum(one.share for one in question.shares) == pytest.approx(1.0, abs=1e-9)
    deviation = opened.deviation
    at = np.argmin(np.abs(deviation.frequency_hz - opened.ruling.frequency_hz))
    of_noise = float(deviation.capture_part_db[at]) / opened.expanded_uncertainty_db
    # Quantiles of 1,024 draws err by 2 %, and a band of whole curves is wider than one of each.
    assert question.shares[0].share == pytest.approx(1.0 - of_noise**2, abs=0.1)
    assert "They alone leave" in question.text and "would decide it" in question.text
    reach = {f.text: f.expanded_uncertainty_db for f in question.further}
    now = opened.expanded_uncertainty_db
    (parts,) = (v for k, v in reach.items() if "measured values" in k)
    (at_input,) = (v for k, v in reach.items() if "unit's input" in k)
    (points,) = (v for k, v in reach.items() if "times the points" in k)
    assert points > 0.9 * now
    assert parts < 0.4 * now and at_input < 0.2 * now
    beside = two_channel_record(
        Unit(high_corner_hz=0.0), rng, signal="white noise", stimulus_at="input"
    )
    settled = judged([record, beside], by_tolerance(), 0.15)
    assert settled.decision is Decision.PASS


def test_what_nothing_decides_is_said() -> None:
    rng = np.random.default_rng(3)
    unit = Unit(treble_s=80e-6, low_corner_hz=0.0, high_corner_hz=0.0)
    record = two_channel_record(unit, rng, signal="white noise")
    off = float(np.abs(unit.deviation_db(np.array([20e3])))[0])
    opened = judged([record], known_exactly(), off)
    assert opened.decision is Decision.UNDECIDED and opened.question is not None
    if not any(f.decides for f in opened.question.further):
        assert "too near its limit" in opened.question.text


def test_a_decided_verdict_asks_nothing() -> None:
    rng = np.random.default_rng(4)
    record = two_channel_record(Unit(high_corner_hz=0.0), rng, signal="white noise")
    verdict = judged([record], known_exactly(), 0.5)
    assert verdict.decision is Decision.PASS and verdict.question is None
    assert pytest.approx(0.5) == verdict.ruling.band.limit_db


@pytest.mark.seldom
def test_what_shows_the_frequency_in_doubt_is_advised() -> None:
    """A slow capture leaves the top open; the square wave advised first settles it."""
    rng = np.random.default_rng(5)
    unit = Unit(high_corner_hz=0.0)
    first = square_capture(unit, rng, frequency=23.0, noise=0.01, samples=10_000)
    opened = judged([first], known_exactly(), 0.3)
    question = opened.question
    assert opened.decision is Decision.UNDECIDED and opened.ruling.frequency_hz > 5e3
    assert question is not None
    proposed = next(f for f in question.further if f.decides)
    assert proposed == question.further[0]
    # One more of what was captured is not advised: a longer record of it brings the same.
    assert not any("square wave of 23 Hz" in f.text for f in question.further)
    hertz = 1000.0 if "1 kHz" in proposed.text else 200.0
    second = square_capture(unit, rng, frequency=hertz, noise=0.0025, samples=10_000)
    settled = judged([first, second], known_exactly(), 0.3)
    assert settled.decision is Decision.PASS


@pytest.mark.seldom
def test_parts_that_were_measured_are_not_to_be_measured_again() -> None:
    """Read by a meter of 1 %: it is the meter that leaves the verdict open."""
    picked = picked_network()
    values = {p.element.ref: v for p, v in zip(picked.positions, VALUES.tolist(), strict=True)}
    meter = MeterAccuracy(resistors=0.01, capacitors=0.01)
    measured = measured_network(picked, values, meter=meter)
    rng = np.random.default_rng(2)
    record = two_channel_record(Unit(high_corner_hz=0.0), rng, signal="white noise")
    network = estimate_by_tolerance(measured, loading=LOADING)
    opened = judged([record], network, 0.1)
    assert opened.question is not None
    assert not any("measured values" in f.text for f in opened.question.further)
    unread = judged([record], by_tolerance(), 0.1).question
    assert unread is not None and any("measured values" in f.text for f in unread.further)
