"""The facts that the certificate rests on, against independent computations.

Each test draws networks at random and checks an inequality of `antecurve.pick.bounds`,
`antecurve.pick.monotone_bounds` or `antecurve.pick.time_constants` with a nodal solve,
`numpy.roots` or `scipy.linalg`.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import scipy.linalg
from nodal import solve_cards

from antecurve.arrays import log_frequencies
from antecurve.curves.model import level_db
from antecurve.job import Job, default_job
from antecurve.networks.topology import Element, ElementKind, Topology
from antecurve.pick.bounds import _remainder, bound_boxes
from antecurve.pick.boxes import Grids
from antecurve.pick.coefficient_windows import CoefficientWindows
from antecurve.pick.limits import limit_values
from antecurve.pick.model import NEPER_DB, NetworkModel
from antecurve.pick.objective import ErrorOverBand, resolution
from antecurve.pick.root_ranges import RootRanges
from antecurve.pick.search_passes import Search
from antecurve.pick.structure import interchangeable, ladder_of
from antecurve.pick.time_constants import time_constant_hull
from antecurve.synthesis.exact import exact_network_or_none, form_names

R, C = ElementKind.RESISTOR, ElementKind.CAPACITOR
ROUNDING = 1e-9

BRIDGED = Topology(
    "own",
    (
        Element("R1", R, ("in", "a")),
        Element("R2", R, ("a", "out")),
        Element("C1", C, ("a", "0")),
        Element("C2", C, ("in", "out")),
        Element("R3", R, ("out", "0")),
    ),
)


def _job() -> Job:
    job = default_job()
    free = replace(job.network, output_resistance_max=None, input_impedance_min=None)
    return replace(job, network=free)


def _networks() -> list[tuple[Topology, np.ndarray]]:
    """One exact network of each form that makes the default curve, and one that is no ladder."""
    job = _job()
    cases = [(BRIDGED, np.array([5e4, 5e4, 1e-9, 2e-9, 500.0]))]
    for form in form_names():
        exact = exact_network_or_none(
            form, job.curve, loading=job.loading, gain=job.gain, shunt_resistance=400.0
        )
        if exact is not None:
            cases.append((exact.network.topology, exact.network.values))
    return cases


NETWORKS = _networks()
NAMES = [t.form for t, _ in NETWORKS]


def _level(topology: Topology, values: np.ndarray, frequency: np.ndarray) -> np.ndarray:
    """ln|H| by a nodal solve of its own."""
    job = _job()
    cards = [(e.ref, *e.nodes, v) for e, v in zip(topology.elements, values, strict=True)]
    cards += [
        ("RSOURCE", "drive", "in", job.loading.source_resistance),
        ("RLOAD", "out", "0", job.loading.load_resistance),
        ("CLOAD", "out", "0", job.loading.load_capacitance),
    ]
    return np.log(np.abs(solve_cards(cards, frequency)))


@pytest.mark.parametrize(("topology", "values"), NETWORKS, ids=NAMES)
def test_rows_and_slopes(topology: Topology, values: np.ndarray) -> None:
    """Rows against the nodal solve; slopes against its central differences (1e-4, so 1e-8)."""
    job = _job()
    model = NetworkModel(topology, job)
    linear = model.linearise(values[None])
    target = level_db(job.curve, model.frequency) / NEPER_DB + math.log(job.gain)
    expected = _level(topology, values, model.frequency) - target
    np.testing.assert_allclose(linear.rows[0], expected, atol=1e-11)
    for i in range(len(values)):
        step = np.zeros(len(values))
        step[i] = 1e-4
        rise = _level(topology, values * np.exp(step), model.frequency)
        fall = _level(topology, values * np.exp(-step), model.frequency)
        np.testing.assert_allclose(linear.slopes[0, :, i], (rise - fall) / 2e-4, atol=2e-8)


@pytest.mark.parametrize(("topology", "values"), NETWORKS, ids=NAMES)
@pytest.mark.parametrize("size", [0.02, 0.15, 0.6])
def test_remainder_holds_within_the_box(
    topology: Topology, values: np.ndarray, size: float
) -> None:
    model = NetworkModel(topology, _job())
    rng = np.random.default_rng(3)
    for _ in range(6):
        centre = np.log(values) + rng.normal(0, 0.5, len(values))
        half = size * rng.uniform(0, 1, len(values))
        linear = model.linearise(np.exp(centre)[None])
        lowest, highest = _remainder(model, linear, np.exp(centre)[None], half[None])
        signs = rng.choice([-1.0, 1.0], (300, len(values)))
        signs[100:] *= rng.uniform(0, 1, (200, len(values)))
        rows = model.rows(np.exp(centre + signs * half))
        departure = rows - linear.rows[0] - (signs * half) @ linear.slopes[0].T
        assert np.all(departure <= highest[0] + ROUNDING)
        assert np.all(departure >= lowest[0] - ROUNDING)


def test_remainder_is_no_wild_overestimate() -> None:
    """The bound has to be of use: within a factor of 3 of what corners of the box reach."""
    topology, values = next(n for n in NETWORKS if n[0].form == "cauer-1")
    model = NetworkModel(topology, _job())
    half = np.full(len(values), 0.05)
    linear = model.linearise(values[None])
    lowest, highest = _remainder(model, linear, values[None], half[None])
    signs = np.random.default_rng(1).choice([-1.0, 1.0], (64, len(values)))
    rows = model.rows(values * np.exp(signs * half))
    departure = rows - linear.rows[0] - (signs * half) @ linear.slopes[0].T
    assert np.all((highest - lowest)[0] < 3.0 * np.ptp(departure, axis=0))


@pytest.mark.sweep(6)
@pytest.mark.parametrize(("topology", "values"), NETWORKS, ids=NAMES)
def test_no_box_loses_a_good_network(topology: Topology, values: np.ndarray) -> None:
    """A point within the error limit and the limits of the job stays in every box around it."""
    job = _job()
    model = NetworkModel(topology, job)
    rng = np.random.default_rng(5)
    kept = 0
    for _ in range(200):
        x = np.log(values) + rng.normal(0, rng.choice([1e-4, 1e-2, 0.3]), len(values))
        rows = model.rows(np.exp(x)[None])[0]
        limit = float(np.ptp(rows[:-1])) / 2 * (1 + 1e-12)
        if abs(rows[-1]) > job.target.level_tolerance_db / NEPER_DB or limit > 1.0:
            continue
        kept += 1
        width = rng.uniform(0, rng.choice([0.01, 0.2, 1.0]), (2, len(values)))
        bounds = bound_boxes(model, (x - width[0])[None], (x + width[1])[None], limit=limit)
        assert bounds.keep[0]
        assert np.all(bounds.low[0] <= x + ROUNDING)
        assert np.all(bounds.high[0] >= x - ROUNDING)
    assert kept > 10 or topology is BRIDGED


def test_limits_drop_no_network_that_meets_them() -> None:
    """Boxes around networks that just meet the limits on output and input impedance stay."""
    topology, values = next(n for n in NETWORKS if n[0].form == "cauer-2")
    job = _job()
    rng = np.random.default_rng(6)
    for _ in range(50):
        x = np.log(values) + rng.normal(0, 0.02, len(values))
        limits = limit_values(topology, job, np.exp(x)[None])
        network = replace(
            job.network,
            output_resistance_max=float(limits.output_ohm[0]) * (1 + 1e-9),
            input_impedance_min=float(limits.input_ohm[0]) * (1 - 1e-9),
        )
        model = NetworkModel(topology, replace(job, network=network))
        limit = float(np.ptp(model.rows(np.exp(x)[None])[0, :-1])) / 2 + 1e-12
        width = rng.uniform(0, 0.1, (2, len(values)))
        bound = bound_boxes(model, (x - width[0])[None], (x + width[1])[None], limit=limit)
        assert bound.keep[0]
    tight = replace(job.network, output_resistance_max=float(limits.output_ohm[0]) / 2)
    model = NetworkModel(topology, replace(job, network=tight))
    assert not bound_boxes(model, x[None] - 0.01, x[None] + 0.01, limit=limit).keep[0]


def test_time_constants_rise_with_every_element() -> None:
    """Roots of denominator and numerator of ladders, by numpy.roots."""
    rng = np.random.default_rng(7)
    for topology, values in NETWORKS:
        if ladder_of(topology) is None:
            continue
        model = NetworkModel(topology, _job())
        for _ in range(5):
            low = values * np.exp(rng.normal(0, 1, len(values)))
            high = low * np.exp(rng.uniform(0, 1, len(values)))
            for name in ("numerator", "denominator"):
                one, other = (
                    _time_constants(getattr(model.transfer(v[None]), name)[0]) for v in (low, high)
                )
                assert np.all(one <= other * (1 + 1e-6))  # rounding of the roots


def _time_constants(polynomial: np.ndarray) -> np.ndarray:
    roots = np.roots(polynomial[::-1])
    # Real and not positive, to the rounding of numpy.roots.
    assert np.all(np.abs(roots.imag) <= 1e-5 * np.abs(roots))
    assert np.all(roots.real <= 0)
    return np.sort(-1.0 / roots.real[roots.real < 0])


def test_pencil_eigenvalues_are_monotone() -> None:
    """Courant-Fischer for the pencil (C, G): scipy.linalg.eigh with more of either matrix."""
    rng = np.random.default_rng(8)
    for _ in range(50):
        a, b, more = (rng.normal(size=(4, 4)) for _ in range(3))
        capacitance, conductance = a @ a.T, b @ b.T + np.eye(4)
        extra = more[:, :1] @ more[:, :1].T
        before = scipy.linalg.eigh(capacitance, conductance, eigvals_only=True)
        charged = scipy.linalg.eigh(capacitance + extra, conductance, eigvals_only=True)
        shunted = scipy.linalg.eigh(capacitance, conductance + extra, eigvals_only=True)
        assert np.all(charged >= before - 1e-9)
        assert np.all(shunted <= before + 1e-9)


@pytest.mark.parametrize(("zeros", "poles"), [(2, 2), (2, 3)])
@pytest.mark.parametrize("limit_db", [0.05, 0.5, 3.0])
def test_hull_holds_every_set_of_time_constants(zeros: int, poles: int, limit_db: float) -> None:
    job = _job()
    frequency = np.geomspace(*job.target.band_hz, 9)
    omega = 2 * np.pi * frequency
    target = level_db(job.curve, frequency) / NEPER_DB
    hull = time_constant_hull(target, omega, zeros=zeros, poles=poles, limit=limit_db / NEPER_DB)
    exact = [3180e-6, 75e-6, 318e-6, 1 / (2 * np.pi * 50e3)] + [1e-8] * (poles - 2)
    rng = np.random.default_rng(9)
    checked = 0
    for spread in (0.01, 0.05, 0.2, 0.6):
        logs = np.log(exact) + rng.normal(0, spread, (20_000, len(exact)))
        shares = 0.5 * np.log1p((omega[:, None, None] * np.exp(logs)) ** 2)
        rows = shares[..., :zeros].sum(-1) - shares[..., zeros:].sum(-1) - target[:, None]
        good = np.exp(logs[np.ptp(rows, axis=0) / 2 <= limit_db / NEPER_DB])
        checked += len(good)
        top = np.sort(good[:, :zeros])[:, ::-1]
        bottom = np.sort(good[:, zeros:])[:, ::-1]
        assert np.all((top >= hull.zeros_low) & (top <= hull.zeros_high))
        assert np.all((bottom >= hull.poles_low) & (bottom <= hull.poles_high))
    assert checked > 50
    if limit_db < 1.0:
        assert hull.zeros_high[0] < 2 * exact[0]  # and it bounds something


def test_hull_is_empty_where_nothing_fits() -> None:
    """One pole and one zero can't make the disc curve to 0.5 dB."""
    job = _job()
    frequency = np.geomspace(*job.target.band_hz, 9)
    target = level_db(job.curve, frequency) / NEPER_DB
    hull = time_constant_hull(target, 2 * np.pi * frequency, zeros=1, poles=1, limit=0.5 / NEPER_DB)
    assert hull.empty


def test_which_networks_are_ladders() -> None:
    for topology, _ in NETWORKS:
        assert (ladder_of(topology) is None) == (topology is BRIDGED)
    arms = ladder_of(next(t for t, _ in NETWORKS if t.form == "cascade-long-first"))
    assert arms is not None
    assert arms.shunt == (False, False, False, False, False, True, True)


def test_branches_of_fosters_first_form_trade_places() -> None:
    by_name = {t.form: t for t, _ in NETWORKS}
    (exchange,) = interchangeable(by_name["foster-1"])
    assert (exchange.larger, exchange.smaller) == (0, 2)
    assert exchange.order == (2, 3, 0, 1, 4, 5)
    for form in ("foster-2", "cauer-1", "cauer-2"):
        assert interchangeable(by_name[form]) == ()


@pytest.mark.parametrize(("topology", "values"), NETWORKS[1:], ids=NAMES[1:])
def test_error_over_the_band_is_as_good_as_it_says(topology: Topology, values: np.ndarray) -> None:
    """Against a grid ten times as fine, whose own miss is below 1/100 of that of 240 a decade."""
    job = _job()
    model = NetworkModel(topology, job)
    over_band = ErrorOverBand(model)
    frequency = log_frequencies(job.target.band_hz, points_per_decade=2400)
    rng = np.random.default_rng(10)
    for spread in (1e-5, 1e-3, 0.05, 0.5):
        drawn = values * np.exp(rng.normal(0, spread, (40, len(values))))
        errors = over_band(drawn)
        level = 20 * np.log10(np.abs(model.transfer(drawn).response(frequency)))
        fine = np.ptp(level - level_db(job.curve, frequency), axis=1) / 2 / NEPER_DB
        for error, expected in zip(errors, fine, strict=True):
            # 1e-12: rounding of levels of some nepers; the fine grid lies below the continuum.
            assert abs(error - expected) <= resolution(error) + 1e-6 * error + 1e-12


@pytest.mark.sweep(1)
@pytest.mark.parametrize("limit_db", [0.001, 0.1])
def test_ranges_hold_the_roots_of_every_network_within_a_limit(limit_db: float) -> None:
    """Random time constants around those of two curves, one with a pole more than the curve."""
    rng = np.random.default_rng(10)
    frequency = np.geomspace(20, 20e3, 25)
    omega = 2 * np.pi * frequency
    for zeros, poles, extra in (
        ((3180e-6, 75e-6), (318e-6, 3.18e-6), 1e-7),
        ((3180e-6, 400e-6, 50e-6), (1000e-6, 120e-6, 3.18e-6), 5e-8),
    ):
        exact = np.array([*zeros, *poles, extra])

        def rows(logs: np.ndarray, count: int = len(zeros)) -> np.ndarray:
            shares = 0.5 * np.log1p((omega[:, None, None] * np.exp(logs)) ** 2)
            return shares[..., :count].sum(-1) - shares[..., count:].sum(-1)

        target = rows(np.log(exact[:-1])[None])[:, 0]
        ranges = RootRanges(
            target, omega, near=(np.array(zeros), np.array(poles)),
            counts=(len(zeros), len(poles) + 1), limit=limit_db / NEPER_DB,
        )  # fmt: skip
        (z_low, z_high), (p_low, p_high) = ranges.zeros(), ranges.poles()
        assert np.all(z_high < 1.3 * np.array(zeros))  # and they bound something
        checked = 0
        for spread in (1e-4, 1e-3, 1e-2):
            logs = np.log(exact) + rng.normal(0, spread, (4000, len(exact)))
            logs[:, -1] += rng.uniform(-9, 3, len(logs))
            near = np.ptp(rows(logs) - target[:, None], axis=0) / 2 <= limit_db / NEPER_DB
            members = np.exp(logs[near])
            checked += len(members)
            top, bottom = members[:, : len(zeros)], np.sort(members[:, len(zeros) :])[:, ::-1]
            assert np.all((z_low <= top) & (top <= z_high))
            assert np.all((p_low <= bottom) & (bottom <= p_high))
        assert checked > 200


@pytest.mark.sweep(1)
@pytest.mark.parametrize("bridged_by", [(), (Element("R4", R, ("in", "out")),)])
def test_windows_of_coefficients_keep_every_network_within_its_own_error(
    bridged_by: tuple[Element, ...],
) -> None:
    """Bridged networks around those nearest to the curve; the limit is each one's own error."""
    rng = np.random.default_rng(11)
    elements = (*BRIDGED.elements, *bridged_by)
    job = replace(_job(), network=replace(_job().network, forms=(), elements=elements))
    search = Search(job, None, None, None, 5.0)
    (space,), (starts,) = search.spaces, search.starts
    for spread in (0.0, 0.01, 0.1):
        x = starts[0] + rng.normal(0.0, spread, starts.shape[1])
        rows = space.model.rows(np.exp(x)[None])[0]
        level_db = abs(float(rows[-1])) * NEPER_DB + 1e-6
        job_at = replace(job, target=replace(job.target, level_tolerance_db=level_db))
        limit = float(ErrorOverBand(space.model)(np.exp(x)[None])[0]) * (1 + 1e-6)
        model = NetworkModel(space.model.topology, job_at)
        ends = x - rng.uniform(0.0, 0.1, len(x)), x + rng.uniform(0.0, 0.1, len(x))
        grids = Grids(tuple(np.array(pair) for pair in zip(*ends, strict=True)))
        windows = CoefficientWindows(model, grids, limit)
        assert windows(grids.whole()).tolist() == [True]
        # All of the first kind 20 times as large or as small: the curve is made elsewhere.
        for factor in (1 / 20, 20):
            moved = x + np.log(factor) * np.array([e.kind is R for e in elements])
            far = Grids(tuple(moved[:, None]))
            assert not CoefficientWindows(model, far, 0.1 * limit)(far.whole())[0]


@pytest.mark.sweep(1)
@pytest.mark.parametrize("form", ["foster-1", "cauer-2"])
def test_windows_of_very_small_limits_keep_every_network_within_its_own_error(form: str) -> None:
    """Exact networks, moved by some millionths, treated as if they were no ladder."""
    topology, exact = next(n for n in NETWORKS if n[0].form == form)
    model = NetworkModel(topology, _job())
    rng = np.random.default_rng(12)
    for spread in (0.0, 1e-7, 1e-6, 1e-5):
        x = np.log(exact) + rng.normal(0.0, spread, len(exact))
        error = float(ErrorOverBand(model)(np.exp(x)[None])[0])
        assert error < 1e-4
        grids = Grids(tuple(x[:, None] + [-1e-9, 1e-9]))
        windows = CoefficientWindows(model, grids, error + 1e-9)
        assert windows(grids.whole()).tolist() == [True]


def test_a_pole_that_the_curve_lacks_excludes_networks_at_a_very_small_limit() -> None:
    """A bridged T whose capacitor across the output makes one: its best error is 0.00006 dB."""
    elements = (
        *BRIDGED.elements, Element("R4", R, ("in", "out")), Element("C3", C, ("out", "0")),
    )  # fmt: skip
    model = NetworkModel(Topology("own", elements), _job())
    near = np.log([1e6, 166.0, 4.47e-7, 6.44e-9, 530.0, 1e6, 1.87e-8])
    grids = Grids(tuple(near[:, None] + [-0.1, 0.1]))
    kept = [
        CoefficientWindows(model, grids, db / NEPER_DB)(grids.whole())[0] for db in (1e-6, 1e-3)
    ]
    assert kept == [False, True]


@pytest.mark.parametrize("form", ["foster-1", "cauer-2"])
def test_looking_at_few_frequencies_first_drops_no_network_within_a_limit(form: str) -> None:
    """Against the rows over all frequencies, from limits that few networks keep to ones all do."""
    topology, exact = next(n for n in NETWORKS if n[0].form == form)
    model = NetworkModel(topology, _job())
    rng = np.random.default_rng(13)
    values = exact * np.exp(rng.normal(0.0, 0.05, (3000, len(exact))))
    errors = np.ptp(model.rows(values)[:, :-1], axis=1) / 2.0
    for limit in (0.0, *np.quantile(errors, [0.001, 0.1, 0.9]), 1e6):
        assert model.near(values, limit).tolist() == np.flatnonzero(errors <= limit).tolist()
