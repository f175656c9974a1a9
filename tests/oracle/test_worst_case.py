"""The worst case against dense sampling, scipy.optimize, and cases whose extreme is inside."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from bench_networks import (
    BAND,
    COMMON,
    DISC,
    LOADING,
    bench_network,
    network_of,
    position,
    random_network,
)
from scipy import optimize

from antecurve.algebra.transfer_function import TransferFunction
from antecurve.analysis.planning import with_tolerances
from antecurve.analysis.worst_case import WorstCase, worst_case, worst_corner
from antecurve.curves.model import Curve, response
from antecurve.errors import InputError
from antecurve.networks.centred_error import error_range
from antecurve.networks.compiled import transfer_coefficients
from antecurve.networks.conditions import Conditions
from antecurve.networks.topology import Loading, Network
from antecurve.parts.position import PickedNetwork
from antecurve.parts.scatter import part_table, position_box

GRID = np.geomspace(*BAND, 181)


def _errors(
    picked: PickedNetwork, values: np.ndarray, curve: Curve = DISC, loading: Loading = LOADING
) -> np.ndarray:
    """Centred error of builds, shape (builds,), on a plain grid."""
    transfer_function: TransferFunction = transfer_coefficients(
        picked.topology,
        values,
        source_resistance=loading.source_resistance,
        load_resistance=loading.load_resistance,
        load_capacitance=loading.load_capacitance,
    )
    error = 20 * np.log10(np.abs(transfer_function.response(GRID) / response(curve, GRID)))
    return np.asarray(0.5 * (error.max(axis=-1) - error.min(axis=-1)))


def _check(worst: WorstCase, picked: PickedNetwork) -> None:
    low, high = position_box(part_table(picked))
    assert np.all((np.array(worst.values) >= low) & (np.array(worst.values) <= high))
    reached = error_range(
        Network(picked.topology, np.array(worst.values)),
        Conditions(curve=DISC, loading=LOADING, band_hz=BAND),
    ).centred_db
    assert worst.centred_db == pytest.approx(reached, rel=1e-9)
    assert worst.corner_db <= worst.centred_db * (1 + 1e-9)
    assert worst.centred_db <= worst.upper_bound_db


@pytest.mark.sweep(3)
@pytest.mark.parametrize("seed", range(8))
def test_nothing_within_tolerance_is_worse(seed: int) -> None:
    rng = np.random.default_rng(seed)
    picked = random_network(rng, most_tolerance=0.06)
    worst = worst_case(picked, **COMMON)
    _check(worst, picked)
    assert worst.proved
    # The gap of the search, and what may lie between frequencies: 2.5e-4 dB with nine factors.
    assert worst.upper_bound_db <= worst.centred_db * (1 + 2e-4) + 3e-4
    low, high = position_box(part_table(picked))
    inside = low + (high - low) * rng.random((20_000, len(low)))
    faces = np.where(
        rng.random(inside.shape) < 0.5, np.where(inside > (low + high) / 2, high, low), inside
    )
    assert _errors(picked, inside).max() <= worst.upper_bound_db
    assert _errors(picked, faces).max() <= worst.upper_bound_db


@pytest.mark.parametrize("seed", [100, 101, 102])
def test_an_optimiser_finds_nothing_worse(seed: int) -> None:
    picked = random_network(np.random.default_rng(seed), most_tolerance=0.05)
    worst = worst_case(picked, **COMMON)
    low, high = position_box(part_table(picked))
    best = optimize.differential_evolution(
        lambda x: -_errors(picked, x.T if x.ndim == 2 else x),
        list(zip(low, np.maximum(high, low * (1 + 1e-12)), strict=True)),
        seed=1, maxiter=60, popsize=12, vectorized=True, updating="deferred", polish=False,
    )  # fmt: skip
    assert -best.fun <= worst.upper_bound_db
    # It comes close: the bound is not just a large number.
    assert -best.fun >= 0.99 * worst.centred_db


def _stationary() -> PickedNetwork:
    """A divider in which the error has its extreme in the middle of the range of one part.

    A lag network, R1 - (R2 + C1) shunt, against a flat curve: the largest phase shift, hence the
    steepest slope within the band, is where the corner lies in its middle.
    """
    return network_of(
        position("R1", ("in", "out"), 10e3, tolerance=0.0001),
        position("R2", ("out", "a"), 10e3, tolerance=0.0001),
        position("C1", ("a", "0"), 1e-8, tolerance=0.6),
    )


def test_an_extreme_inside_the_box_is_found() -> None:
    picked = _stationary()
    flat = Curve("flat", zeros_s=(1e-3,), poles_s=(1e-3,))
    band, loading = (900.0, 1100.0), Loading(0.0, 1e9, 0.0)
    worst = worst_case(picked, Conditions(curve=flat, loading=loading, band_hz=band))
    assert worst.proved and not worst.at_corner
    assert worst.corner_db < 0.95 * worst.centred_db
    corner = worst_corner(picked, Conditions(curve=flat, loading=loading, band_hz=band))
    assert worst.corner_db == corner
    low, high = position_box(part_table(picked))
    line = np.array([[10e3, 10e3, c] for c in np.linspace(low[2], high[2], 4001)])
    s = 2j * np.pi * np.array(band)
    gain = np.abs((10e3 + 1 / (s * line[:, 2:])) / (20e3 + 1 / (s * line[:, 2:])))
    slope = 10 * np.abs(np.log10(gain[:, 0] / gain[:, 1]))
    # R1 and R2 add their 0.01 %.
    assert worst.centred_db == pytest.approx(slope.max(), rel=3e-4)
    assert worst.values[2] == pytest.approx(line[slope.argmax(), 2], rel=0.02)


def test_wide_tolerances_keep_their_bound() -> None:
    """Where there is too little time the bound is wider, and says so."""
    picked = with_tolerances(bench_network(), [0.1, 0.2, 0.1, 0.2, 0.1, 0.1])
    worst = worst_case(picked, **COMMON, most_boxes=20, points_per_decade=30)
    _check(worst, picked)
    assert not worst.proved
    rng = np.random.default_rng(1)
    low, high = position_box(part_table(picked))
    sample = np.where(rng.random((20_000, 6)) < 0.5, low, high)
    assert _errors(picked, sample).max() <= worst.upper_bound_db


def test_root_sum_square_lies_between_nominal_and_worst() -> None:
    picked = bench_network()
    worst = worst_case(picked, **COMMON)
    nominal = error_range(
        picked.network, Conditions(curve=DISC, loading=LOADING, band_hz=BAND)
    ).centred_db
    assert nominal < worst.root_sum_square_db < worst.centred_db


def test_without_tolerance_the_worst_case_is_the_nominal_one() -> None:
    picked = with_tolerances(bench_network(), [0.0] * 6)
    worst = worst_case(picked, **COMMON)
    nominal = error_range(
        picked.network, Conditions(curve=DISC, loading=LOADING, band_hz=BAND)
    ).centred_db
    assert worst.centred_db == pytest.approx(nominal, rel=1e-9)
    assert worst.root_sum_square_db == pytest.approx(nominal, rel=1e-4)  # on the grid


def test_complex_zeros_are_not_called_proved() -> None:
    """A bridged T notches: its zeros are complex, so the bound between frequencies is open."""
    picked = network_of(
        position("C1", ("in", "a"), 10e-9),
        position("C2", ("a", "out"), 10e-9),
        position("R1", ("a", "0"), 1e3),
        position("R2", ("in", "out"), 100e3),
        position("R3", ("out", "0"), 100e3),
    )
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        worst = worst_case(picked, **COMMON)
    assert not worst.proved
    assert worst.centred_db <= worst.upper_bound_db


def test_too_many_positions_are_refused() -> None:
    chain = [position(f"R{k}", (f"n{k}", f"n{k + 1}"), 100.0) for k in range(13)]
    picked = network_of(
        position("R20", ("in", "n0"), 1.0), *chain, position("R21", ("n13", "out"), 1.0)
    )
    with pytest.raises(InputError, match="at most 12"):
        worst_corner(picked, **COMMON)
