"""Sensitivities against mpmath differences of an independent nodal solve in 40 digits."""

from __future__ import annotations

from dataclasses import replace

import mpmath
import numpy as np
import pytest
from bench_networks import (
    BAND,
    COMMON,
    DISC,
    LOADING,
    bench_network,
    cards,
    network_of,
    position,
    random_network,
)
from nodal import solve_cards

from antecurve.analysis.planning import with_tolerances
from antecurve.analysis.sensitivity import sensitivities, tighten_first
from antecurve.analysis.spread import spread
from antecurve.networks.conditions import Conditions
from antecurve.networks.sensitivity import logarithmic_sensitivity, response_slopes
from antecurve.networks.topology import Loading
from antecurve.parts.distributions import part_source, standard_deviations
from antecurve.parts.position import PickedNetwork
from antecurve.parts.scatter import part_table

FREQUENCY = (20.0, 137.0, 1000.0, 5e3, 20e3)


def _log_gain(
    picked: PickedNetwork, values: list, frequency: float, loading: Loading
) -> mpmath.mpc:  # type: ignore[type-arg]
    """ln H by nodal analysis in mpmath."""
    s = 2j * mpmath.pi * mpmath.mpf(frequency)
    nodes = list(dict.fromkeys(n for e in picked.topology.elements for n in e.nodes))
    index = {n: k for k, n in enumerate(n for n in nodes if n != "0")}
    matrix = mpmath.zeros(len(index))

    def stamp(a: str, b: str, y: mpmath.mpc) -> None:
        for one, other in ((a, b), (b, a)):
            if one != "0":
                matrix[index[one], index[one]] += y
                if other != "0":
                    matrix[index[one], index[other]] -= y

    for element, value in zip(picked.topology.elements, values, strict=True):
        stamp(*element.nodes, 1 / value if element.ref.startswith("R") else s * value)
    stamp("out", "0", 1 / mpmath.mpf(loading.load_resistance) + s * loading.load_capacitance)
    stamp("in", "0", 1 / mpmath.mpf(loading.source_resistance))
    current = mpmath.zeros(len(index), 1)
    current[index["in"]] = 1 / mpmath.mpf(loading.source_resistance)
    return mpmath.log(mpmath.lu_solve(matrix, current)[index["out"]])


@pytest.mark.parametrize("seed", range(5))
def test_symbolic_derivatives_equal_differences(seed: int) -> None:
    picked = random_network(np.random.default_rng(seed))
    sensitivity = logarithmic_sensitivity(picked.network, FREQUENCY, loading=LOADING)
    with mpmath.workdps(40):
        values = [mpmath.mpf(float(v)) for v in picked.network.values]
        step = mpmath.mpf(10) ** -12
        for element in range(len(values)):
            ends = []
            for sign in (1, -1):
                moved = list(values)
                moved[element] *= mpmath.exp(sign * step)
                ends.append([_log_gain(picked, moved, f, LOADING) for f in FREQUENCY])
            expected = [complex((a - b) / (2 * step)) for a, b in zip(*ends, strict=True)]
            np.testing.assert_allclose(sensitivity[element], expected, rtol=1e-10, atol=1e-13)


def test_source_and_load_equal_differences() -> None:
    """The same of source and load; a source or load of 0 has no sensitivity."""
    picked = bench_network()
    names = ("source_resistance", "load_resistance", "load_capacitance")
    given = {name: getattr(LOADING, name) for name in names}
    slopes = response_slopes(picked.topology, picked.network.values, FREQUENCY, **given)
    with mpmath.workdps(40):
        values = [mpmath.mpf(float(v)) for v in picked.network.values]
        step = mpmath.mpf(10) ** -6  # as far as a double of the loading still moves evenly
        for row, name in zip(slopes.by_loading, names, strict=True):
            ends = []
            for sign in (1, -1):
                moved = replace(LOADING, **{name: given[name] * float(mpmath.exp(sign * step))})
                ends.append([_log_gain(picked, values, f, moved) for f in FREQUENCY])
            expected = [complex((a - b) / (2 * step)) for a, b in zip(*ends, strict=True)]
            np.testing.assert_allclose(row, expected, rtol=1e-8, atol=1e-10)
        nominal = [complex(mpmath.exp(_log_gain(picked, values, f, LOADING))) for f in FREQUENCY]
        np.testing.assert_allclose(slopes.response, nominal, rtol=1e-12)
    none = {"source_resistance": 0.0, "load_resistance": 47e3, "load_capacitance": 0.0}
    slopes = response_slopes(picked.topology, picked.network.values, FREQUENCY, **none)
    # What is left of 1 - 1 is rounding of sums of some ten terms.
    np.testing.assert_allclose(slopes.by_loading[[0, 2]], 0.0, atol=1e-15)
    assert np.all(np.abs(slopes.by_loading[1]) > 1e-4)


def test_only_ratios_count() -> None:
    """Scaling all impedances leaves H alone: with R and C of source and load they add up to 0."""
    loose = Loading(1e-9, 1e15, 0.0)  # neither source nor load
    picked = bench_network()
    sensitivity = logarithmic_sensitivity(picked.network, FREQUENCY, loading=loose)
    signs = np.array([1.0 if r.startswith("R") else -1.0 for r in picked.topology.refs])
    np.testing.assert_allclose(
        signs @ sensitivity, 0.0, atol=1e-9
    )  # 1e-12 of source and load remain


def test_a_divider_by_hand() -> None:
    """H = R2/(R1 + R2): d ln H/d ln R1 = -R1/(R1 + R2); 1 % of R1 = 3 R2 is 0.0651 dB."""
    picked = network_of(position("R1", ("in", "out"), 300.0), position("R2", ("out", "0"), 100.0))
    rows = sensitivities(
        picked, Conditions(curve=DISC, loading=Loading(0.0, 1e15, 0.0), band_hz=BAND)
    )
    np.testing.assert_allclose(rows.db_per_percent[0], -0.75 * 20 / np.log(10) / 100, rtol=1e-9)
    np.testing.assert_allclose(rows.db_per_percent[1], 0.75 * 20 / np.log(10) / 100, rtol=1e-9)
    np.testing.assert_allclose(rows.error_db_per_percent, 0.0, atol=1e-12)
    # A divider moves the level alone, by as much the other way.
    by_hand = 0.75 * 20 / np.log(10) / 100
    first, second = rows.positions
    assert first.level_db_per_percent == pytest.approx(-by_hand, rel=1e-9)
    assert second.level_db_per_percent == pytest.approx(by_hand, rel=1e-9)
    assert first.db_per_percent_max == pytest.approx(0.0, abs=1e-12)


def test_level_and_shape_equal_those_of_a_network_a_thousandth_off() -> None:
    """Each position moved by 0.1 % either way and solved anew: level and error about its mean."""
    picked = bench_network()
    frequency = np.geomspace(*BAND, 2001)
    with_reference = np.append(frequency, 1000.0)
    rows = sensitivities(picked, Conditions(curve=DISC, loading=LOADING, band_hz=BAND))
    for k, position_found in enumerate(rows.positions):
        levels = []
        for factor in (1.001, 0.999):
            values = picked.network.values.copy()
            values[k] *= factor
            solved = solve_cards(cards(picked, values), with_reference)
            levels.append(20 * np.log10(np.abs(solved)))
        change = (levels[0] - levels[1]) / 0.2
        # The next term of the difference is 1e-6 of the first.
        assert position_found.level_db_per_percent == pytest.approx(change[-1], abs=1e-6)
        shape = change[:-1] - change[:-1].mean()
        # The mean over 121 frequencies in place of 2001 gives 1 % of the ends another weight.
        assert position_found.db_per_percent_max == pytest.approx(np.abs(shape).max(), abs=6e-4)
    # The resistor across the output moves the level and hardly the shape; a series one both.
    by_ref = {p.ref: p for p in rows.positions}
    assert abs(by_ref["R4"].level_db_per_percent) > 10 * by_ref["R4"].db_per_percent_max
    assert by_ref["R4"].db_per_percent_max < min(
        by_ref[ref].db_per_percent_max for ref in ("R1", "R2", "C1", "C2")
    )


def test_shares_predict_the_variance_over_builds() -> None:
    """The root sum square of the error re 1 kHz against the spread of small tolerances."""
    picked = with_tolerances(bench_network(), [0.001] * 6)
    rows = sensitivities(picked, Conditions(curve=DISC, loading=LOADING, band_hz=BAND))
    result = spread(picked, **COMMON, builds=32768)
    width = (result.curves.error_db[3] - result.curves.error_db[1]) / (2 * 1.96)
    expected = np.interp(
        np.log(result.curves.frequency_hz), np.log(rows.frequency_hz), rows.root_sum_square_db
    )
    away = np.abs(np.log(result.curves.frequency_hz / 1e3)) > 0.2
    # Sums of uniforms are a little narrower at 95 % than a normal; quantiles of 32768 builds.
    np.testing.assert_allclose(width[away], expected[away], rtol=0.06)


def test_the_largest_share_is_the_one_to_tighten() -> None:
    """Halving the tolerance of each position in turn: the advised one gains most."""
    picked = bench_network()
    advised = tighten_first(
        sensitivities(picked, Conditions(curve=DISC, loading=LOADING, band_hz=BAND)).positions
    ).ref
    tolerances = [p.tolerance for p in picked.positions]
    gains = {}
    for k, ref in enumerate(picked.topology.refs):
        halved = [t / 2 if i == k else t for i, t in enumerate(tolerances)]
        result = spread(with_tolerances(picked, halved), **COMMON, builds=20000)
        gains[ref] = result.centred_db.p95
    assert min(gains, key=lambda ref: gains[ref]) == advised


def test_two_joined_parts_scatter_less_than_one() -> None:
    single = network_of(position("R1", ("in", "out"), 200.0), position("R2", ("out", "0"), 100.0))
    pair = replace(
        single,
        positions=(
            position("R1", ("in", "out"), 100.0, 100.0, joined="series"),
            single.positions[1],
        ),
    )
    loading = Loading(0.0, 1e15, 0.0)
    shares = [
        sensitivities(p, Conditions(curve=DISC, loading=loading, band_hz=BAND))
        for p in (single, pair)
    ]
    table = part_table(pair)
    np.testing.assert_allclose(
        standard_deviations(part_source(table, distribution="uniform")), 0.01 / np.sqrt(3)
    )
    np.testing.assert_allclose(
        shares[0].db_per_percent, shares[1].db_per_percent, rtol=1e-12, atol=1e-15
    )
