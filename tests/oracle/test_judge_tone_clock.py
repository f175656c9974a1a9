"""Clocks that differ, drift or stop amid tones that last, against sums of sines in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from playback_units import CONDITIONS, VALUES, Unit, known_exactly, network_polynomials
from scipy.signal import max_len_seq

from antecurve.errors import InputError
from antecurve.judge.capture import ObservationSettings
from antecurve.judge.tone_clock import tone_delays
from antecurve.judge.two_channel import TwoChannelRecord
from antecurve.judge.two_channel_observation import TwoChannelObservation

RATE_HZ, SAMPLES = 48_000.0, 60_000
UNIT = Unit(treble_s=77e-6)
SQUARE = 200.0 * np.arange(1.0, 110.0, 2.0), 1.0 / np.arange(1.0, 110.0, 2.0)
MULTITONE = np.rint(4.0 * 15.0 * 2.0 ** (np.arange(62) / 6.0)) / 4.0, np.ones(62)


def path(frequency: np.ndarray) -> np.ndarray:
    """Network and unit by their polynomials."""
    s = 2j * np.pi * frequency
    pairs = (network_polynomials(VALUES), UNIT.polynomials())
    return np.prod([np.polyval(top, s) / np.polyval(bottom, s) for top, bottom in pairs], axis=0)


def record(
    tones: tuple[np.ndarray, np.ndarray], output_s: np.ndarray, *, noise: float = 1e-5
) -> TwoChannelRecord:
    """Tones as a file holds them, and behind network and unit at other times [s]."""
    frequency, size = tones
    rng = np.random.default_rng(1)
    phase = rng.uniform(0, 2 * np.pi, size.size) * (size.min() == 1.0) - np.pi / 2
    response = path(frequency)
    channels = []
    for time, factor in ((np.arange(SAMPLES) / RATE_HZ, 0j + size), (output_s, size * response)):
        total = np.zeros(time.size)
        for f, p, a in zip(frequency, phase, factor, strict=True):
            total += np.abs(a) * np.cos(2 * np.pi * f * time + p + np.angle(a))
        channels.append(total / np.abs(total).max())
    channels[1] = channels[1] + noise * rng.standard_normal(output_s.size)
    return TwoChannelRecord(RATE_HZ, *channels, stimulus_at="emf", two_clocks=True, from_file=True)


def observed(made: TwoChannelRecord) -> TwoChannelObservation:
    return made.observation(ObservationSettings(20e3, CONDITIONS.curve, known_exactly()))


PLACES = np.arange(SAMPLES) / RATE_HZ


@pytest.mark.parametrize(
    ("tones", "ppm"), [(SQUARE, 20), (SQUARE, 100), (SQUARE, 500), (MULTITONE, -20), (SQUARE, 0)]
)
def test_a_constant_difference_is_taken_out(
    tones: tuple[np.ndarray, np.ndarray], ppm: float
) -> None:
    """To a tenth of a millionth, and the levels up to 20 kHz to 0.002 dB, as without it.

    20 ppm were refused as a drift, 500 ppm as an interruption; delay and polarity are those drawn.
    """
    observation = observed(record(tones, PLACES * (1.0 + 1e-6 * ppm) - 1.0e-3))
    alignment = observation.channels.alignment
    assert alignment.clock_ratio == pytest.approx(1.0 / (1.0 + 1e-6 * ppm) - 1.0, abs=1e-7)
    assert alignment.polarity == 1
    # From the delay at the start to the middle of the record, the phase of corners apart.
    at_middle_s = 1.0e-3 - 1e-6 * ppm * PLACES[-1] / 2.0
    assert alignment.delay_s == pytest.approx(at_middle_s, abs=2e-5)
    middle = observation.estimate.middle_hz
    told = middle > 1500.0  # below, tones stand away from the middle of their band
    s = 2j * np.pi * middle[told]
    ideal = (1 + s * 318e-6) / ((1 + s * 3180e-6) * (1 + s * 75e-6))
    top, bottom = UNIT.polynomials()
    truth = np.log(np.abs(np.polyval(top, s) / np.polyval(bottom, s) / ideal))
    off_db = 8.686 * (np.log(np.abs(observation.estimate.ratio[told])) - truth)
    assert np.ptp(off_db) < 0.004


@pytest.mark.parametrize(("samples", "says"), [(0.3, "to and fro by"), (12.0, "to and fro")])
def test_clocks_that_drift_are_refused_as_such(samples: float, says: str) -> None:
    """To and fro by a part of a sample or by many, beside a constant difference."""
    course = samples / RATE_HZ * np.sin(4 * np.pi * np.arange(SAMPLES) / SAMPLES)
    with pytest.raises(InputError, match=f"clocks that drift: .*{says}"):
        observed(record(SQUARE, PLACES * (1.0 + 50e-6) + course))


@pytest.mark.parametrize(
    ("tones", "missing", "says"),
    [
        (MULTITONE, 400, r"8.33 ms missing at 0\.\d+ s, give or take whole periods"),
        (MULTITONE, 24, r"0.5 ms missing at 0\.\d+ s, give or take whole periods"),
        # Half a period later a square wave is its own, upside down.
        (SQUARE, 50, r"samples are missing at 0\.\d+ s'"),
    ],
)
def test_of_a_gap_amid_tones_what_can_be_known_is_said(
    tones: tuple[np.ndarray, np.ndarray], missing: int, says: str
) -> None:
    places = PLACES + np.where(np.arange(SAMPLES) > 33_000, missing, 0) / RATE_HZ
    with pytest.raises(InputError, match=f"an interrupted record: {says}"):
        observed(record(tones, places * (1.0 + 20e-6)))


def test_noise_and_notes_are_no_lasting_tones() -> None:
    noise = 2.0 * max_len_seq(16)[0][:SAMPLES] - 1.0
    notes = np.cos(2 * np.pi * 440.0 * PLACES) * (np.mod(PLACES, 1.0) < 0.4)
    for signal in (noise, notes):
        assert tone_delays(signal, signal, RATE_HZ) is None
