"""Playback faults, traces and the bench sheet."""

from __future__ import annotations

import itertools
import math
import re
from dataclasses import replace

import numpy as np
import pytest

from antecurve.algebra.partial_fractions import partial_fractions
from antecurve.algebra.zero_pole_gain import ZeroPoleGain
from antecurve.analysis.bench_plan import bench_plan
from antecurve.analysis.bench_sheet import SheetTolerance, bench_sheet
from antecurve.analysis.playback import (
    Playback,
    common_faults,
    playback_chain,
    time_constants,
)
from antecurve.analysis.scope import TraceMeasures, fault_sheet, scope_trace
from antecurve.analysis.waveform import SquareWave
from antecurve.curves.catalogue import named_curve
from antecurve.curves.construct import with_limits
from antecurve.curves.model import Curve, inverse_response
from antecurve.errors import InputError
from antecurve.networks.compiled import transfer
from antecurve.networks.conditions import Conditions, LoadingTolerance
from antecurve.networks.topology import Loading, Network
from antecurve.parts.position import Part, PickedNetwork, Position
from antecurve.report.bench_page import sheet_parts
from antecurve.report.bench_tables import measure_rows
from antecurve.report.sheet_tables import sheet_lines
from antecurve.synthesis.exact import exact_network

CURVE = with_limits(named_curve("disc"), ultrasonic_poles_hz=(50e3,))
LOADING = Loading(50.0, 47e3, 150e-12)
BAND = (20.0, 20e3)
FREQUENCY = np.geomspace(10.0, 100e3, 41)


@pytest.fixture(scope="module")
def picked() -> PickedNetwork:
    network = exact_network(
        "foster-1", CURVE, loading=LOADING, gain=0.01, shunt_resistance=500.0
    ).network
    positions = []
    for element, value in zip(network.topology.elements, network.values, strict=True):
        tolerance = 0.01 if element.kind.value == "resistor" else 0.025
        halves = (Part(value / 3, tolerance), Part(2 * value / 3, tolerance))
        joined = "series" if element.kind.value == "resistor" else "parallel"
        positions.append(Position(element, halves, joined))
    return PickedNetwork(network.topology, tuple(positions))


def _at(chain: ZeroPoleGain[complex]) -> np.ndarray[tuple[int], np.dtype[np.complex128]]:
    return chain.value(2j * math.pi * FREQUENCY)


def test_ideal_playback_is_the_inverse_of_the_published_curve() -> None:
    expected = inverse_response(CURVE, FREQUENCY, published=True)
    np.testing.assert_allclose(_at(playback_chain(CURVE)), expected, rtol=1e-12)


def test_a_fault_is_the_playback_of_a_wrong_curve() -> None:
    wrong = Curve("wrong", zeros_s=(3180e-6, 60e-6), poles_s=(381.6e-6,))
    fault = Playback("fault", turnover_factor=1.2, treble_factor=0.8)
    expected = inverse_response(wrong, FREQUENCY)
    np.testing.assert_allclose(_at(playback_chain(CURVE, fault)), expected, rtol=1e-12)


def test_corners_are_first_order_filters_with_unit_gain_at_1khz() -> None:
    fault = Playback("fault", low_corner_hz=20.0, high_corner_hz=20e3)
    ratio = _at(playback_chain(CURVE, fault)) / _at(playback_chain(CURVE))
    low, high = 1 / (1 - 20j / FREQUENCY.astype(complex)), 1 / (1 + 1j * FREQUENCY / 20e3)
    at_1khz = abs(1 / (1 - 0.02j)) * abs(1 / (1 + 0.05j))
    np.testing.assert_allclose(ratio, low * high / at_1khz, rtol=1e-12)


def test_missing_time_constants() -> None:
    flat_bass = Playback("fault", bass_shelf_factor=0.0, turnover_factor=0.0)
    expected = 1 / (1 + 2j * math.pi * FREQUENCY * 75e-6)
    ratio = _at(playback_chain(CURVE, flat_bass)) / expected
    np.testing.assert_allclose(ratio, ratio[0], rtol=1e-12)


def test_no_turnover_is_no_bass_boost_with_or_without_shelf() -> None:
    expected = 1 / (1 + 2j * math.pi * FREQUENCY * 75e-6)
    no_shelf = Curve("own", (75e-6,), (318e-6,), zeros_at_origin=1)
    for curve, shelf in ((CURVE, 1.0), (CURVE, 0.8), (no_shelf, 1.0)):
        fault = Playback("fault", turnover_factor=0.0, bass_shelf_factor=shelf)
        ratio = _at(playback_chain(curve, fault)) / expected
        np.testing.assert_allclose(ratio, ratio[0], rtol=1e-12)


def test_no_shelf_is_the_playback_of_the_curve_without_one(picked: PickedNetwork) -> None:
    no_shelf = Curve("own", (75e-6,), (318e-6,), zeros_at_origin=1)
    fault = Playback("fault", bass_shelf_factor=0.0)
    expected = inverse_response(no_shelf, FREQUENCY)
    np.testing.assert_allclose(_at(playback_chain(CURVE, fault)), expected, rtol=1e-12)
    trace = scope_trace(
        picked.network,
        Conditions(curve=CURVE, loading=LOADING),
        wave=SquareWave(1000.0, 0.5),
        playback=fault,
    )
    assert (trace.playback_measures.tilt or 0) < -0.1  # bass that goes on rising: a rising top


def test_named_time_constants() -> None:
    assert time_constants(CURVE) == pytest.approx((3180e-6, 318e-6, 75e-6))
    assert time_constants(Curve("own", (50e-6,), ())) == (None, None, 50e-6)
    no_shelf = Curve("own", (75e-6,), (318e-6,), zeros_at_origin=1)
    assert time_constants(no_shelf) == (None, 318e-6, 75e-6)
    names = {f.name for f in common_faults(Curve("own", (50e-6,), ()))}
    assert not any("turnover" in name or "bass" in name for name in names)
    for curve in (CURVE, no_shelf, Curve("own", (50e-6,), ())):
        for fault in common_faults(curve):
            playback_chain(curve, fault)


def test_a_fault_that_the_curve_can_not_have_is_refused() -> None:
    with pytest.raises(InputError, match="has no turnover time constant"):
        playback_chain(Curve("own", (50e-6,), ()), Playback("fault", turnover_factor=1.1))
    with pytest.raises(InputError, match="treble_factor: received -1"):
        Playback("fault", treble_factor=-1.0)


def test_chain_that_rises_without_end_is_refused() -> None:
    with pytest.raises(InputError, match="1 more zeros than poles"):
        partial_fractions(ZeroPoleGain((1e-3 + 0j,), ()))
    with pytest.raises(InputError, match="2 poles at the origin"):
        partial_fractions(ZeroPoleGain((), (), 0, 2))


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ((0.0, 1.0, 0.0), "frequency: received 0.0"),
        ((1000.0, -1.0, 0.0), "amplitude: received -1.0"),
        ((1000.0, 1.0, 0.6e-3), "rise time: received 0.0006"),
    ],
)
def test_bad_waves_are_refused(values: tuple[float, float, float], message: str) -> None:
    with pytest.raises(InputError, match=message):
        SquareWave(*values)


def test_fault_sheet_shows_what_its_remarks_say(picked: PickedNetwork) -> None:
    sheet = fault_sheet(
        picked.network, Conditions(curve=CURVE, loading=LOADING), wave=SquareWave(1000.0, 0.5)
    )
    by_name = {t.playback.name: t for t in sheet.traces}
    ideal = by_name["ideal playback"].measures
    assert ideal.tilt == pytest.approx(0.0, abs=1e-9)
    assert ideal.overshoot == pytest.approx(0.0, abs=1e-9)
    # One pole of 50 kHz is left, and a faster one of the load: ln 9/(2 pi 50 kHz) and a little.
    assert ideal.rise_time_s == pytest.approx(math.log(9) / (2 * math.pi * 50e3), rel=1e-3)
    assert (by_name["turnover 20 % low"].measures.tilt or 0) < -0.1  # the top rises
    assert (by_name["turnover 20 % high"].measures.tilt or 0) > 0.1  # it falls
    assert (by_name["treble 20 % low"].measures.overshoot or 0) > 0.1
    assert by_name["treble 20 % high"].measures.overshoot == pytest.approx(0.0, abs=1e-3)
    spike = by_name["no treble cut"].measures
    assert (spike.tilt, spike.overshoot, spike.rise_time_s) == (None, None, None)
    assert spike.peak_v > 5 * ideal.peak_v  # 50 kHz over 2122 Hz: all spike, no top
    assert "the top rises" in by_name["turnover 20 % low"].playback.remark
    # At 1 kHz the top falls by 6 % only: a wave of twice the corner shows it.
    assert by_name["low corner at 20 Hz"].wave == SquareWave(40.0, 0.5)
    assert by_name["low corner at 20 Hz"].measures.tilt == pytest.approx(
        1 - math.exp(-math.pi * 20 / 40),
        rel=2e-3,  # the 50 kHz pole delays it a little
    )
    slow = by_name["high corner at 20 kHz"].measures.rise_time_s
    assert slow is not None
    # Rise times of poles in a row add as squares, roughly: 17.5 us and 7 us.
    assert slow == pytest.approx(math.hypot(17.5e-6, 7e-6), rel=0.05)


@pytest.mark.parametrize("frequency", [30.0, 100.0, 300.0, 1000.0, 3000.0])
def test_short_turnover_makes_the_top_rise(picked: PickedNetwork, frequency: float) -> None:
    wave = SquareWave(frequency, 0.5)
    fault = next(f for f in common_faults(CURVE) if f.name == "turnover 20 % low")
    sheet = fault_sheet(
        picked.network, Conditions(curve=CURVE, loading=LOADING), wave=wave, playbacks=[fault]
    )
    # Emphasis and playback leave (1 + s 254 us)/(1 + s 318 us): the step rises from 0.8 of its
    # end with 318 us; 40 us after the edge that of the 50 kHz pole, 3 us, is over.
    start = np.interp(40e-6, sheet.time_s, sheet.traces[0].playback_v)
    assert start < 0.95 * sheet.traces[0].measures.end_v


def test_a_trace_that_is_all_edges_has_no_top(picked: PickedNetwork) -> None:
    trace = scope_trace(
        picked.network, Conditions(curve=CURVE, loading=LOADING), wave=SquareWave(1000.0, 0.5)
    )
    measures = trace.network_measures
    assert (measures.tilt, measures.overshoot, measures.rise_time_s) == (None, None, None)
    assert measures.peak_v == pytest.approx(np.abs(trace.network_v).max(), rel=0.2)
    cells = measure_rows([("behind the network", measures)]).rows[0]
    assert cells[2:] == ("-", "-", "-")


def test_tables_print_zero_without_sign() -> None:
    measures = TraceMeasures(1.0, 1.0 + 1e-9, 1.0, -1e-9, 0.0, 1e-6)
    assert measure_rows([("ideal", measures)]).rows[0][2] == "0.00 %"


def test_no_table_of_the_sheet_prints_a_signed_zero(picked: PickedNetwork) -> None:
    sheet = bench_plan(
        picked, Conditions(curve=CURVE, loading=LOADING, band_hz=BAND, source_level_v=0.5)
    )
    cells = [
        c
        for p in sheet_parts(sheet, instruments=("unit", "probe"))
        if p.table
        for row in p.table.rows
        for c in row
    ]
    assert "0.00" in cells  # the level at 1 kHz re 1 kHz
    assert [c for c in cells if re.match(r"[+-]0\.?0*( |$)", c)] == []


def test_sheet_says_what_its_columns_mean(picked: PickedNetwork) -> None:
    sheet = bench_sheet(
        picked, Conditions(curve=CURVE, loading=LOADING, band_hz=BAND, source_level_v=0.5)
    )
    limits, reference, _, display = sheet_lines(sheet)
    assert "over all corners of the tolerances" in limits
    assert "at equal EMF" in reference
    assert "half of the EMF" in display
    many = replace(sheet, positions=15)
    assert "corners" not in sheet_lines(many)[0]


def test_scope_needs_samples(picked: PickedNetwork) -> None:
    with pytest.raises(InputError, match="samples: received 1"):
        scope_trace(
            picked.network,
            Conditions(curve=CURVE, loading=LOADING),
            wave=SquareWave(1e3),
            samples=1,
        )


def test_sheet_gives_levels_with_limits(picked: PickedNetwork) -> None:
    sheet = bench_sheet(
        picked, Conditions(curve=CURVE, loading=LOADING, band_hz=BAND, source_level_v=0.5)
    )
    unit, scope, meter, probe = sheet.columns
    expected = 0.5 * np.abs(transfer(picked.network, sheet.frequency_hz, loading=LOADING))
    np.testing.assert_allclose(unit.level_v, expected, rtol=1e-9)
    np.testing.assert_allclose(sheet.displayed_v, 0.25)
    for column, ohm in ((scope, 1e6), (meter, 10e6), (probe, 10e6)):
        there = Loading(50.0, ohm, column.receiver.capacitance_f)
        expected = 0.5 * np.abs(transfer(picked.network, sheet.frequency_hz, loading=there))
        np.testing.assert_allclose(column.level_v, expected, rtol=1e-9)
    at_1khz = list(sheet.frequency_hz).index(1000.0)
    for column in sheet.columns:
        assert column.level_db[at_1khz] == pytest.approx(0.0, abs=1e-9)
        assert np.all(column.low_v < column.level_v)
        assert np.all(column.high_v > column.level_v)
    # What is left after playback is the 50 kHz pole: 0.645 dB at 20 kHz, re 1 kHz 0.643.
    assert sheet.playback_db[-1] == pytest.approx(-0.643, abs=1e-3)


def test_limits_hold_every_build_and_no_more(picked: PickedNetwork) -> None:
    sheet = bench_sheet(
        picked, Conditions(curve=CURVE, loading=LOADING, band_hz=BAND, source_level_v=1.0)
    )
    rng = np.random.default_rng(7)
    unit = sheet.columns[0]
    topology = picked.topology
    tolerances = np.array([p.tolerance for p in picked.positions])
    low = np.full(len(sheet.frequency_hz), np.inf)
    high = -low
    for _ in range(600):
        signs = rng.choice((-1.0, 1.0), len(tolerances)) * rng.choice((1.0, rng.random()))
        values = picked.network.values * (1 + tolerances * signs)
        magnitude = np.abs(transfer(Network(topology, values), sheet.frequency_hz, loading=LOADING))
        low, high = np.minimum(low, magnitude), np.maximum(high, magnitude)
    assert np.all(low >= unit.low_v * (1 - 1e-12))
    assert np.all(high <= unit.high_v * (1 + 1e-12))
    # 64 corners and some 300 draws of them: nearly all are met.
    np.testing.assert_allclose(low, unit.low_v, rtol=2e-3)
    np.testing.assert_allclose(high, unit.high_v, rtol=2e-3)


def test_limits_allow_for_source_load_and_instruments(picked: PickedNetwork) -> None:
    """Against all corners, each solved by itself, and the instruments' errors on top."""
    conditions = Conditions(curve=CURVE, loading=LOADING, band_hz=BAND, source_level_v=1.0)
    tolerance = SheetTolerance(0.02, 0.01, 0.1, LoadingTolerance(0.05, 0.05, 0.3))
    sheet = bench_sheet(picked, conditions, tolerance=tolerance)
    parts = bench_sheet(picked, conditions)
    unit, frequency = sheet.columns[0], sheet.frequency_hz
    both = np.append(frequency, 1000.0)
    ends = [(1.0 - p.tolerance, 1.0 + p.tolerance) for p in picked.positions]
    levels = []
    for signs in itertools.product(*ends, (0.95, 1.05), (0.95, 1.05), (0.7, 1.3)):
        network = Network(picked.topology, picked.network.values * signs[:-3])
        there = Loading(50.0 * signs[-3], 47e3 * signs[-2], 150e-12 * signs[-1])
        levels.append(np.abs(transfer(network, both, loading=there)))
    level = np.array(levels)
    np.testing.assert_allclose(unit.low_v, level.min(axis=0)[:-1] * 0.98 * 0.99, rtol=1e-9)
    np.testing.assert_allclose(unit.high_v, level.max(axis=0)[:-1] * 1.02 * 1.01, rtol=1e-9)
    relative = 20.0 * np.log10(level[:, :-1] / level[:, -1:])
    flatness = np.where(frequency == 1000.0, 0.0, 0.1)
    np.testing.assert_allclose(unit.low_db, relative.min(axis=0) - flatness, atol=1e-9)
    np.testing.assert_allclose(unit.high_db, relative.max(axis=0) + flatness, atol=1e-9)
    assert np.all(unit.high_v > parts.columns[0].high_v)
    assert "load capacitance ±30 %" in sheet_lines(sheet)[0]
    assert "Generator and receiver nominal" in sheet_lines(parts)[0]


def test_the_display_of_a_600_ohm_source_is_its_own(picked: PickedNetwork) -> None:
    for source, display in ((600.0, 600.0), (50.0, 50.0), (75.0, 50.0)):
        loading = replace(LOADING, source_resistance=source)
        sheet = bench_sheet(picked, Conditions(curve=CURVE, loading=loading, band_hz=BAND))
        assert sheet.display_ohm == display
        assert sheet_lines(sheet)[-1].startswith(f"Setting in {display:g} Ω load mode")
        np.testing.assert_allclose(sheet.displayed_v, sheet.emf_v / 2.0)


def test_settings_stay_below_overload(picked: PickedNetwork) -> None:
    sheet = bench_sheet(
        picked,
        Conditions(curve=CURVE, loading=LOADING, band_hz=BAND, source_level_v=0.5),
        overload_v=10e-3,
    )
    peaks = math.sqrt(2) * sheet.columns[0].level_v
    assert np.all(peaks <= 10e-3 * (1 + 1e-9))
    assert np.all((sheet.emf_v == 0.5) | (peaks > 10e-3 / math.sqrt(10.0) * (1 - 1e-9)))


def test_both_channels_on_one_generator(picked: PickedNetwork) -> None:
    sheet = bench_sheet(
        picked, Conditions(curve=CURVE, loading=LOADING, band_hz=BAND, source_level_v=0.5)
    )
    assert sheet.both_channels.source_ohm.tolist() == [50.0, 100.0]
    assert sheet.both_channels.error_centred_db[1] > sheet.both_channels.error_centred_db[0]
