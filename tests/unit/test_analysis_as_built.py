"""One build with measured parts."""

from __future__ import annotations

import numpy as np
import pytest
from bench_networks import BAND, COMMON, DISC, LOADING, bench_network, cards
from nodal import solve_cards

from antecurve.analysis.as_built import AsBuilt, as_built, measured_network
from antecurve.analysis.meter import MeterAccuracy
from antecurve.curves.model import response
from antecurve.errors import InputError
from antecurve.files.judging_texts import meter_accuracy
from antecurve.networks.centred_error import error_range
from antecurve.networks.compiled import transfer_coefficients
from antecurve.networks.conditions import Conditions
from antecurve.networks.topology import ElementKind
from antecurve.parts.distributions import draw_block, part_source
from antecurve.parts.scatter import part_table, position_values

PICKED = bench_network()
METER = MeterAccuracy(0.002, 0.005)


def _built(measured: dict[str, float], meter: MeterAccuracy = METER) -> AsBuilt:
    return as_built(PICKED, **COMMON, measured=measured, meter=meter)


def _everything(**factors: float) -> dict[str, float]:
    return {p.element.ref: p.value * factors.get(p.element.ref, 1.0) for p in PICKED.positions}


def test_measured_values_take_the_place_of_those_marked() -> None:
    one = measured_network(PICKED, {"R1": 450e3, "C1a": 6.9e-9, "C2": 2.1e-9}, meter=METER)
    by_ref = {p.element.ref: p for p in one.positions}
    assert by_ref["R1"].value == 450e3 and by_ref["R1"].tolerance == 0.002
    assert by_ref["C1"].value == pytest.approx(6.9e-9 + 270e-12, rel=1e-15)
    assert [q.tolerance for q in by_ref["C1"].parts] == [0.005, 0.025]
    assert by_ref["C2"].joined == "single" and by_ref["C2"].parts[0].nominal == pytest.approx(
        2.07e-9
    )
    assert by_ref["R2"] == PICKED.positions[2]


def test_the_copy_does_what_a_nodal_solve_says() -> None:
    measured = _everything(R1=1.02, C2=0.97)
    one = _built(measured)
    table = one.correction
    values = np.array(list(measured.values()))
    frequency = np.append(table.frequency_hz, 1000.0)
    ratio = np.abs(solve_cards(cards(PICKED, values), frequency)) / np.abs(
        response(DISC, frequency, published=True)
    )
    level = 20 * np.log10(ratio)
    np.testing.assert_allclose(table.correction_db, level[:-1] - level[-1], atol=1e-9)
    nominal = np.abs(solve_cards(cards(PICKED, PICKED.network.values), [1000.0]))[0]
    built = np.abs(solve_cards(cards(PICKED, values), [1000.0]))[0]
    assert one.level_shift_db == pytest.approx(20 * np.log10(built / nominal), abs=1e-9)
    assert one.nominal == ()
    assert one.published_error.centred_db > one.error.centred_db


def test_subtracting_the_correction_leaves_the_unit() -> None:
    """A unit that deviates by a known tilt, measured through the build."""
    built = _built(_everything(C1=0.98, R2=1.03))
    table = built.correction
    unit = 0.3 * np.log10(table.frequency_hz / 1000.0)
    network = 20 * np.log10(
        np.abs(solve_cards(cards(PICKED, built.picked.network.values), table.frequency_hz))
    )
    playback = -20 * np.log10(np.abs(response(DISC, table.frequency_hz, published=True)))
    measured = network + playback + unit
    measured -= measured[table.frequency_hz == 1000.0]
    np.testing.assert_allclose(measured - table.correction_db, unit, atol=1e-9)


def test_the_uncertainty_is_that_of_builds_within_tolerance() -> None:
    """Nothing measured: the 95th percentile over builds at the frequencies of the table."""
    correction = _built({}).correction
    parts = draw_block(part_source(part_table(PICKED), distribution="uniform"), seed=1, block=0)
    values = position_values(part_table(PICKED), parts)
    builds = transfer_coefficients(
        PICKED.topology,
        values.T,
        source_resistance=LOADING.source_resistance,
        load_resistance=LOADING.load_resistance,
        load_capacitance=LOADING.load_capacitance,
    )
    level = 20 * np.log10(np.abs(builds.response(correction.frequency_hz)))
    level -= level[:, correction.frequency_hz == 1000.0]
    published = 20 * np.log10(np.abs(response(DISC, correction.frequency_hz, published=True)))
    nominal = correction.correction_db + published
    # First order leaves out some 1 % at 2.5 %; 8192 builds give a percentile to 1.2 %.
    np.testing.assert_allclose(
        np.quantile(np.abs(level - nominal), 0.95, axis=0),
        correction.expanded_uncertainty_db,
        rtol=0.04,
        atol=1e-9,
    )


def test_a_better_meter_leaves_less() -> None:
    all_parts = _everything()
    coarse = _built(all_parts, MeterAccuracy(0.01, 0.01)).correction.expanded_uncertainty_db
    fine = _built(all_parts, MeterAccuracy(0.001, 0.001)).correction.expanded_uncertainty_db
    # The second order of limits of 1 % is some 1 % of the first.
    np.testing.assert_allclose(coarse, 10 * fine, rtol=0.01)
    assert _built(all_parts, MeterAccuracy(0, 0)).correction.expanded_uncertainty_db.max() == 0
    part = _built({"C1": 7.07e-9}).correction.expanded_uncertainty_db
    # The two count with different draws of all parts: 40,000 give a percentile to 0.5 %.
    assert np.all(part <= _built({}).correction.expanded_uncertainty_db * 1.01 + 1e-12)


def test_nothing_measured_is_the_design() -> None:
    built = _built({})
    assert built.picked == PICKED
    assert built.nominal == PICKED.topology.refs
    assert built.level_shift_db == 0.0
    nominal = error_range(PICKED.network, Conditions(curve=DISC, loading=LOADING, band_hz=BAND))
    assert built.error == nominal


@pytest.mark.parametrize(
    ("measured", "message"),
    [
        ({"R9": 1e3}, "the design has R1, C1"),
        ({"R1": -1.0}, "above 0"),
        ({"R1": float("nan")}, "must be a number"),
        ({"R1": 45.3e3}, "more than a factor of three off"),
        ({"C1": 7e-9, "C1a": 6.8e-9}, "its parts C1a, C1b are given as well"),
    ],
)
def test_values_that_cannot_be_used_are_refused(measured: dict[str, float], message: str) -> None:
    with pytest.raises(InputError, match=message):
        _built(measured)


@pytest.mark.parametrize("accuracy", [-0.1, 1.0, float("nan")])
def test_accuracies_out_of_range_are_refused(accuracy: float) -> None:
    with pytest.raises(InputError, match=r"meter accuracy|resistors"):
        MeterAccuracy(resistors=accuracy)


def test_counts_and_constants_widen_the_limit_by_range() -> None:
    """0.5 % + 3 counts of a display to 5999, as a data sheet states it; by hand."""
    meter = MeterAccuracy(0.005, 0.01, resistor_counts=3, capacitor_constant=2e-12, display=6000)
    # 412 ohm in the range of 599.9 ohm: a count is 0.1 ohm; 1.33 kohm in that of 5.999 kohm: 1.
    assert meter.limit(ElementKind.RESISTOR, 412.0) == pytest.approx(0.005 + 0.3 / 412.0)
    assert meter.limit(ElementKind.RESISTOR, 1330.0) == pytest.approx(0.005 + 3.0 / 1330.0)
    assert meter.limit(ElementKind.CAPACITOR, 100e-12) == pytest.approx(0.01 + 0.02)
    assert meter.range_of(599.9) < meter.range_of(600.0) == meter.range_of(5999.0)
    with pytest.raises(InputError, match="use a more accurate meter"):
        meter.limit(ElementKind.CAPACITOR, 1e-12)
    with pytest.raises(InputError, match="meter display"):
        MeterAccuracy(display=0)
    with pytest.raises(InputError, match="counts of the meter for resistors"):
        MeterAccuracy(resistor_counts=-1.0)


@pytest.mark.parametrize(
    ("text", "counts", "constant"),
    [
        ("0.5", 0.0, 0.0),
        ("0.5 %", 0.0, 0.0),
        ("0.5 % + 3 counts", 3.0, 0.0),
        ("0.5%+1 count+0.1 ohm", 1.0, 0.1),
        ("0.5 % + 100m", 0.0, 0.1),
    ],
)
def test_the_accuracy_of_a_meter_is_read_as_data_sheets_write_it(
    text: str, counts: float, constant: float
) -> None:
    meter = meter_accuracy(text, "1 % + 2 pF", display=6000)
    assert meter.resistors == pytest.approx(0.005)
    assert (meter.resistor_counts, meter.resistor_constant) == pytest.approx((counts, constant))
    assert (meter.capacitors, meter.capacitor_constant) == pytest.approx((0.01, 2e-12))


@pytest.mark.parametrize("text", ["", "0.5 % +", "0.5 % + many counts", "0.5 % - 2", "2 counts"])
def test_other_texts_of_an_accuracy_are_refused(text: str) -> None:
    with pytest.raises(InputError, match="--meter-resistance"):
        meter_accuracy(text, "1 %")
