"""Output and stimulus laid over each other: levels against what was simulated."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from playback_units import CONDITIONS, VALUES, Unit, known_exactly, network_polynomials
from two_channel_records import SIGNALS, two_channel_record
from unfit_records import log_response

from antecurve.judge.capture import ObservationSettings
from antecurve.judge.observation import Prediction
from antecurve.judge.overlay import Overlay
from antecurve.judge.two_channel import TwoChannelRecord
from long_form import few

IDEAL = Unit(low_corner_hz=0.0, high_corner_hz=0.0)


def overlay(record: TwoChannelRecord, unit: Unit = IDEAL) -> Overlay:
    """Overlay a record as a verdict does, with the true response in place of a fit.

    Verdicts with an overlay: `test_judge_two_channel.py`, `test_judge_played_signal.py`.
    """
    observation = record.observation(ObservationSettings(50e3, CONDITIONS.curve, known_exactly()))
    response = log_response([network_polynomials(VALUES), unit.polynomials()])
    return observation.overlay(Prediction(np.zeros(2), 0.0, response), CONDITIONS.band_hz)


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
    laid = overlay(two_channel_record(unit, rng, signal="pink noise", noise_db=-80.0), unit)
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
    assert "output 4 µs early" in replace(laid, delay_s=-4e-6).text
    assert "output 1.234 ms late" in replace(laid, delay_s=1.2341e-3).text


def stepped_noise(time: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Pink noise whose level changes by up to 18 dB every quarter of a second."""
    level = np.repeat(2.0 ** -rng.integers(0, 4, 4 * int(time[-1] + 1)), time.size // 24 + 1)
    return SIGNALS["pink noise"](time, rng) * level[: time.size]


def test_octaves_are_split_into_what_they_hold(monkeypatch: pytest.MonkeyPatch) -> None:
    """A treble error, hum of 50 Hz and a square law: each in the octave that it belongs to."""
    monkeypatch.setitem(SIGNALS, "stepped noise", stepped_noise)
    rng = np.random.default_rng(44)
    unit = replace(IDEAL, treble_s=90e-6)
    record = two_channel_record(
        unit, rng, signal="stepped noise", noise_db=-80.0, bits=24, seconds=6.0
    )
    hum = 1e-3 * np.sin(2 * np.pi * 50.0 * np.arange(record.volts.size) / record.rate_hz)
    bent = record.volts + 0.02 * record.volts**2 + hum
    laid = overlay(TwoChannelRecord(record.rate_hz, record.stimulus, bent, stimulus_at="emf"), unit)

    def octave(levels: np.ndarray, centre_hz: float) -> float:
        return float(levels[laid.octave_hz == centre_hz][0])

    def energy(signal: np.ndarray, centre_hz: float) -> float:
        power = np.abs(np.fft.rfft(signal)) ** 2
        frequency = np.fft.rfftfreq(signal.size, 1 / record.rate_hz) / centre_hz
        return float(power[(frequency >= 0.5**0.5) & (frequency < 2**0.5)].sum())

    # Levels re the output of an ideal unit, which the treble error moves by 1.5 dB at most.
    low = 10 * np.log10(energy(hum, 62.5) / energy(bent, 62.5))
    assert octave(laid.octave_noise_db, 62.5) == pytest.approx(low, abs=1.0)
    assert octave(laid.octave_explained_db, 16e3) == pytest.approx(
        octave(laid.octave_db, 16e3), abs=0.1
    )
    # One gain for the whole band: the bass is off by what the treble is too weak.
    assert octave(laid.octave_explained_db, 1e3) < octave(laid.octave_explained_db, 16e3)
    # Sixty frames of normal noise: the power of the law in one octave scatters by 1 dB.
    middle = 10 * np.log10(energy(0.02 * record.volts**2, 1e3) / energy(bent, 1e3))
    assert octave(laid.octave_distortion_db, 1e3) == pytest.approx(middle, abs=3.0)
    record_of_octaves = laid.to_dict()["octaves"]
    assert isinstance(record_of_octaves, list) and len(record_of_octaves) == laid.octave_hz.size


def test_noise_alone_is_no_distortion_in_any_octave() -> None:
    rng = np.random.default_rng(45)
    seen = 0
    for _ in range(few(1, of=2)):
        record = two_channel_record(IDEAL, rng, signal="music", seconds=3.0, noise_db=-60.0)
        seen += int(np.count_nonzero(~np.isnan(overlay(record).octave_distortion_db)))
    # Of twenty octaves at four standard deviations: one in two thousand tests by chance.
    assert seen == 0
