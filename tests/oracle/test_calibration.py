"""Calibration of simulated builds: coverage of the intervals, parts outside, loads of the sweep.

The sweeps come from a nodal solve of the elements, a path that shares nothing with the fit.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from bench_networks import network_of, position
from calibration_coverage import (
    BUILDS,
    CASES,
    DRAWN,
    EDGE,
    FREQUENCY,
    Floats,
    calibrated,
    drawn_values,
    level_db,
    stored,
)
from nodal import solve_cards
from playback_units import (
    CONDITIONS,
    LOADING,
    TOPOLOGY,
    VALUES,
    Unit,
    by_tolerance,
    picked_network,
)
from playback_units import drawn_values as random_build
from scipy.stats import binom
from two_channel_records import two_channel_record

from antecurve.errors import InputError
from antecurve.judge.calibration import Calibration, calibrate_network
from antecurve.judge.network_estimate import estimate_by_tolerance
from antecurve.judge.sweep import SweepCapture
from antecurve.networks.compiled import transfer_coefficients
from long_form import few

NOISE_DB = 0.02


def levels_db(values: Floats) -> Floats:
    return level_db(CASES["foster"], values, FREQUENCY)


def _calibrated(levels: Floats, rng: np.random.Generator, **given: float) -> Calibration:
    swept = levels + 3.0 + NOISE_DB * rng.standard_normal(FREQUENCY.size)
    return calibrate_network(
        SweepCapture(FREQUENCY, swept),
        by_tolerance(),
        conditions=CONDITIONS,
        level_uncertainty_db=NOISE_DB,
        **given,
    )


def _held(builds: str, *, corrections: bool, design: str = "") -> float:
    rows = [
        row
        for row in stored()
        if row.builds == builds
        and row.ref.endswith("Hz") == corrections
        and row.design in (design or row.design)
    ]
    assert len({(row.design, row.seed) for row in rows}) == BUILDS * (1 if design else len(CASES))
    return sum(row.held for row in rows) / len(rows)


@pytest.mark.parametrize("design", CASES)
@pytest.mark.parametrize("builds", DRAWN)
def test_intervals_hold_93_to_97_per_cent(builds: str, design: str) -> None:
    """Of parts as the job draws them, and of parts all at 80 to 100 % of their tolerance.

    Of intervals with a normal prior 79 to 87 % held parts at the edge, of the middle 95 % of the
    posterior 75 to 82 %.  With three independent values a build, by judgement, a coverage of
    95 % fails here in one study of twenty, one of 91 or of 99 % passes in one of fifty.
    """
    assert 0.93 <= _held(builds, corrections=False, design=design) <= 0.97


def test_corrections_hold_93_to_97_per_cent() -> None:
    """Parts as the job draws them; of batches at the edge the posterior holds 93.1 %."""
    assert 0.93 <= _held("within", corrections=True) <= 0.97


@pytest.mark.sweep(1)
@pytest.mark.parametrize("design", CASES)
def test_stored_study_is_of_this_calibration(design: str) -> None:
    """One build of each kind again.

    A fit ends where a step gains a millionth of chi-square, some 4e-5 of 41 levels: it may stop
    0.006 standard deviations off the minimum, to either side as rounding has it.  That is 0.01 %
    of a part of 2.5 %; two fits differ by twice as much.  Corrections are means over 200 chains of
    draws about it, whose axes turn with rounding.  Over twelve seeds they scatter by 1 % of their
    uncertainty, and that by 1.2 % (at most 1.7 %): two differ by up to 8 %, four deviations.

    Of the tape's network two combinations are seen alike, so that rounding turns the axes of the
    noise that is drawn.  A 95th percentile of 5,000 draws scatters by 0.026 standard deviations,
    sqrt(0.95 0.05/5000) over the density there: two differ by up to 0.15, four deviations.
    """
    for builds in DRAWN:
        kept = [
            row for row in stored() if (row.design, row.builds, row.seed) == (design, builds, 1)
        ]
        for row, other in zip(calibrated(design, builds, 1), kept, strict=True):
            assert row.ref == other.ref
            turned = 0.15 * (other.high - other.low) / 3.92 if design == "tape" else 0.0
            atol = 0.08 * other.high if row.ref.endswith("Hz") else max(0.02, turned)
            assert row.truth == pytest.approx(other.truth, abs=atol)
            np.testing.assert_allclose((row.low, row.high), (other.low, other.high), atol=atol)


def test_a_value_seen_very_well_has_a_narrow_interval_that_holds_it() -> None:
    """Noise of 0.1 mdB: products R C of a pair are seen to a thousandth of the tolerance."""
    tight = estimate_by_tolerance(
        network_of(
            position("R1", ("in", "out"), 10e3, tolerance=0.05),
            position("C1", ("out", "0"), 10e-9, tolerance=1e-6),
        ),
        loading=LOADING,
    )
    build, sigma_db = 10.31e3, 1e-4
    levels = solve_cards(
        [
            ("R1", "in", "out", build),
            ("C1", "out", "0", 10e-9),
            ("RSOURCE", "drive", "in", LOADING.source_resistance),
            ("RLOAD", "out", "0", LOADING.load_resistance),
            ("CLOAD", "out", "0", LOADING.load_capacitance),
        ],
        FREQUENCY,
    )
    noise = sigma_db * np.random.default_rng(8).standard_normal(FREQUENCY.size)
    swept = SweepCapture(FREQUENCY, 20 * np.log10(np.abs(levels)) + noise)
    answer = calibrate_network(
        swept, tight, conditions=CONDITIONS, level_uncertainty_db=5 * sigma_db
    )
    assert answer.low[0] < build < answer.high[0]
    assert answer.high[0] - answer.low[0] < 0.002 * build


@pytest.mark.parametrize("tolerance", [0.05, 0.1])
def test_a_part_at_its_lower_limit_is_within_its_tolerance(tolerance: float) -> None:
    """Limits are those of the value: 1 - t is farther from 1 in the logarithm than 1 + t."""
    wide = estimate_by_tolerance(
        network_of(
            *(
                position(e.ref, e.nodes, v, tolerance=tolerance)
                for e, v in zip(TOPOLOGY.elements, VALUES, strict=True)
            )
        ),
        loading=LOADING,
    )
    build = VALUES * (1.0 - 0.999 * tolerance * np.array([1, 0, 1, 0, 1, 1]))
    swept = SweepCapture(FREQUENCY, levels_db(build))
    answer = calibrate_network(swept, wide, conditions=CONDITIONS)
    assert answer.consistent
    assert np.all(answer.low[[0, 2]] <= build[[0, 2]])
    assert np.all(answer.low >= VALUES * (1.0 - tolerance) * (1.0 - 1e-9))
    assert np.all(answer.high <= VALUES * (1.0 + tolerance) * (1.0 + 1e-9))


@pytest.mark.seldom
def test_normal_parts_have_the_interval_of_their_posterior() -> None:
    """Parts with tolerance = 3 sigma: the value in no fewer than chance allows, and narrower."""
    network = replace(by_tolerance(), uniform=np.zeros(by_tolerance().sources, dtype=bool))
    rng = np.random.default_rng(29)
    covered, widths = 0, []
    for _ in range(12):
        sources = np.clip(rng.standard_normal(network.sources), -3.0, 3.0)
        values = VALUES * np.exp(network.errors[:6] @ sources)
        swept = SweepCapture(FREQUENCY, levels_db(values) + NOISE_DB * rng.standard_normal(41))
        answer = calibrate_network(
            swept, network, conditions=CONDITIONS, level_uncertainty_db=NOISE_DB
        )
        covered += int(np.sum((answer.low <= values) & (values <= answer.high)))
        widths.append((answer.high - answer.low) / answer.values / 2.0)
    # The elements of a build hang together; three of them count, by judgement.
    assert covered / 72 >= binom.ppf(0.001, 36, 0.95) / 36
    assert np.all(np.mean(widths, axis=0) < 2.0 * np.linalg.norm(network.errors[:6], axis=1))


@pytest.mark.sweep(2)
@pytest.mark.parametrize(("index", "off"), [(1, 0.06), (3, -0.07), (0, 0.05), (2, 0.05)])
def test_a_part_outside_its_tolerance_is_named(index: int, off: float) -> None:
    values = VALUES.copy()
    values[index] *= 1.0 + off
    answer = _calibrated(levels_db(values), np.random.default_rng(3))
    assert not answer.consistent
    assert np.isnan(answer.uncertainty).all() and np.isnan(answer.correction_uncertainty_db).all()
    named = {one.name: one for one in answer.outside}
    ref = TOPOLOGY.elements[index].ref
    assert ref in named
    one = named[ref]
    assert one.low <= values[index] <= one.high
    assert abs(one.value / one.nominal - 1) > one.tolerance
    assert f"{ref} is outside its tolerance" in " ".join(answer.findings)


@pytest.mark.seldom
def test_two_parts_outside_are_named() -> None:
    values = VALUES.copy()
    values[1] *= 1.08
    values[3] *= 0.92
    answer = _calibrated(levels_db(values), np.random.default_rng(4))
    assert not answer.consistent
    assert {"C1", "C2"} <= {one.name for one in answer.outside}


def test_builds_within_tolerance_are_not_called_outside() -> None:
    rng = np.random.default_rng(23)
    assert all(
        _calibrated(levels_db(drawn_values(picked_network(), rng, least=EDGE)), rng).consistent
        for _ in range(few(2, of=8))
    )


def test_another_load_of_the_sweep_is_asked_for() -> None:
    """A meter with 6 nF of cable in place of the unit's 150 pF."""
    load = replace(LOADING, load_capacitance=6e-9)
    transfer = transfer_coefficients(
        TOPOLOGY,
        VALUES,
        source_resistance=load.source_resistance,
        load_resistance=load.load_resistance,
        load_capacitance=load.load_capacitance,
    )
    levels = 20 * np.log10(np.abs(transfer.response(FREQUENCY)))
    rng = np.random.default_rng(5)
    answer = _calibrated(levels, rng)
    assert not answer.consistent
    assert "load capacitance" in {one.name for one in answer.outside}
    assert any("Was it that of the instruments?" in f for f in answer.findings)
    assert _calibrated(levels, rng, sweep_loading=load).consistent  # type: ignore[arg-type]


def test_flatness_of_the_generator_widens_the_intervals() -> None:
    """A generator that falls by 0.1 dB over the sweep, stated as such."""
    levels = levels_db(VALUES) - 0.1 * np.log10(FREQUENCY / 20.0) / 3.0
    narrow = _calibrated(levels_db(VALUES), np.random.default_rng(6))
    wide = _calibrated(levels, np.random.default_rng(6), generator_flatness_db=0.1)
    assert wide.consistent
    assert np.all(wide.correction_uncertainty_db >= narrow.correction_uncertainty_db)
    assert np.max(wide.correction_uncertainty_db) > 3 * np.max(narrow.correction_uncertainty_db)
    assert np.all((wide.low <= VALUES) & (wide.high >= VALUES))


@pytest.mark.sweep(1)
@pytest.mark.parametrize("stimulus_at", ["emf", "generator"])
def test_a_network_is_calibrated_by_a_two_channel_record(stimulus_at: str) -> None:
    """Pink noise through a build, and behind it a unit without poles and zeros."""
    rng = np.random.default_rng(23)
    values = random_build(rng)
    flat = Unit(bass_shelf_s=1e-9, turnover_s=1e-9, treble_s=1e-9, low_corner_hz=0.0,
                high_corner_hz=0.0)  # fmt: skip
    record = two_channel_record(
        flat, rng, signal="pink noise", stimulus_at=stimulus_at, values=values, noise_db=-70.0
    )
    # The EMF is twice what the stimulus says, as of a generator set for 50 ohm.
    off_db = record.network_levels(by_tolerance(), CONDITIONS.band_hz).off_db
    assert off_db is not None
    record = replace(record, volts=2.0 * 10 ** (-off_db / 20) * record.volts)
    calibration = calibrate_network(record, by_tolerance(), conditions=CONDITIONS)
    assert calibration.consistent
    assert calibration.findings[0].startswith("is the EMF twice the level stated?")
    assert calibration.residual_db < 0.02
    # A product of resistor and capacitor is open by 3.5 %; the record tells it to 0.1 %.
    for first, second in ((0, 1), (2, 3)):
        product = calibration.values[first] * calibration.values[second]
        assert product == pytest.approx(values[first] * values[second], rel=2e-3)


def test_a_record_of_the_load_calibrates_nothing() -> None:
    rng = np.random.default_rng(24)
    record = two_channel_record(
        Unit(), rng, signal="pink noise", stimulus_at="input", noise_db=-70.0, seconds=1.0
    )
    with pytest.raises(InputError, match="the output of a network is its load"):
        calibrate_network(record, by_tolerance(), conditions=CONDITIONS)
