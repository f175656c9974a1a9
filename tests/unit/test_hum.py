"""Hum and drift: mains told apart, lines with priors, and what is not claimed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from playback_units import Unit, square_capture

from antecurve.judge.hum import hum_of_records, interferences
from antecurve.judge.interference import NOTHING_ELSE, Hum, Interference
from antecurve.judge.periodic import harmonic_basis
from antecurve.judge.record import prepare_record
from antecurve.judge.remainder import Remainder, least_squares
from antecurve.judge.square_wave import SquareWaveCapture
from long_form import few

HIGHEST_HZ = 20e3


def remainder(
    rng: np.random.Generator,
    *,
    hum_v: float = 0.0,
    mains_hz: float = 50.0,
    drift: float = 0.0,
    frequency: float = 203.0,
    length_s: float = 0.1,
    samples: int = 6000,
) -> Remainder:
    """A record of a unit with hum at the mains frequency and three times it, and a drift.

    The hum and the drift are given as shares of the swing.
    """
    clean = square_capture(
        Unit(), rng, frequency=frequency, periods=length_s * frequency, samples=samples, bits=0
    )
    time, span = clean.time_s - clean.time_s[0], np.ptp(clean.volts)
    volts = clean.volts + drift * span * np.exp(-time / length_s)
    for multiple, share in ((1, 1.0), (3, 0.4)):
        phase = rng.uniform(0, 2 * np.pi)
        volts = volts + hum_v * share * span * np.sin(
            2 * np.pi * multiple * mains_hz * time + phase
        )
    return reduced(SquareWaveCapture(clean.time_s, volts, name="record"))


def reduced(capture: SquareWaveCapture, interference: Interference = NOTHING_ELSE) -> Remainder:
    basis = harmonic_basis(
        prepare_record(capture, highest_hz=HIGHEST_HZ),
        highest_hz=HIGHEST_HZ,
        name="record",
        interference=interference,
    )
    return Remainder(basis, basis.record.volts)


def test_mains_are_never_said_flatly_and_wrong() -> None:
    """Records of 60 to 120 ms with hum of -36 dB, the mains off by 0.1 % (one sigma).

    Power of 30: were one flat statement in ten wrong, all would be right with a chance of 5 %.
    """
    told, records = 0, few(10, of=30)
    for seed in range(records):
        rng = np.random.default_rng([3, seed])
        nominal = float(rng.choice([50.0, 60.0]))
        mains = nominal * (1 + 0.001 * rng.standard_normal())
        given = remainder(
            rng, hum_v=0.008, mains_hz=mains, length_s=rng.uniform(0.06, 0.12), drift=0.01
        )
        hum = hum_of_records([given])
        assert hum is not None
        told += hum.told
        assert not hum.told or hum.mains_hz == nominal
    assert told >= 5 * records // 6


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
def test_a_record_below_one_period_tells_no_mains(mains_hz: float) -> None:
    """13 ms: 0.65 and 0.78 periods.  Given, the mains frequency is believed."""
    for seed in range(3):
        short = remainder(
            np.random.default_rng([4, seed]), hum_v=0.02, mains_hz=mains_hz, length_s=0.013
        )
        hum = hum_of_records([short])
        if hum is not None:
            assert not hum.told or hum.mains_hz == mains_hz
        known = hum_of_records([short], mains_hz=mains_hz)
        if known is not None:
            assert known.told and known.mains_hz == mains_hz


def test_the_longest_record_tells_for_the_short_one() -> None:
    rng = np.random.default_rng(5)
    short = remainder(rng, hum_v=0.02, length_s=0.013)
    long = remainder(rng, hum_v=0.02, length_s=0.2, frequency=23.0, samples=8000)
    hum = hum_of_records([short, long])
    assert hum is not None and hum.told and hum.mains_hz == 50.0
    span = np.ptp(long.basis.record.volts)
    # A line of 2 % of the swing: each component has half of its square as variance; two records
    # of two components each estimate it, chi-square of four: within a factor of 3, 99 %.
    spread = hum.spread_v[hum.line_hz.index(min(hum.line_hz))]
    assert 0.014 * span / 3 < spread < 0.014 * span * 3


def test_clean_records_hold_nothing_else() -> None:
    """At most 3 of 20 hold what looks like hum or drift; the rate of 2 in 60 gives 0.7."""
    seen = 0
    for seed in range(20):
        given = remainder(np.random.default_rng([6, seed]))
        seen += interferences([given])[0] is not NOTHING_ELSE
    assert seen <= 3


def test_noise_like_1_over_f_is_not_said_to_be_hum() -> None:
    """White noise filtered to 1/f power, 1 % of the swing; beside it, hum as strong stands out."""
    rng = np.random.default_rng(8)
    for hum_v in (0.0, 0.03):
        given = remainder(rng, hum_v=hum_v, length_s=0.2, frequency=23.0, samples=8000)
        spectrum = np.fft.rfft(rng.standard_normal(16_000))
        pink = np.fft.irfft(spectrum / np.sqrt(np.maximum(np.arange(spectrum.size), 1.0)))[:8000]
        volts = given.volts + 0.01 * np.ptp(given.volts) * pink / np.std(pink)
        hum = hum_of_records([Remainder(given.basis, volts)])
        assert hum is not None and hum.stands_out is (hum_v > 0.0)


def test_a_line_on_a_harmonic_widens_it_and_no_other() -> None:
    """The variance of an amplitude is 2/n beside noise 1; the line's own variance adds to it.

    Normal equations of orthogonal columns: Golub and Van Loan, 5.3.
    """
    capture = square_capture(
        Unit(), np.random.default_rng(7), frequency=50.0, periods=6.0, samples=6000, bits=0
    )
    plain = reduced(capture).basis
    fundamental = plain.record.frequency_hz
    noise, spread = 1e-3, 5e-3
    hum = Hum(50.0, True, (fundamental, 4.5 * fundamental), (spread, spread))
    wide = reduced(capture, Interference(hum, noise)).basis
    added = wide.variances() - plain.variances()
    assert added[0] == pytest.approx((spread / noise) ** 2, rel=0.02)
    # The line between harmonics is told from them over six periods: each gets little of it.
    assert np.all(added[1:] < 0.02 * plain.variances()[1:] * capture.time_s.size / 2)
    assert np.all(added[1:] < 1e-3 * (spread / noise) ** 2)


def test_drift_is_a_term_of_its_own() -> None:
    given = remainder(np.random.default_rng(8), drift=0.03)
    beside = interferences([given])[0]
    assert beside.hum is None and beside.drift_order >= 2
    record = given.basis.record
    again = replace(given.basis, interference=beside)
    taken = again.moved(0.0, again.frequency_step(record.volts)[1], name="record")
    amplitudes, covariance = taken.interference_amplitudes(record.volts)
    # exp(-x) from 0 to 1 as a Legendre series, by least squares on a fine grid (numpy).
    position = np.linspace(-1.0, 1.0, 2001)
    series = np.polynomial.legendre.legfit(position, np.exp(-(position + 1) / 2), 6)
    expected = 0.03 / (1 + 0.03) * np.ptp(record.volts) * series[1:3]
    # The swing of the record includes some of the drift: 3 %, and 4 standard deviations.
    reach = 4 * taken.reduced_with_noise(record.volts)[1] * np.sqrt(np.diag(covariance))[:2]
    assert np.all(np.abs(amplitudes[:2] - expected) < 0.04 * np.abs(expected) + reach)


def test_normal_equations_that_no_routine_settles_are_solved_at_unit_size(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A finite matrix of 92 lines of buzz once ended in "SVD did not converge"."""
    plain = np.linalg.lstsq

    def unsettled(matrix: np.ndarray, right: np.ndarray, rcond: float) -> object:
        if np.abs(matrix).max() > 1.0:
            raise np.linalg.LinAlgError("SVD did not converge")
        return plain(matrix, right, rcond=rcond)

    monkeypatch.setattr(np.linalg, "lstsq", unsettled)
    solution = least_squares(np.diag([4e6, 8e6, 0.0]), np.array([4e6, 4e6, 0.0]))
    assert solution == pytest.approx([1.0, 0.5, 0.0])
