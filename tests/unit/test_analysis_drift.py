"""Drift and losses: identities, a nodal solve with lossy capacitors, and the customary values."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import numpy as np
import pytest
from bench_networks import (
    BAND,
    COMMON,
    DISC,
    LOADING,
    bench_network,
    cards,
    large_network,
    network_of,
    position,
)
from nodal import solve_cards

from antecurve.analysis.drift import drift, part_technologies
from antecurve.analysis.losses import loss_effect
from antecurve.analysis.technologies import TECHNOLOGIES, Technology, technology
from antecurve.curves.model import response
from antecurve.errors import InputError
from antecurve.networks.centred_error import error_range
from antecurve.networks.compiled import lossy_transfer
from antecurve.networks.conditions import Conditions
from antecurve.networks.topology import ElementKind, Network

PICKED = bench_network()
R, C = ElementKind.RESISTOR, ElementKind.CAPACITOR

with (Path(__file__).parent.parent / "data" / "component_facts.csv").open() as _file:
    FACTS = {(row["part"], row["quantity"]): row["value"] for row in csv.DictReader(_file)}


def _fixed(name: str, kind: ElementKind, coefficient: float) -> Technology:
    return Technology(name, kind, coefficient, coefficient, coefficient)


def _numbers(text: str) -> list[float]:
    return [float(n) for n in re.findall(r"-?\d+(?:\.\d+)?(?:e-\d+)?", text)]


def test_customary_values_are_those_of_the_table() -> None:
    """tests/data/component_facts.csv; common practice, no source, but for C0G (EIA-198)."""
    polypropylene, polyester = technology("polypropylene"), technology("polyester")
    assert _numbers(FACTS["polypropylene (PP)", "temperature coefficient"]) == pytest.approx(
        [
            1e6 * c
            for c in (
                polypropylene.coefficient,
                polypropylene.coefficient_high,
                polypropylene.coefficient_low,
            )
        ]
    )
    assert _numbers(FACTS["polyester (PET)", "temperature coefficient"])[0] == pytest.approx(
        polyester.coefficient * 1e6
    )
    low, high = _numbers(FACTS["polyester (PET)", "tan delta 1 kHz"])
    assert low <= polyester.loss_tangent <= high
    low, high = _numbers(FACTS["polyester (PET)", "tan delta 10 kHz"])
    assert low <= polyester.loss_tangent_10k <= high
    c0g = technology("ceramic C0G")
    assert "0 +-30" in FACTS["ceramic class 1 C0G/NP0", "temperature coefficient"]
    assert (c0g.coefficient_low, c0g.coefficient_high) == pytest.approx((-30e-6, 30e-6))


@pytest.mark.parametrize("temperature", [-10.0, 20.0, 45.0])
def test_capacitors_alone_move_the_frequency_axis(temperature: float) -> None:
    """All C times k, no capacitance outside: H(f) becomes H(k f), so does its error range."""
    loading = type(LOADING)(50.0, 47e3, 0.0)
    types = {"resistors": _fixed("still", R, 0.0), "capacitors": _fixed("even", C, 300e-6)}
    drifted = drift(
        PICKED,
        Conditions(curve=DISC, loading=loading, band_hz=BAND),
        temperatures_c=[temperature],
        technologies=types,
    ).rows[0]
    factor = 1 + 300e-6 * (temperature - 20.0)
    frequency = np.geomspace(*BAND, 1441)
    nominal = cards(PICKED, PICKED.network.values, loading)
    moved = np.abs(solve_cards(nominal, frequency * factor) / response(DISC, frequency))
    error = 20 * np.log10(moved)
    # The grid of 480 a decade misses at most 1e-5 dB of the extremes.
    assert drifted.centred_db == pytest.approx(0.5 * (error.max() - error.min()), abs=1e-5)
    at = np.abs(solve_cards(nominal, [1000.0 * factor, 1000.0]))
    assert drifted.level_shift_db == pytest.approx(20 * np.log10(at[0] / at[1]), abs=1e-9)
    # With one coefficient for all there is nothing worse.
    assert drifted.worst_centred_db == pytest.approx(drifted.centred_db, rel=1e-9)


def test_opposite_coefficients_keep_the_time_constants() -> None:
    """R up, C down by the same factor: without source and load, H is as before."""
    loading = type(LOADING)(0.0, 1e15, 0.0)
    step = 100e-6
    types = {
        "resistors": _fixed("up", R, step),
        "capacitors": _fixed("down", C, -step / (1 + step * 20)),
    }
    drifted = drift(
        PICKED,
        Conditions(curve=DISC, loading=loading, band_hz=BAND),
        temperatures_c=[40.0],
        technologies=types,
    )
    cold = error_range(
        PICKED.network, Conditions(curve=DISC, loading=loading, band_hz=BAND)
    ).centred_db
    assert drifted.rows[0].centred_db == pytest.approx(cold, rel=1e-9)
    assert drifted.rows[0].level_shift_db == pytest.approx(0.0, abs=1e-9)


def test_no_coefficients_within_their_ranges_are_worse() -> None:
    drifted = drift(PICKED, **COMMON, temperatures_c=[40.0])
    rng = np.random.default_rng(1)
    for _ in range(200):
        factor = 1 + 20 * np.where(
            [e.kind is R for e in PICKED.topology.elements],
            rng.uniform(-50e-6, 50e-6, 6),
            rng.uniform(-400e-6, -150e-6, 6),
        )
        network = Network(PICKED.topology, PICKED.network.values * factor)
        error = error_range(
            network, Conditions(curve=DISC, loading=LOADING, band_hz=BAND)
        ).centred_db
        assert error <= drifted.rows[0].worst_centred_db * (1 + 2e-4)  # the gap of the search


def test_at_the_reference_nothing_moves() -> None:
    row = drift(PICKED, **COMMON, temperatures_c=[20.0]).rows[0]  # type: ignore[arg-type]
    nominal = error_range(
        PICKED.network, Conditions(curve=DISC, loading=LOADING, band_hz=BAND)
    ).centred_db
    assert row.centred_db == row.worst_centred_db == pytest.approx(nominal, rel=1e-12)
    assert row.level_shift_db == 0.0


def test_a_network_of_many_positions_goes_without_the_worst_case() -> None:
    drifted = drift(large_network(), **COMMON, temperatures_c=[20.0, 30.0])
    reference, warm = drifted.rows
    assert warm.worst_centred_db is None and warm.centred_db != reference.centred_db
    # At the reference no position moves, so that the worst case is the nominal one.
    assert reference.worst_centred_db == pytest.approx(reference.centred_db, rel=1e-12)


def test_losses_equal_a_nodal_solve_with_lossy_capacitors() -> None:
    tangent = np.array([0.0, 0.012, 0.0, 0.005, 0.0, 0.0])
    frequency = np.geomspace(20, 20e3, 31)
    response = lossy_transfer(PICKED.network, frequency, loading=LOADING, loss_tangent=tangent)
    for k, f in enumerate(frequency):
        # A lossy capacitor is j w C (1 - j tan d): C in parallel with R = 1/(w C tan d).
        w = 2 * np.pi * f
        extra = []
        for p, value, loss in zip(PICKED.positions, PICKED.network.values, tangent, strict=True):
            if loss:
                extra.append((f"R{p.element.ref}", *p.element.nodes, 1 / (w * value * loss)))
        expected = solve_cards([*cards(PICKED, PICKED.network.values), *extra], [f])[0]
        assert abs(response[k] / expected - 1) < 1e-12


def test_the_effect_of_losses_is_re_1_khz() -> None:
    same = Technology("even", C, 0.0, 0.0, 0.0, 0.01, 0.01)
    losses = loss_effect(
        PICKED,
        Conditions(curve=DISC, loading=LOADING, band_hz=BAND),
        technologies={"capacitors": same},
    )
    frequency = np.append(losses.frequency_hz, 1000.0)
    tangent = np.array([0.0, 0.01, 0.0, 0.01, 0.0, 0.0])
    lossy = lossy_transfer(PICKED.network, frequency, loading=LOADING, loss_tangent=tangent)
    clean = solve_cards(cards(PICKED, PICKED.network.values), frequency)
    level = 20 * np.log10(np.abs(lossy / clean))
    np.testing.assert_allclose(losses.change_db, level[:-1] - level[-1], atol=1e-9)
    assert losses.level_shift_db == pytest.approx(level[-1], abs=1e-9)
    assert losses.largest_db == pytest.approx(np.abs(losses.change_db).max())
    none = Technology("ideal", C, 0.0, 0.0, 0.0)
    still = loss_effect(
        PICKED,
        Conditions(curve=DISC, loading=LOADING, band_hz=BAND),
        technologies={"capacitors": none},
    )
    assert still.largest_db == pytest.approx(0.0, abs=1e-12)


def test_technologies_by_part_win_over_those_by_kind() -> None:
    technologies = part_technologies(PICKED, {"capacitors": "polyester", "C1b": "polystyrene"})
    refs = ("R1", "C1a", "C1b", "R2", "C2a", "C2b", "R3", "R4")
    by_ref = dict(zip(refs, technologies, strict=True))
    assert by_ref["C1a"].name == "polyester" and by_ref["C1b"].name == "polystyrene"
    assert by_ref["R1"].name == TECHNOLOGIES[0].name


@pytest.mark.parametrize(
    ("chosen", "message"),
    [
        ({"C9": "polyester"}, "it is chosen for one of"),
        ({"C1a": "wood"}, "the technologies are"),
        ({"R1": "polyester"}, "technology of a resistor.*'metal film, 25 ppm/K'"),
        ({"R1": technology("polyester")}, "R1 is a resistor"),
    ],
)
def test_bad_technologies_are_refused(chosen: dict[str, str | Technology], message: str) -> None:
    with pytest.raises(InputError, match=message):
        part_technologies(PICKED, chosen)


@pytest.mark.parametrize("temperature", [-300.0, float("nan"), 1e6])
def test_bad_temperatures_are_refused(temperature: float) -> None:
    with pytest.raises(InputError, match="temperature"):
        drift(PICKED, **COMMON, temperatures_c=[temperature])


@pytest.mark.parametrize("values", [(1e-4, 2e-4, 3e-4), (-1e-4, 0.0, float("inf"))])
def test_coefficients_must_be_in_order(values: tuple[float, float, float]) -> None:
    with pytest.raises(InputError, match="ascending"):
        Technology("own", C, *values)


def test_a_resistor_has_no_loss_tangent() -> None:
    with pytest.raises(InputError, match="a resistor has none"):
        Technology("own", R, 0.0, 0.0, 0.0, 0.01)


def test_two_parts_share_the_loss_by_capacitance() -> None:
    picked = network_of(
        position("R1", ("in", "out"), 10e3),
        position("C1", ("out", "0"), 3e-9, 1e-9),
    )
    mixed = {"C1a": Technology("lossy", C, 0.0, 0.0, 0.0, 0.04, 0.04)}
    even = Technology("even", C, 0.0, 0.0, 0.0, 0.03, 0.03)
    clean = {"C1b": Technology("clean", C, 0.0, 0.0, 0.0)}
    one = loss_effect(
        picked,
        Conditions(curve=DISC, loading=LOADING, band_hz=BAND),
        technologies={**mixed, **clean},
    )
    other = loss_effect(
        picked,
        Conditions(curve=DISC, loading=LOADING, band_hz=BAND),
        technologies={"capacitors": even},
    )
    np.testing.assert_allclose(one.change_db, other.change_db, atol=1e-12)
