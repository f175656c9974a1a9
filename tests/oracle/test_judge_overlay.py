"""Output and stimulus laid over each other: levels against what was simulated."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from playback_units import CONDITIONS, Unit, known_exactly
from two_channel_records import two_channel_record

from antecurve.judge.overlay import Overlay
from antecurve.judge.two_channel import TwoChannelRecord
from antecurve.judge.verdicts import judge_unit

IDEAL = Unit(low_corner_hz=0.0, high_corner_hz=0.0)


def overlay(record: TwoChannelRecord) -> Overlay:
    result = judge_unit(record, known_exactly(), conditions=CONDITIONS).overlay
    assert result is not None
    return result


def within_band(record: TwoChannelRecord, signal: np.ndarray) -> float:
    """Energy of a signal between 20 Hz and 20 kHz."""
    power = np.abs(np.fft.rfft(signal)) ** 2
    frequency = np.fft.rfftfreq(signal.size, 1 / record.rate_hz)
    return float(power[(frequency >= 20) & (frequency <= 20e3)].sum())


def test_an_ideal_unit_differs_by_its_noise() -> None:
    """The difference is the noise that was added, and nothing else is seen."""
    rng = np.random.default_rng(40)
    record = two_channel_record(IDEAL, rng, signal="pink noise", noise_db=-50.0)
    laid = overlay(record)
    # 50 dB below full scale, the share of the band in 48 kHz, against the output's own power.
    share = (20e3 - 20.0) / (record.rate_hz / 2.0)
    noise = 10 ** (-50.0 / 10) * share * record.volts.size**2 / 2.0
    expected = 10 * np.log10(noise / within_band(record, record.volts))
    # 130,000 lines: the level of the noise scatters by 0.02 dB; its own power adds as little.
    assert laid.noise_db == pytest.approx(expected, abs=0.1)
    assert laid.difference_db == pytest.approx(laid.noise_db, abs=0.1)
    assert laid.explained_db < laid.noise_db - 15.0
    assert laid.distortion_db is None


def test_a_wrong_time_constant_is_explained() -> None:
    """The difference of a linear unit is what its response explains, largest in the treble."""
    unit = replace(IDEAL, treble_s=90e-6)
    rng = np.random.default_rng(41)
    laid = overlay(two_channel_record(unit, rng, signal="pink noise", noise_db=-80.0))
    assert laid.explained_db == pytest.approx(laid.difference_db, abs=0.05)
    assert laid.noise_db < laid.difference_db - 20.0
    top = laid.octave_db[laid.octave_hz == 16e3]
    # At 16 kHz: 1 - H with H = (1 + s 75 us)/(1 + s 90 us) over its gain at low frequencies.
    s = 2j * np.pi * 16e3
    ratio = (1 + s * 75e-6) / (1 + s * 90e-6)
    expected = 20 * np.log10(abs(1 - ratio))
    # Gain and delay take a part of it; over an octave it varies by some dB.
    assert top == pytest.approx(expected, abs=4.0)
    assert laid.octave_db[laid.octave_hz == 1000.0] < top


def test_distortion_is_what_grows_with_the_signal() -> None:
    """A square law in the output: its level within 3 dB, noise apart."""
    rng = np.random.default_rng(42)
    record = two_channel_record(IDEAL, rng, signal="music", noise_db=-80.0, bits=24)
    bent = record.volts + 0.02 * (record.volts**2 - np.mean(record.volts**2))
    laid = overlay(TwoChannelRecord(record.rate_hz, record.stimulus, bent, stimulus_at="emf"))
    energy = within_band(record, 0.02 * record.volts**2)
    expected = 10 * np.log10(energy / within_band(record, record.volts))
    assert laid.distortion_db is not None
    assert laid.distortion_db == pytest.approx(expected, abs=3.0)
    assert laid.noise_db < laid.distortion_db


def test_polarity_delay_and_gain() -> None:
    rng = np.random.default_rng(43)
    record = two_channel_record(IDEAL, rng, signal="white noise", noise_db=-80.0)
    late = np.concatenate([np.zeros(48), record.volts[:-48]])
    laid = overlay(record)
    turned = overlay(
        TwoChannelRecord(record.rate_hz, record.stimulus, -2.0 * late, stimulus_at="emf")
    )
    assert turned.polarity == -laid.polarity
    assert turned.delay_s - laid.delay_s == pytest.approx(48 / record.rate_hz, abs=1e-8)
    assert turned.gain_db - laid.gain_db == pytest.approx(20 * np.log10(2.0), abs=0.01)
    assert "upside down" in (laid.text + turned.text)
