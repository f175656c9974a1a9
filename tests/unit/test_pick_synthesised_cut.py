"""Bounds of exact synthesis: every network made from time constants in a hull lies in a box."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from antecurve.curves.model import Curve
from antecurve.job import Job, default_job
from antecurve.networks.topology import Loading
from antecurve.pick.arm_ranges import ARM_RANGES
from antecurve.pick.logarithm_forms import LogForm, variable
from antecurve.pick.model import NEPER_DB, NetworkModel
from antecurve.pick.rounding import neighbours, rounded, scattered
from antecurve.pick.search_passes import Search
from antecurve.pick.synthesised_cut import (
    Synthesised,
    _Section,
    synthesised_arms,
    synthesised_cut,
)
from antecurve.synthesis.exact import exact_network_or_none

ZEROS, POLES = (3180e-6, 400e-6, 50e-6), (1000e-6, 120e-6, 3.18e-6)
LOADINGS = (Loading(50.0, 47e3, 150e-12), Loading(0.0, 47e3, 0.0), Loading(600.0, 1e5, 3e-10))
WIDTH = 0.03  # ln of a time constant, to either side


def _variables(rng: np.random.Generator, count: int) -> tuple[list[LogForm], np.ndarray]:
    low = rng.normal(0.0, 1.0, (count, 1)) - 0.3
    forms = [variable(a, a + 0.2, number=i, variables=count) for i, a in enumerate(low)]
    return forms, low[:, 0] + 0.2 * rng.uniform(0.0, 1.0, (400, count))


def test_forms_hold_what_they_stand_for() -> None:
    """Sums, products and distances from 1 at random points, computed in plain numbers."""
    rng = np.random.default_rng(1)
    told = 0
    for _ in range(200):
        (a, b, c), logs = _variables(rng, 3)
        x, y, z = np.exp(logs.T)
        cases = [
            (LogForm.total([a, b.times(2), c]), x + y**2 + z),
            (a - b + c, x / y * z),
            ((a - b).from_one(), np.abs(1.0 - x / y)),
            (LogForm.total([a, b]).within(np.zeros(1), np.full(1, 0.1)), (x + y) * 1.05),
        ]
        for form, values in cases:
            assert np.all(np.log(values) >= form.low[0])
            assert np.all(np.log(values) <= form.high[0])
            told += form.high[0] - form.low[0] < 2.0
    assert told > 400


@pytest.mark.parametrize("form", ARM_RANGES)
@pytest.mark.parametrize("loading", LOADINGS)
def test_every_network_of_a_hull_lies_in_its_box(form: str, loading: Loading) -> None:
    """Against `exact_network`, which solves each curve in fractions."""
    logs, _, section, arms = _moved(form, loading, 316.0)
    assert arms.infinity is not None
    elements = [*ARM_RANGES[form](*section.fractions()), section.infinity()]
    logs = logs[:, [*arms.arm, arms.infinity]]
    low, high = (np.array([element[end][0] for element in elements]) for end in (0, 1))
    assert np.all(logs >= low)
    assert np.all(logs <= high)
    # Foster's second form comes by zeros that are bounded apart from residues.
    assert np.all(high - low <= (8.0 if form == "foster-2" else 3.0) * np.ptp(logs, axis=0))


@pytest.mark.parametrize("shunt", [3160.0, 12e3])
def test_pole_of_the_load_lies_in_its_range(shunt: float) -> None:
    """Against the roots of the denominator; tau is 0.44 and 1.4 us, the curve's last pole 3.2."""
    logs, model, section, arms = _moved("foster-1", LOADINGS[0], shunt)
    low, high = section.with_load_pole()
    longest = 150e-12 / (1.0 / shunt + 1.0 / 47e3)
    for values in np.exp(logs):
        last = np.log(-1.0 / np.roots(model.transfer(values).denominator[::-1]).min())
        assert low[0, -1] <= last <= high[0, -1]
    # The level of 1 dB to either side, and what the others leave open.
    assert np.exp(high[0, -1]) < 0.9 * longest
    assert np.exp(low[0, -1]) > 0.3 * longest
    assert arms.infinity is not None
    elements = [*ARM_RANGES["foster-1"](*section.fractions()), section.infinity()]
    for (least, most), column in zip(elements, (*arms.arm, arms.infinity), strict=True):
        assert least <= logs[:, column].min()
        assert logs[:, column].max() <= most


def _moved(
    form: str, loading: Loading, shunt: float
) -> tuple[np.ndarray, NetworkModel, _Section, Synthesised]:
    """Logarithms of exact networks of moved curves, and the section that holds them."""
    rng = np.random.default_rng(2)
    job = _job(loading)
    pole = (loading.load_capacitance / (1.0 / shunt + 1.0 / loading.load_resistance),)
    beyond = pole if loading.load_capacitance else ()
    at = np.full(1, math.log(shunt))
    inner: list[np.ndarray] = []
    for _ in range(60):
        corner = rng.choice([-WIDTH, WIDTH, 0.0], 6)
        level = rng.choice([-1.0, 1.0]) * job.target.level_tolerance_db / NEPER_DB
        curve = Curve("moved", tuple(np.exp(corner[:3]) * ZEROS), tuple(np.exp(corner[3:]) * POLES))
        exact = exact_network_or_none(
            form, curve, loading=loading, gain=job.gain * math.exp(level), shunt_resistance=shunt
        )
        if exact is not None:
            inner.append(np.log(exact.network.values))
            topology = exact.network.topology
    assert len(inner) > 30
    model = NetworkModel(topology, job)
    arms = synthesised_arms(model)
    assert arms is not None
    middle = np.log([*ZEROS, *POLES])
    low = np.array([[*(middle - WIDTH), *(-60.0 for _ in beyond)]])
    high = np.array([[*(middle + WIDTH), *(math.log(t) for t in beyond)]])
    return np.array(inner), model, _Section(model, low, high, (at, at), 1e-5), arms


def _job(loading: Loading) -> Job:
    job = default_job()
    return replace(job, curve=Curve("three zeros", ZEROS, POLES), loading=loading)


def test_every_combination_near_the_curve_lies_in_a_box_of_the_cut() -> None:
    """Rounded networks within 0.03 dB, without a limit of output resistance; 600 pF across it."""
    job = default_job()
    curve = Curve("two zeros", (3180e-6, 75e-6), (318e-6, 3.18e-6))
    network = replace(
        job.network, forms=("cauer-2",), output_resistance_max=None, input_impedance_min=None
    )
    job = replace(job, curve=curve, network=network, loading=Loading(50.0, 47e3, 6e-10))
    search = Search(job, None, None, None, None)
    (space,) = search.spaces
    limit = 0.03 / NEPER_DB
    boxes = synthesised_cut(space.model, space.grids, limit=limit)
    assert boxes is not None
    near = rounded(space, scattered(search.starts[0]))
    near = near[np.argsort(space.error(space.values(near)))[:15]]
    near = neighbours(space, near)
    near = near[(space.error(space.values(near)) <= limit) & space.admitted(near)]
    assert len(near) > 100
    for indices in near:
        assert np.any(np.all((boxes.first <= indices) & (indices <= boxes.last), axis=1))
