"""Records: period, reduction, what is left over, and captures that can't be used."""

from __future__ import annotations

import re
from collections.abc import Callable

import numpy as np
import pytest
from playback_units import (
    CONDITIONS,
    CURVE,
    LOADING,
    VALUES,
    Unit,
    by_tolerance,
    known_exactly,
    network_polynomials,
    square_capture,
    sweep_capture,
)

from antecurve.errors import InputError
from antecurve.judge.batch import judge_batch
from antecurve.judge.calibration import calibrate_network
from antecurve.judge.conformity import Decision
from antecurve.judge.explanation import explain
from antecurve.judge.match import channel_match
from antecurve.judge.periodic import harmonic_basis
from antecurve.judge.record import prepare_record, quantisation_step
from antecurve.judge.signal_path import Generator
from antecurve.judge.square_wave import SquareWaveCapture
from antecurve.judge.sweep import SweepCapture
from antecurve.judge.unit_model import unit_model
from antecurve.judge.verdicts import JudgeRequest, judge_unit

GRID_HZ = np.geomspace(20.0, 20e3, 9)


def records(seed: int, **given: float) -> SquareWaveCapture:
    return square_capture(Unit(), np.random.default_rng(seed), **given)  # type: ignore[arg-type]


@pytest.mark.parametrize("periods", [1.7, 2.4, 5.9, 37.3])
def test_frequency_is_found(periods: float) -> None:
    """The frequency of a record with jittered samples and 0.2 % noise."""
    rng = np.random.default_rng(3)
    frequency, samples = 203.7, 8000
    time = np.arange(samples) * periods / frequency / samples
    time = time + 0.2 * (time[1] - time[0]) * rng.uniform(-1, 1, samples)
    volts = np.sign(np.sin(2 * np.pi * frequency * (time + 1e-4)))
    capture = SquareWaveCapture(time, volts + 0.004 * rng.standard_normal(samples))
    record = prepare_record(capture, highest_hz=100e3)
    basis = harmonic_basis(record, highest_hz=100e3, name="x")
    # An edge is known to a tenth of a sample or so, over the length of the record.
    assert basis.record.frequency_hz == pytest.approx(frequency, rel=2e-4 / periods)
    amplitudes = np.abs(basis.amplitudes(basis.record.volts)[:3])
    # Square wave: 4/(pi n), no even harmonic.
    assert amplitudes == pytest.approx([4 / np.pi, 0.0, 4 / np.pi / 3], abs=2e-3)


def test_long_record_is_averaged_and_shortened() -> None:
    time = np.arange(400_000) * 1e-7
    volts = np.sign(np.sin(2 * np.pi * 250.0 * time + 0.3))
    record = prepare_record(SquareWaveCapture(time, volts), highest_hz=100e3)
    assert record.time_s.size <= 60_000 and record.averaged_s > 0
    assert record.frequency_hz == pytest.approx(250.0, rel=1e-3)


def test_quantisation_step() -> None:
    volts = np.round(np.sin(np.arange(5000) * 0.01) / 0.01) * 0.01
    assert quantisation_step(volts) == pytest.approx(0.01)
    assert quantisation_step(np.random.default_rng(1).standard_normal(5000)) == 0.0


def test_captures_that_can_not_be_used() -> None:
    known = known_exactly()
    time = np.arange(4000) * 5e-6

    def refused(volts: np.ndarray, says: str, step: float = 1.0) -> None:
        with pytest.raises(InputError, match=says):
            judge_unit([SquareWaveCapture(time * step, volts)], known, conditions=CONDITIONS)

    refused(np.sin(2 * np.pi * 200 * time), "without edges")
    refused(np.random.default_rng(1).standard_normal(4000), "no waveform that repeats")
    refused(np.sign(np.sin(2 * np.pi * 55 * time + 0.1)), "periods|repeats")
    refused(np.sign(np.sin(2 * np.pi * 200 * time)), "needs at least", 10.0)
    with pytest.raises(InputError, match="at least one capture"):
        judge_unit([], known, conditions=CONDITIONS)
    low = SweepCapture(np.geomspace(20, 800, 20), np.zeros(20))
    with pytest.raises(InputError, match="must reach 1 kHz"):
        judge_unit([low], known, conditions=CONDITIONS)
    with pytest.raises(InputError, match="published"):
        JudgeRequest(playback="flat")
    with pytest.raises(InputError, match="no capture is one"):
        sweep = sweep_capture(Unit(), np.random.default_rng(1))
        judge_unit(
            [records(1)], known, conditions=CONDITIONS, request=JudgeRequest(reference=sweep)
        )


@pytest.mark.seldom
def test_hum_is_named_and_taken_out() -> None:
    """50 Hz and 150 Hz in a record of 100 ms; the verdict stays what it was."""
    clean = records(5, periods=21.0, samples=20_000)
    span = float(np.ptp(clean.volts))
    hum = 0.03 * span * np.sin(2 * np.pi * 50 * clean.time_s) + 0.01 * span * np.sin(
        2 * np.pi * 150 * clean.time_s + 1
    )
    dirty = SquareWaveCapture(clean.time_s, clean.volts + hum, name="dirty")
    known = known_exactly()
    before = judge_unit([clean], known, conditions=CONDITIONS)
    after = judge_unit([dirty], known, conditions=CONDITIONS)
    text = next(f for f in after.findings if "hum" in f)
    assert "hum of 50 Hz, lines 50 Hz at " in text
    levels = re.findall(r"(50|150) Hz at ([\d.]+) ± ([\d.]+) mV", text)
    for (line, level, reach), share in zip(levels, (0.03, 0.01), strict=True):
        # Half as much again as the 95 % interval, and half of the level's last digit: chance 0.3 %.
        assert abs(float(level) - 1e3 * share * span) < 1.5 * float(reach) + 0.005, line
    # 0.03 of the span is 0.06 of its half: -24.4 dB, less what the hum adds to the span.
    assert "-24 dB" in text or "-25 dB" in text
    assert not any("hum" in f for f in before.findings)
    assert after.value("treble_s").value == pytest.approx(before.value("treble_s").value, rel=1e-3)


def test_even_order_distortion_and_a_stray_line_are_seen() -> None:
    clean = records(6, periods=12.2, samples=10_000)
    size = float(np.ptp(clean.volts)) / 2
    middle = clean.volts - clean.volts.mean()
    bent = clean.volts + 0.08 * middle**2 / size
    bent = bent + 0.01 * size * np.sin(2 * np.pi * 7130 * clean.time_s)
    verdict = judge_unit(
        [SquareWaveCapture(clean.time_s, bent)], known_exactly(), conditions=CONDITIONS
    )
    # The lines of a spectrum of a top are 0.6 kHz apart, read to a tenth of that.
    assert any(re.search(r"a line at 7\.(0[7-9]|1\d) kHz on the tops", f) for f in verdict.findings)
    assert any("even harmonics" in f for f in verdict.findings)
    assert verdict.decision is Decision.UNDECIDED


def test_ringing_is_described() -> None:
    """A resonance at 45 kHz with Q = 3 in place of the high corner."""
    w = 2 * np.pi * 45e3
    ring = (np.array([1.0]), np.array([1 / w**2, 1 / (3 * w), 1.0]))
    capture = square_capture(
        Unit(high_corner_hz=0.0), np.random.default_rng(2), extra=ring, samples=10_000
    )
    verdict = judge_unit([capture], known_exactly(), conditions=CONDITIONS)
    assert verdict.decision is Decision.FAIL
    # Half the power is left where (1 - x^2)^2 + (x/3)^2 = 2.
    half_power = 45e3 * np.sqrt(((2 - 1 / 9) + np.sqrt((2 - 1 / 9) ** 2 + 4)) / 2)
    assert verdict.value("high_corner_hz").value == pytest.approx(half_power, rel=0.01)
    assert any("second order, Q 3" in f for f in verdict.findings)


def test_duty_and_rise_time_do_no_harm() -> None:
    """A generator with 48 % duty and 2 us edges, given as 2 us +- 0.1 us."""
    rng = np.random.default_rng(8)
    frequency, samples = 200.0, 10_000
    orders = np.arange(1, 4000)
    top, bottom = network_polynomials(VALUES)
    unit_top, unit_bottom = Unit(treble_s=72e-6).polynomials()
    s = 2j * np.pi * frequency * orders
    response = np.polyval(np.polymul(top, unit_top), s) / np.polyval(
        np.polymul(bottom, unit_bottom), s
    )
    wave = 2 * (1 - np.exp(-2j * np.pi * orders * 0.48)) / (1j * np.pi * orders)
    wave = wave * np.sinc(orders * frequency * 2e-6 / 0.8) * response
    period = np.fft.irfft(np.concatenate(([0], wave, np.zeros(2**15))), 2**16) * 2**15
    time = np.arange(samples) * 3.2 / frequency / samples
    volts = np.interp(np.mod(time * frequency, 1.0) * 2**16, np.arange(2**16), period)
    volts = volts + 0.001 * np.ptp(volts) * rng.standard_normal(samples)
    verdict = judge_unit(
        [SquareWaveCapture(time, volts)],
        known_exactly(),
        conditions=CONDITIONS,
        request=JudgeRequest(generator=Generator(2e-6, 1e-7)),
    )
    value = verdict.value("treble_s")
    assert abs(value.value - 72e-6) < 4 * (value.high - value.low) / 3.92
    assert value.value == pytest.approx(72e-6, rel=2e-3)


def test_one_constant_or_one_part_explains() -> None:
    model = unit_model(CURVE)
    frequency = np.geomspace(20, 20e3, 60)
    units = model.start
    assert explain(model, units, frequency) is not None  # everything explains nothing
    units[2] += np.log(0.4)
    explanation = explain(model, units, frequency)
    assert explanation is not None and (explanation.name, explanation.is_part) == (
        "treble_s",
        False,
    )
    assert explanation.ratio == pytest.approx(0.4, rel=1e-3)
    units[0] += 0.8
    units[1] -= 0.7
    assert explain(model, units, frequency) is None


def test_match_of_two_channels() -> None:
    """The network's error is in both and cancels; 2 us of treble is 0.2 dB."""
    known = by_tolerance()
    first, right = (
        judge_unit(
            [square_capture(Unit(treble_s=t), np.random.default_rng(4), bits=12, noise=0.0005)],
            known,
            conditions=CONDITIONS,
        )
        for t in (75e-6, 73e-6)
    )
    match = channel_match(first, right)
    truth = Unit(treble_s=73e-6).deviation_db(match.frequency_hz)
    truth = truth - Unit(treble_s=75e-6).deviation_db(match.frequency_hz)
    treble = match.frequency_hz > 1000
    error = np.abs(match.difference_db - truth)[treble]
    assert np.all(error < 2 * match.expanded_uncertainty_db[treble] + 0.005)
    assert match.expanded_uncertainty_db[-1] < 0.5 * first.deviation.expanded_uncertainty_db[-1]
    assert match.text.startswith(
        f"match of the channels: {match.difference_db[match.largest]:+.2f}"
    )
    assert match.difference_db[match.largest] == pytest.approx(0.2, abs=0.06)
    assert match.gain_difference_db == pytest.approx(0.04, abs=0.03)
    other = judge_unit(
        [records(1)], known, conditions=CONDITIONS, request=JudgeRequest(band_hz=(30, 15e3))
    )
    with pytest.raises(InputError, match="first channel"):
        channel_match(first, other)


def test_batch_keeps_order_and_names_problems() -> None:
    known = known_exactly()
    time = np.arange(4000) * 5e-6
    sine = SquareWaveCapture(time, np.sin(2 * np.pi * 200 * time), name="sine")
    seen: list[tuple[int, int]] = []
    swept = [sweep_capture(Unit(), np.random.default_rng(1))]
    batch = judge_batch(
        {"b": swept, "a": [sine]},
        known,
        conditions=CONDITIONS,
        workers=1,
        progress=lambda done, wanted: seen.append((done, wanted)),
    )
    assert [e.name for e in batch.entries] == ["b", "a"]
    assert seen == [(1, 2), (2, 2)]
    frame = batch.to_frame()
    assert list(frame["verdict"]) == ["pass", "none"]
    assert "without edges" in frame["finding"][1]
    both = judge_batch({"b": swept, "a": [sine]}, known, conditions=CONDITIONS)
    assert both.entries[0].verdict is not None
    assert both.entries[0].verdict.deviation_db == batch.entries[0].verdict.deviation_db  # type: ignore[union-attr]


def test_calibration_of_the_network() -> None:
    """A build swept to 0.003 dB: time constants to 0.1 % where tolerances leave 2 %."""
    rng = np.random.default_rng(12)
    build = VALUES * (1 + np.array([0.008, -0.015, -0.006, 0.02, 0.004, -0.007]))
    frequency = np.geomspace(20, 20e3, 61)
    top, bottom = network_polynomials(build)
    s = 2j * np.pi * frequency
    level = 20 * np.log10(np.abs(np.polyval(top, s) / np.polyval(bottom, s)))
    sweep = SweepCapture(frequency, level + 17.0 + 0.003 * rng.standard_normal(61))
    calibration = calibrate_network(
        sweep, by_tolerance(), conditions=CONDITIONS, level_uncertainty_db=0.003
    )
    for r, c in ((0, 1), (2, 3)):
        expected = build[r] * build[c]
        assert calibration.values[r] * calibration.values[c] == pytest.approx(expected, rel=1e-3)
    assert calibration.consistent and calibration.residual_db < 0.005
    truth = np.interp(np.log(calibration.frequency_hz), np.log(frequency), level)
    ideal = -Unit(low_corner_hz=0, high_corner_hz=0).level_db(calibration.frequency_hz)
    error = truth - ideal
    error = error - np.interp(np.log(1000), np.log(calibration.frequency_hz), error)
    assert np.max(np.abs(calibration.correction_db - error)) < 0.02
    assert np.max(calibration.correction_uncertainty_db) < 0.01
    frame = calibration.to_frame()
    assert list(frame.columns) == ["frequency_hz", "correction_db", "expanded_uncertainty_db"]
    wrong = SweepCapture(frequency, level + 3 * np.log10(frequency))
    tilted = calibrate_network(wrong, by_tolerance(), conditions=CONDITIONS)
    assert not tilted.consistent and np.isnan(tilted.uncertainty).all()
    with pytest.raises(InputError, match="nothing can be fitted"):
        calibrate_network(sweep, known_exactly(), conditions=CONDITIONS)
    assert calibration.estimate.loading == LOADING


@pytest.mark.parametrize(
    ("capture", "says"),
    [
        (lambda: SweepCapture(GRID_HZ, np.full(9, 1e300)), r"level_db: .* within 400 dB of 0"),
        (lambda: SquareWaveCapture(np.arange(99.0), 1e-100 * np.arange(99.0)), "so little"),
        (lambda: judge_unit(SweepCapture(1e9 * GRID_HZ, np.zeros(9)), known_exactly(),
                            conditions=CONDITIONS), "0 frequencies in the band"),
    ],
)  # fmt: skip
def test_what_no_instrument_reads_is_refused(capture: Callable[[], object], says: str) -> None:
    with pytest.raises(InputError, match=says):
        capture()
