"""What capacitors' tolerances make of the error over builds, against builds drawn one by one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from antecurve.curves.model import FLAT, Curve
from antecurve.job import default_job
from antecurve.networks.centred_error import CentredError
from antecurve.networks.compiled import loaded_coefficients
from antecurve.networks.topology import Element, ElementKind
from antecurve.parts.corners import corner_error_db
from antecurve.pick.branch_and_bound import Space
from antecurve.pick.model import NEPER_DB
from antecurve.pick.scatter_bound import scatter_bound
from antecurve.pick.search_passes import Search

R, C = ElementKind.RESISTOR, ElementKind.CAPACITOR
_BRIDGED = (
    Element("R1", R, ("in", "a")), Element("R2", R, ("a", "out")), Element("C1", C, ("a", "0")),
    Element("C2", C, ("in", "out")), Element("R3", R, ("out", "0")),
)  # fmt: skip
_BUILDS = 4_000


def _space(forms: tuple[str, ...], elements: tuple[Element, ...] = (), **spread: str) -> Space:
    job = default_job()
    job = replace(
        job,
        network=replace(job.network, forms=forms, elements=elements or None),
        capacitors=replace(job.capacitors, parts_per_position=1),
        spread=replace(job.spread, builds=_BUILDS, **spread),  # type: ignore[arg-type]
    )
    return Search(job, None, None, None, 1.0).spaces[0]


def _errors_db(space: Space, member: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Errors over the whole band of builds, each evaluated as a network of its own [dB]."""
    job = space.model.job
    values = []
    for position in space.picked(member).positions:
        (part,) = position.parts
        relative = rng.uniform(-1.0, 1.0, _BUILDS)
        if job.spread.distribution == "normal":
            sigma = rng.standard_normal(2 * _BUILDS) / 3.0
            relative = sigma[np.abs(sigma) <= 1.0][:_BUILDS]
        values.append(part.value * (1.0 + part.tolerance * relative))
    transfer = loaded_coefficients(
        space.model.topology, np.stack(values, axis=1), loading=job.loading
    )
    return CentredError(job.curve, band_hz=job.target.band_hz)(transfer)


@pytest.mark.parametrize(
    ("form", "distribution"),
    [("foster-1", "normal"), ("cascade-long-first", "uniform"), ("own", "uniform")],
)
def test_no_network_has_fewer_builds_beyond_the_bound(form: str, distribution: str) -> None:
    """Shares of 4,000 builds, each known to four standard deviations of its count.

    The network comes nearest to the curve of many: of others more builds are further off.
    """
    own = form == "own"
    space = _space(() if own else (form,), _BRIDGED if own else (), distribution=distribution)
    rng = np.random.default_rng(3)
    last = [len(p.values) for p in space.candidates]
    drawn = rng.integers(0, last, (5_000, len(last)))
    rows = space.model.rows(space.values(drawn))[:, :-1]
    errors_db = _errors_db(space, drawn[np.argmin(np.ptp(rows, axis=1))], rng)
    for fraction in (0.02, 0.5, 0.95):
        bound_db = scatter_bound(space, fraction=fraction, worst=False) * NEPER_DB
        assert bound_db > 0.0
        share = float(np.mean(errors_db <= bound_db))
        assert share <= fraction + 4.0 * np.sqrt(fraction * (1.0 - fraction) / _BUILDS)


def test_the_bound_is_near_what_an_exact_network_makes_where_resistors_do_not_scatter() -> None:
    """One capacitor, so that the bound is that of the worst case; two of its builds are as good.

    A half-section of one time constant: only the width of the tolerance is taken off twice.
    """
    elements = (
        Element("R1", R, ("in", "out")), Element("C1", C, ("in", "out")),
        Element("R2", R, ("out", "0")),
    )  # fmt: skip
    job = default_job()
    job = replace(
        job,
        curve=Curve(name="own", zeros_s=(75e-6,), poles_s=()),
        network=replace(job.network, forms=(), elements=elements),
        loading=replace(job.loading, load_capacitance=0.0),
        capacitors=replace(job.capacitors, parts_per_position=1),
    )
    space = Search(job, None, None, None, 1.0).spaces[0]
    bound_db = scatter_bound(space, fraction=0.95, worst=True) * NEPER_DB
    tolerance = space.candidates[1].parts[0].tolerance
    omega = 2.0 * np.pi * np.geomspace(*job.target.band_hz, 2000)
    levels = [
        10.0 * np.log10(1.0 + (omega * 75e-6 * (1.0 + sign * tolerance)) ** 2) for sign in (-1, 1)
    ]
    exact_db = np.ptp(levels[1] - levels[0]) / 4.0
    assert 0.8 * exact_db < bound_db < exact_db


@pytest.mark.parametrize("form", ["foster-1", "rc-shunt-foster-1", "own"])
def test_no_worst_case_is_below_the_bound(form: str) -> None:
    own = form == "own"
    space = _space(() if own else (form,), _BRIDGED if own else ())
    rng = np.random.default_rng(4)
    last = [len(p.values) for p in space.candidates]
    drawn = rng.integers(0, last, (5_000, len(last)))
    near = drawn[np.argsort(np.ptp(space.model.rows(space.values(drawn))[:, :-1], axis=1))[:5]]
    bound_db = scatter_bound(space, fraction=1.0, worst=True) * NEPER_DB
    assert bound_db > 0.0
    for member in near:
        assert bound_db < corner_error_db(space.picked(member), space.model.job.conditions)


def test_a_flat_curve_is_not_bounded() -> None:
    space = _space(("foster-1",))
    flat = Curve(name=FLAT, zeros_s=(), poles_s=())
    space.model.job = replace(space.model.job, curve=flat)
    assert scatter_bound(space, fraction=0.95, worst=False) == 0.0
