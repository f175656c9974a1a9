"""Verdicts on simulated units whose truth is known."""

from __future__ import annotations

import gross_fault_study
import numpy as np
import pytest
from judge_coverage import (
    CONSTANTS,
    FREQUENCIES_HZ,
    LEAST_COVERED,
    UNITS,
    judged,
    results,
    stored,
)
from playback_units import (
    CONDITIONS,
    LOADING,
    NOMINAL,
    TOPOLOGY,
    Unit,
    drawn_values,
    known_exactly,
    network_polynomials,
    picked_network,
    random_unit,
    square_capture,
    steady_state,
    sweep_capture,
)
from scipy import signal
from scipy.stats import binom

from antecurve.analysis.as_built import measured_network
from antecurve.analysis.meter import MeterAccuracy
from antecurve.judge.conformity import Decision, LimitBand
from antecurve.judge.network_estimate import estimate_by_tolerance
from antecurve.judge.signal_path import CaptureChain
from antecurve.judge.verdict import Verdict
from antecurve.judge.verdicts import JudgeRequest, judge_unit
from long_form import few


def test_simulation_against_stepwise_integration() -> None:
    """scipy.signal.lsim at 2 MHz over 20 periods, the last of which is steady."""
    unit = Unit(low_corner_hz=30.0)
    top, bottom = network_polynomials(known_exactly().values)
    unit_top, unit_bottom = unit.polynomials()
    top, bottom = np.polymul(top, unit_top), np.polymul(bottom, unit_bottom)
    per_period, periods, frequency = 10_000, 20, 200.0
    time = np.arange(per_period * periods) / (per_period * frequency)
    drive = np.where(np.mod(np.arange(time.size), per_period) < per_period // 2, 1.0, -1.0)
    zeros, poles, gain = signal.tf2zpk(top, bottom)
    _, simulated, _ = signal.lsim(
        signal.ZerosPolesGain(zeros, poles, gain), drive, time, interp=False
    )
    expected = steady_state(top, bottom, time[-per_period:], frequency)
    # exp(-2 pi 30 Hz 0.1 s) of the start is left: 7e-9; the rest is rounding of the state space.
    assert np.max(np.abs(simulated[-per_period:] - expected)) < 1e-5 * np.ptp(expected)


@pytest.fixture(scope="module")
def drawn() -> list[tuple[Unit, Verdict]]:
    """Units and builds drawn, one 8-bit capture each; seeds of the full study's beginning."""
    return [judged(seed) for seed in range(few(2, of=4))]


def test_stored_study_is_of_this_judge(drawn: list[tuple[Unit, Verdict]]) -> None:
    """The first of 400 units again, each figure as precisely as the judge solves for it.

    A fit that crawls through a valley ends within a hundredth of a standard deviation, which is a
    quarter of a per cent of the interval; where it does, another machine's rounding decides.
    An end of a profiled interval is a root found to 1 % of its distance: two of them differ by
    2 % at most, half of it in terms of the whole interval.
    """
    study = stored()
    assert len(study) == UNITS
    for seed, (unit, verdict) in enumerate(drawn):
        for row, stored_row in zip(results(unit, verdict), study[seed], strict=True):
            assert row[0] == stored_row[0]
            truth, value, low, high = stored_row[1:]
            size = high - low if np.isfinite(high) else low
            assert row[1] == pytest.approx(truth, rel=1e-8)
            assert row[2] == pytest.approx(value, rel=1e-8, abs=2.5e-3 * size), (seed, row[0])
            ends = pytest.approx((low, high), rel=1e-8, abs=1e-2 * size)
            assert row[3:] == ends, (seed, row[0])


def test_power_of_the_study() -> None:
    """Binomial: alpha 0.4 % at a coverage of 95 %, power 90 % (89.7) at a coverage of 90 %."""
    assert binom.cdf(LEAST_COVERED - 1, UNITS, 0.95) < 0.004
    assert binom.cdf(LEAST_COVERED - 1, UNITS, 0.90) > 0.89


@pytest.mark.parametrize("quantity", range(len(CONSTANTS) + len(FREQUENCIES_HZ)))
def test_intervals_cover(quantity: int) -> None:
    """Of 400 stored 95 % intervals at least 368 hold the truth; alpha and power as above."""
    rows = [unit[quantity] for unit in stored().values()]
    covered = sum(low <= truth <= high for _, truth, _, low, high in rows)
    assert covered >= LEAST_COVERED, (rows[0][0], covered)


def test_verdicts_agree_with_the_truth(drawn: list[tuple[Unit, Verdict]]) -> None:
    """A contradiction needs an error of twice the expanded uncertainty: chance 6e-5 for each.

    Power: uncertainties stated at half their size are caught for a unit near the limit only;
    `test_intervals_cover` is the test of their size.  A square wave of 200 Hz by itself does not
    tell the shape of the low end, so that none of them passes.
    """
    decisions = set()
    for unit, verdict in drawn:
        truth = np.max(np.abs(unit.deviation_db(verdict.deviation.frequency_hz)))
        decisions.add(verdict.decision)
        guard = verdict.expanded_uncertainty_db
        if truth < 0.5 - guard:
            assert verdict.decision is not Decision.FAIL
        if truth > 0.5 + guard:
            assert verdict.decision is not Decision.PASS
    assert decisions <= {Decision.FAIL, Decision.UNDECIDED}


def test_measured_parts_give_half_a_per_cent() -> None:
    """5,000 points of 8 bits at 200 Hz: turnover and treble to 0.5 % (one sigma) or better."""
    rng = np.random.default_rng(8)
    for _ in range(few(1, of=2)):
        unit, values = random_unit(rng), drawn_values(rng)
        errors = {"R": 1 + 0.002 * rng.uniform(-1, 1), "C": 1 + 0.004 * rng.uniform(-1, 1)}
        read = {r: v * errors[r[0]] for r, v in zip(TOPOLOGY.refs, values, strict=True)}
        picked = measured_network(picked_network(), read, meter=MeterAccuracy(0.002, 0.004))
        verdict = judge_unit(
            [square_capture(unit, rng, values=values)],
            estimate_by_tolerance(picked, loading=LOADING),
            conditions=CONDITIONS,
        )
        for name in ("turnover_s", "treble_s"):
            value = verdict.value(name)
            assert (value.high - value.low) / 3.92 < 0.005 * value.value
            # 4 standard deviations: chance 6e-5 in each.
            assert abs(value.value - getattr(unit, name)) < 4 * (value.high - value.low) / 3.92


@pytest.mark.seldom
def test_exact_record_gives_exact_constants() -> None:
    """Without noise, builds or bits the constants come out as they went in."""
    rng = np.random.default_rng(1)
    unit = Unit(3100e-6, 322e-6, 73e-6, 4.0, 150e3)
    capture = square_capture(unit, rng, bits=0, noise=0.0, samples=8000, periods=3.3)
    verdict = judge_unit([capture], known_exactly(), conditions=CONDITIONS)
    # Harmonics beyond 3 MHz folded back leave some 1e-6 of the span.
    for name, tolerance in (("turnover_s", 1e-4), ("treble_s", 1e-4), ("bass_shelf_s", 3e-3)):
        assert verdict.value(name).value == pytest.approx(getattr(unit, name), rel=tolerance)


def test_gross_faults_are_named() -> None:
    """At least 190 of 200 stored by their right name ahead of all others, and none passes."""
    rows = gross_fault_study.stored()
    assert len(rows) == gross_fault_study.UNITS
    named = sum(name == fault for _, fault, name, _ in rows)
    assert named >= gross_fault_study.LEAST_NAMED
    assert {decision for *_, decision in rows} == {Decision.FAIL.value}


@pytest.mark.sweep(1)
@pytest.mark.parametrize("seed", range(2))
def test_stored_faults_are_of_this_judge(seed: int) -> None:
    assert gross_fault_study.judged(seed) == gross_fault_study.stored()[seed]


def test_second_order_low_corner_is_not_claimed_from_200_hz() -> None:
    """One capture leaves the low end open and says so; a second at 30 Hz settles it."""
    rng = np.random.default_rng(4)
    unit = Unit(low_corner_hz=8.0, low_order=2)
    first = square_capture(unit, rng)
    alone = judge_unit([first], known_exactly(), conditions=CONDITIONS)
    truth = unit.deviation_db(np.array([20.0]))[0]
    at_20 = alone.deviation
    assert at_20.expanded_uncertainty_db[0] > 0.2
    assert abs(truth - at_20.deviation_db[0]) <= at_20.expanded_uncertainty_db[0]
    assert any("second capture" in f or "tells them apart" in f for f in alone.findings)
    second = square_capture(unit, rng, frequency=30.0)
    both = judge_unit([first, second], known_exactly(), conditions=CONDITIONS)
    assert both.low_end == "second order, Q 0.71"
    assert both.deviation.expanded_uncertainty_db[0] < 0.05
    assert both.value("low_corner_hz").value == pytest.approx(8.0, rel=0.01)
    assert not any("second capture" in f for f in both.findings)


def test_sweep_and_square_wave_together() -> None:
    rng = np.random.default_rng(6)
    unit = Unit(treble_s=70e-6)
    captures = [square_capture(unit, rng), sweep_capture(unit, rng)]
    verdict = judge_unit(captures, known_exactly(), conditions=CONDITIONS)
    for name in NOMINAL:
        value = verdict.value(name)
        sigma = (value.high - value.low) / 3.92
        assert abs(value.value - getattr(unit, name)) < 4 * sigma
    assert any(f.startswith("Treble time constant ") for f in verdict.findings)


def test_sweep_alone_and_a_shape_that_no_constant_makes() -> None:
    rng = np.random.default_rng(7)
    good = judge_unit([sweep_capture(Unit(), rng)], known_exactly(), conditions=CONDITIONS)
    assert good.decision is Decision.PASS
    bump = judge_unit(
        [sweep_capture(Unit(), rng, bump_db=1.0)], known_exactly(), conditions=CONDITIONS
    )
    assert bump.decision is Decision.FAIL
    # 1 dB at 5 kHz within 4 sigma of the readings' 0.02 dB and what the grid of points cuts off.
    assert bump.deviation_db == pytest.approx(1.0, abs=0.15)
    assert 4000 < bump.ruling.frequency_hz < 6300
    assert any("shape that the model lacks" in f for f in bump.findings)


def test_chain_by_corners_and_by_reference() -> None:
    """AC coupling at 7 Hz and a probe corner at 60 kHz, taken off either way."""
    rng = np.random.default_rng(9)
    low, high = 2 * np.pi * 7.0, 2 * np.pi * 60e3
    chain = (np.array([1.0, 0.0]), np.polymul([1.0, low], [1 / high, 1.0]))
    unit = Unit(low_corner_hz=1.0, treble_s=71e-6)
    capture = square_capture(unit, rng, frequency=60.0, extra=chain, samples=20_000)
    told = judge_unit(
        [capture],
        known_exactly(),
        conditions=CONDITIONS,
        request=JudgeRequest(chain=CaptureChain((7.0,), (60e3,))),
    )
    direct = SquareReference.straight(rng, chain, capture)
    through = SquareReference.through_network(rng, chain, capture)
    for verdict in (
        told,
        judge_unit(
            [capture],
            known_exactly(),
            conditions=CONDITIONS,
            request=JudgeRequest(reference=direct),
        ),
        judge_unit(
            [capture],
            known_exactly(),
            conditions=CONDITIONS,
            request=JudgeRequest(reference=through),
        ),
    ):
        deviation = verdict.deviation
        truth = unit.deviation_db(deviation.frequency_hz)
        # The chain itself is 0.5 dB down at 20 Hz and 0.5 dB at 20 kHz.
        assert np.max(np.abs(deviation.deviation_db - truth)) < 0.1
        assert verdict.value("treble_s").value == pytest.approx(71e-6, rel=0.01)


class SquareReference:
    """Captures with the unit bypassed, at the frequency of another capture."""

    @staticmethod
    def straight(rng, chain, like):  # type: ignore[no-untyped-def]
        return SquareReference._capture(rng, chain, (np.array([1.0]), np.array([1.0])), like)

    @staticmethod
    def through_network(rng, chain, like):  # type: ignore[no-untyped-def]
        return SquareReference._capture(
            rng, chain, network_polynomials(known_exactly().values), like
        )

    @staticmethod
    def _capture(rng, chain, before, like):  # type: ignore[no-untyped-def]
        top, bottom = np.polymul(before[0], chain[0]), np.polymul(before[1], chain[1])
        volts = steady_state(top, bottom, like.time_s + rng.uniform(0, 0.01), 60.0)
        volts = volts + 0.001 * np.ptp(volts) * rng.standard_normal(volts.size)
        return type(like)(like.time_s, volts, name="reference")


def test_undoing_the_ultrasonic_pole() -> None:
    """Against the job's whole curve a unit that leaves the pole alone is 0.64 dB down at 20 kHz."""
    rng = np.random.default_rng(10)
    capture = square_capture(Unit(high_corner_hz=0.0), rng, samples=8000)
    verdict = judge_unit(
        [capture],
        known_exactly(),
        conditions=CONDITIONS,
        request=JudgeRequest(playback="inverse"),
    )
    # 10 log10(1 + 0.4^2) - 10 log10(1 + 0.02^2), the 50 kHz pole at 20 kHz re 1 kHz.
    assert verdict.deviation.deviation_db[-1] == pytest.approx(-0.643, abs=0.02)
    plain = judge_unit([capture], known_exactly(), conditions=CONDITIONS)
    assert plain.deviation.deviation_db[-1] == pytest.approx(0.0, abs=0.02)


@pytest.mark.seldom
def test_several_limits() -> None:
    rng = np.random.default_rng(11)
    captures = [
        square_capture(Unit(low_corner_hz=12.0), rng),
        square_capture(Unit(low_corner_hz=12.0), rng, frequency=30.0),
    ]
    mask = (LimitBand(20.0, 60.0, 2.0), LimitBand(60.0, 20e3, 0.5))
    verdict = judge_unit(
        captures, known_exactly(), conditions=CONDITIONS, request=JudgeRequest(mask=mask)
    )
    assert verdict.decision is Decision.PASS
    tight = judge_unit(captures, known_exactly(), conditions=CONDITIONS)
    assert tight.decision is Decision.FAIL
    assert tight.faults[0] == "low_corner_hz"
