"""Two-channel records of any signal against the unit that was simulated.

The signals go through network and unit by numpy's Fourier transform; 16 bits, noise 60 dB below
full scale in the output.
"""

from __future__ import annotations

import numpy as np
import pytest
from playback_units import CONDITIONS, Unit, known_exactly, random_unit
from two_channel_records import RATE_HZ, SIGNALS, two_channel_record

from antecurve.errors import InputError
from antecurve.judge.capture import ObservationSettings
from antecurve.judge.two_channel import TwoChannelRecord
from antecurve.judge.two_channel_observation import TwoChannelObservation
from antecurve.judge.verdicts import judge_unit

QUIET = ("log sweep", "sine steps")


def observed(record: TwoChannelRecord) -> TwoChannelObservation:
    """The record as the fit sees it."""
    return record.observation(ObservationSettings(50e3, CONDITIONS.curve, known_exactly()))


@pytest.mark.parametrize("stimulus_at", ["emf", "generator", "input"])
@pytest.mark.parametrize("signal", SIGNALS)
def test_constants_and_curve(signal: str, stimulus_at: str) -> None:
    """Every signal, wherever the stimulus is taken, tells the unit to the uncertainty stated."""
    rng = np.random.default_rng([16, len(signal), len(stimulus_at)])
    unit = random_unit(rng)
    record = two_channel_record(
        unit, rng, signal=signal, stimulus_at=stimulus_at, quiet_s=0.2 * (signal in QUIET)
    )
    verdict = judge_unit(record, known_exactly(), conditions=CONDITIONS)
    deviation = verdict.deviation
    off = np.abs(deviation.deviation_db - unit.deviation_db(deviation.frequency_hz))
    # Twice the 95 % uncertainty is passed once in 11,000 by a normal error; beside it the floor
    # of 0.001 dB that an estimate states for itself.
    assert np.all(off <= 2.0 * deviation.expanded_uncertainty_db + 0.001)
    assert off.max() < 0.05
    for name in ("bass_shelf_s", "turnover_s", "treble_s"):
        fitted, truth = verdict.value(name), getattr(unit, name)
        reach = fitted.high - fitted.low
        assert fitted.low - 0.5 * reach <= truth <= fitted.high + 0.5 * reach


def test_ratios_scatter_as_stated() -> None:
    """Ratios less the truth over their standard deviations: mean square 1 for noise alone."""
    unit, squares = Unit(), []
    for seed in range(6):
        rng = np.random.default_rng([17, seed])
        record = two_channel_record(unit, rng, signal="pink noise", noise_db=-45.0)
        estimate = observed(record).estimate
        above, below = unit.polynomials()
        middle = (estimate.low_hz + estimate.high_hz) / 2.0
        s = 2j * np.pi * middle
        ideal = (1 + s * 318e-6) / ((1 + s * 3180e-6) * (1 + s * 75e-6))
        truth = np.polyval(above, s) / np.polyval(below, s) / ideal
        error = np.log(np.abs(estimate.ratio / truth))
        told = middle > 200.0  # below, the low corner bends the ratio within a band
        error = error[told] - np.average(error[told], weights=1 / estimate.variance[told])
        squares.append(np.mean(error**2 / estimate.variance[told]))
    # Some 90 bands in each of six records: the mean square has a standard deviation of 0.06;
    # alpha of four of them is 1e-4, and variances wrong by a half fail surely.
    assert np.mean(squares) == pytest.approx(1.0, abs=0.25)


def test_clocks_that_differ_are_taken_out() -> None:
    rng = np.random.default_rng(18)
    unit = Unit(treble_s=77e-6)
    record = two_channel_record(unit, rng, signal="white noise", clock=40e-6)
    observation = observed(record)
    # Each of eight segments tells its delay to 0.2 us, so the slope to 7e-8 over three seconds;
    # less than four standard deviations is left in.
    assert observation.channels.alignment.clock_ratio == pytest.approx(-40e-6, abs=3e-7)
    verdict = judge_unit(record, known_exactly(), conditions=CONDITIONS)
    assert verdict.value("treble_s").value == pytest.approx(77e-6, rel=2e-3)


@pytest.mark.parametrize(("signal", "clock"), [("log sweep", 200e-6), ("sine steps", -60e-6)])
def test_clocks_of_a_sweep_are_taken_out(signal: str, clock: float) -> None:
    """Each frequency sounds once, at another delay: the fit settles what the delays leave."""
    record = two_channel_record(
        Unit(treble_s=77e-6), np.random.default_rng(26), signal=signal, clock=clock, quiet_s=0.2
    )
    verdict = judge_unit(record, known_exactly(), conditions=CONDITIONS)
    treble = verdict.value("treble_s")
    assert treble.low <= 77e-6 <= treble.high and treble.value == pytest.approx(77e-6, rel=2e-3)
    assert verdict.deviation.expanded_uncertainty_db.max() < 0.05


@pytest.mark.parametrize("channel", ["stimulus", "output"])
@pytest.mark.parametrize("signal", ["multitone", "log sweep"])
def test_a_click_is_left_out(signal: str, channel: str) -> None:
    """One sample off by a tenth of full scale: by itself it fails a sound unit at 20 kHz."""
    unit = Unit()
    record = two_channel_record(
        unit, np.random.default_rng(27), signal=signal, quiet_s=0.2, noise_db=-70.0
    )
    samples = {"stimulus": record.stimulus.copy(), "output": record.volts.copy()}
    samples[channel][90_000] += 0.1
    clicked = TwoChannelRecord(
        RATE_HZ, samples["stimulus"], samples["output"], stimulus_at="emf", name="record"
    )
    assert observed(clicked).clicks_s == pytest.approx([90_000 / RATE_HZ], abs=0.004)
    deviation = (verdict := judge_unit(clicked, known_exactly(), conditions=CONDITIONS)).deviation
    off = np.abs(deviation.deviation_db - unit.deviation_db(deviation.frequency_hz))
    assert off.max() < 0.01  # what is replaced is a hundredth of the record
    assert any("a click at 0.9" in text for text in verdict.findings)


@pytest.mark.parametrize("signal", ["multitone", "log sweep", "music"])
def test_flat_tops_are_refused(signal: str) -> None:
    """The output clipped at 60 % of its peak, far below full scale, with noise on its tops."""
    record = two_channel_record(
        Unit(), np.random.default_rng(28), signal=signal, quiet_s=0.2, noise_db=-60.0
    )
    level = 0.6 * np.abs(record.volts).max()
    noise = 1e-3 * np.random.default_rng(29).standard_normal(record.volts.size)
    clipped = np.clip(record.volts, -level, level) + noise
    with pytest.raises(InputError, match=r"a clipped record, flat at 0\.4"):
        observed(TwoChannelRecord(RATE_HZ, record.stimulus, clipped, stimulus_at="emf"))


def test_a_straight_loop_beside_the_played_file_is_no_wrong_wire() -> None:
    one, _ = channels()
    assert TwoChannelRecord(RATE_HZ, one, 2.0 * one, stimulus_at="emf", two_clocks=True)


def test_what_the_signal_does_not_reach_is_not_claimed() -> None:
    """A record of a dull signal has no ratio where its stimulus is below the noise."""
    rng = np.random.default_rng(19)
    record = two_channel_record(Unit(), rng, signal="music", noise_db=-50.0)
    estimate = observed(record).estimate
    assert np.all(estimate.variance <= 0.12**2)
    assert estimate.high_hz.max() < 40e3


def channels(count: int = 48_000) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(20)
    one = rng.standard_normal(count)
    return one, np.convolve(one, [0.5, 0.3, 0.1])[:count] + 0.1 * rng.standard_normal(count)


def test_useless_channels_are_refused_in_a_sentence() -> None:
    one, other = channels()
    with pytest.raises(InputError, match="silence"):
        TwoChannelRecord(RATE_HZ, one, np.zeros_like(one))
    with pytest.raises(InputError, match="same signal"):
        TwoChannelRecord(RATE_HZ, one, 2.0 * one)
    with pytest.raises(InputError, match="equal length"):
        TwoChannelRecord(RATE_HZ, one, other[:-1])
    with pytest.raises(InputError, match="sampling rate"):
        judge_unit(TwoChannelRecord(32e3, one, other), known_exactly(), conditions=CONDITIONS)
    unrelated = np.random.default_rng(21).standard_normal(one.size)
    with pytest.raises(InputError, match="follows the stimulus"):
        observed(TwoChannelRecord(RATE_HZ, one, unrelated))


def test_swapped_channels_are_named() -> None:
    rng = np.random.default_rng(22)
    record = two_channel_record(Unit(), rng, signal="white noise", stimulus_at="input")
    with pytest.raises(InputError, match="wrong way round"):
        observed(TwoChannelRecord(RATE_HZ, record.volts, record.stimulus, stimulus_at="input"))


def test_a_sweep_with_an_output_for_its_stimulus_is_refused() -> None:
    """From generator to output a bench is nearly flat: the noise tells which channel is which."""
    record = two_channel_record(
        Unit(), np.random.default_rng(25), signal="log sweep", quiet_s=0.2, seconds=1.0
    )
    swapped = TwoChannelRecord(RATE_HZ, record.volts, record.stimulus, stimulus_at="emf")
    with pytest.raises(InputError, match="wrong way round"):
        observed(swapped)


def test_a_sweep_at_the_edge_of_the_record_is_refused() -> None:
    record = two_channel_record(Unit(), np.random.default_rng(23), signal="log sweep")
    with pytest.raises(InputError, match="silence before the sweep"):
        observed(record)


def test_columns_of_a_file() -> None:
    one, other = channels(5000)
    columns = {"time_s": np.arange(5000) / 48e3, "stimulus": one, "volts": other}
    record = TwoChannelRecord.from_columns(columns, "record.csv")
    assert record.rate_hz == pytest.approx(48e3) and record.name == "record.csv"
    columns["time_s"] = np.where(columns["time_s"] > 0.05, 0.01, 0.0) + columns["time_s"]
    with pytest.raises(InputError, match="evenly spaced"):
        TwoChannelRecord.from_columns(columns, "record.csv")
