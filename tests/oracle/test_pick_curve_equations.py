"""Equations of networks within a very small error, against exact networks and all combinations."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from pick_cases import dense_errors

from antecurve.job import Job, default_job
from antecurve.networks.topology import Element, ElementKind, Topology
from antecurve.pick.boxes import Grids, combinations_in
from antecurve.pick.curve_equations import CurveEquations
from antecurve.pick.model import NEPER_DB, NetworkModel
from antecurve.pick.monotone_bounds import narrowed
from antecurve.pick.objective import ErrorOverBand
from antecurve.synthesis.exact import exact_network_or_none

_FORMS = ["foster-1", "cauer-2", "rc-shunt-foster-1", "cascade-long-first"]
_KINDS = {"R": ElementKind.RESISTOR, "C": ElementKind.CAPACITOR}


def _network(*cards: str) -> Topology:
    return Topology(
        "own", tuple(Element(ref, _KINDS[ref[0]], (a, b)) for ref, a, b in map(str.split, cards))
    )


TWIN = _network(
    "R1 in a", "R2 a out", "C3 a 0", "C4 in b", "C5 b out", "R6 b 0", "R7 out 0", "R8 in out"
)


def _job() -> Job:
    job = default_job()
    free = replace(job.network, output_resistance_max=None, input_impedance_min=None)
    return replace(job, network=free)


@pytest.mark.parametrize("form", _FORMS)
def test_networks_within_their_own_error_are_kept(form: str) -> None:
    """The error is that over the band, which the fit of exact values has nothing to do with."""
    job = _job()
    exact = exact_network_or_none(
        form, job.curve, loading=job.loading, gain=job.gain, shunt_resistance=400.0
    )
    assert exact is not None
    network = exact.network
    model = NetworkModel(network.topology, job)
    rng = np.random.default_rng(3)
    for spread in (0.0, 1e-7, 1e-5):
        x = np.log(network.values) + rng.normal(0.0, spread, len(network.values))
        error = float(ErrorOverBand(model)(np.exp(x)[None])[0])
        assert error < 1e-4
        grids = Grids(tuple(x[:, None] + [-1e-9, 1e-9]))
        # 1e-9: more than the error over the band rounds.
        equations = CurveEquations(model, grids, error + 1e-9)
        assert equations.useful
        assert equations(grids.whole()).tolist() == [True]


def test_equations_exclude_what_no_combination_meets() -> None:
    """A twin T near its best values without steps, 0.197 dB: all of 6,561 combinations."""
    job = _job()
    model = NetworkModel(TWIN, job)
    near = np.log([3.57e5, 71.5, 9.4e-7, 1.72e-8, 1.04e-7, 2.06e5, 236.0, 3.77e5])
    grids = Grids(tuple(x + np.array([-0.4, 0.0, 0.4]) for x in near))
    equations = CurveEquations(model, grids, 1e-9 / NEPER_DB)
    remaining = narrowed(grids.whole(), equations, grids, width=0.0, leaf=1)
    assert not len(remaining)
    values = np.exp(np.concatenate([grids.logs(i) for i in combinations_in(grids.whole())]))
    assert float(dense_errors(TWIN, job, values, points=9).min()) > 1e-9


def test_equations_keep_the_combination_that_makes_the_curve() -> None:
    """Foster's first form with wide steps about exact values: theirs alone is kept."""
    job = _job()
    exact = exact_network_or_none(
        "foster-1", job.curve, loading=job.loading, gain=job.gain, shunt_resistance=400.0
    )
    assert exact is not None
    network = exact.network
    model = NetworkModel(network.topology, job)
    steps = np.array([-0.2, 0.0, 0.2])
    grids = Grids(tuple(x + steps for x in np.log(network.values)))
    error = float(ErrorOverBand(model)(network.values[None])[0])
    equations = CurveEquations(model, grids, error + 1e-8)
    remaining = narrowed(grids.whole(), equations, grids, width=0.0, leaf=1)
    kept = np.concatenate(list(combinations_in(remaining)))
    assert [1] * len(network.values) in kept.tolist()
    assert len(kept) < 3 ** len(network.values) / 9
