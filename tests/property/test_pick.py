"""The search against brute force over small catalogues, for every form."""

from __future__ import annotations

import functools
import zlib
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from pick_cases import CURVES, Case, all_combinations, allowed, dense_errors, random_case

from antecurve.curves.model import Curve
from antecurve.errors import NoCombinationError
from antecurve.job import PickRequest, Stock, default_job
from antecurve.networks.topology import ElementKind
from antecurve.parts.drawer import Drawer, DrawerEntry
from antecurve.parts.position import Part
from antecurve.pick import branch_and_bound
from antecurve.pick.boxes import Boxes
from antecurve.pick.branch_and_bound import Space, exhaust
from antecurve.pick.candidates import candidates
from antecurve.pick.model import NEPER_DB, NetworkModel
from antecurve.pick.monotone_bounds import monotone_cut
from antecurve.pick.paired_cut import paired_cut
from antecurve.pick.search import pick
from antecurve.pick.structure import interchangeable, zero_pairs
from antecurve.pick.synthesised_cut import synthesised_cut
from antecurve.synthesis.arms import CANONICAL
from antecurve.synthesis.exact import exact_network, form_names
from long_form import few

CATALOGUES = few(2, of=6)

# The grid has 481 frequencies; the search knows the error over the continuum, which is above that
# by what lies between grid points: a parabola of the steepest error here, 3 dB in an octave, over a
# step of 1/48 octave is below 2e-4 of the error.
GRID = 2e-4


@functools.cache
def _cases(form: str) -> list[Case]:
    rng = np.random.default_rng(zlib.crc32(form.encode()))
    cases: list[Case] = []
    for _ in range(60 * CATALOGUES):
        case = random_case(rng, form)
        if case is not None:
            values = all_combinations(case)
            if allowed(case.topology, case.job, values).any():
                cases.append(case)
        if len(cases) == CATALOGUES:
            break
    return cases


def _space(case: Case, *, sorted_branches: bool) -> Space:
    stock = {
        ElementKind.RESISTOR: candidates(ElementKind.RESISTOR, case.job.resistors, case.drawer),
        ElementKind.CAPACITOR: candidates(ElementKind.CAPACITOR, case.job.capacitors, case.drawer),
    }
    places = tuple(stock[e.kind] for e in case.topology.elements)
    exchanges = interchangeable(case.topology) if sorted_branches else ()
    return Space(NetworkModel(case.topology, case.job), places, exchanges)


@pytest.mark.sweep(8)
@pytest.mark.parametrize("form", form_names())
def test_search_lists_what_brute_force_lists(form: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """With boxes down to six combinations everything hangs on the bounds."""
    monkeypatch.setattr(branch_and_bound, "_LEAF", 6)
    cases = _cases(form)
    assert len(cases) == CATALOGUES
    for number, case in enumerate(cases):
        values = all_combinations(case)
        values = values[allowed(case.topology, case.job, values)]
        errors = dense_errors(case.topology, case.job, values)
        limit = float(np.sort(errors)[min(len(errors) - 1, 4 * (number % 2))])
        space = _space(case, sorted_branches=False)
        wide = limit * (1 + 2 * GRID) / NEPER_DB
        boxes = monotone_cut(space.model, space.grids, limit=wide, leaf=6)
        listed = exhaust(space, boxes, limit=wide, keep_all=True)
        got = {tuple(v) for v in space.values(listed.indices)}
        must = {tuple(v) for v in values[errors <= limit]}
        may = {tuple(v) for v in values[errors <= limit * (1 + 3 * GRID)]}
        assert listed.complete
        assert must <= got <= may, case


WIDE_DB = 0.05  # of wider limits narrow cuts say little
THREE_ZEROS = Curve("three zeros", (3180e-6, 400e-6, 50e-6), (1000e-6, 120e-6, 3.18e-6))


def _listed(boxes: Boxes, space: Space, combinations: np.ndarray) -> bool:
    grids = [p.values for p in space.candidates]
    at = [
        [int(np.abs(g - v).argmin()) for g, v in zip(grids, combination, strict=True)]
        for combination in combinations
    ]
    return all(np.any(np.all((boxes.first <= a) & (a <= boxes.last), axis=1)) for a in at)


@pytest.mark.sweep(4)
@pytest.mark.parametrize(
    ("form", "curve", "cut"),
    [
        ("foster-1", CURVES[0], paired_cut),
        ("cascade-long-first", CURVES[0], paired_cut),
        ("foster-1", THREE_ZEROS, paired_cut),
        ("foster-1", CURVES[0], synthesised_cut),
        ("cauer-2", CURVES[0], synthesised_cut),
        *((arm.name, THREE_ZEROS, synthesised_cut) for arm in CANONICAL),
    ],
)
def test_narrow_cuts_lose_nothing_that_brute_force_lists(
    form: str, curve: Curve, cut: Callable[..., Boxes | None]
) -> None:
    """Parts within 1 % of exact ones, so that limits are narrow; a dozen combinations each."""
    rng = np.random.default_rng(1)
    job = replace(
        default_job(),
        curve=curve,
        resistors=Stock(None, 0.01, (1.0, 1e9), 1, ("series",)),
        capacitors=Stock(None, 0.01, (1e-13, 1e-3), 1, ("parallel",)),
    )
    network = exact_network(
        form, curve, loading=job.loading, gain=job.gain, shunt_resistance=500.0
    ).network
    drawn = {}
    for kind in ElementKind:
        values = [
            float(v)
            for e, v in zip(network.topology.elements, network.values, strict=True)
            if e.kind is kind
        ]
        more = [values[-1] * float(np.exp(rng.normal(0, 0.004))), values[0] * 1.003]
        drawn[kind] = np.sort(values + more[: 1 if len(network.values) > 7 else 2])
    drawer = Drawer(
        tuple(
            DrawerEntry(kind, Part(float(v), 0.01, "drawer"), 99)
            for kind, values in drawn.items()
            for v in values
        )
    )
    resistors, capacitors = drawn[ElementKind.RESISTOR], drawn[ElementKind.CAPACITOR]
    case = Case(job, drawer, network.topology, resistors, capacitors)
    space = _space(case, sorted_branches=False)
    values = all_combinations(case)
    errors = np.concatenate(
        [np.ptp(space.model.rows(part)[:, :-1], axis=1) / 2 for part in np.array_split(values, 40)]
    )
    near = values[np.argsort(errors)[:300]]
    near = near[allowed(case.topology, job, near)]
    errors = dense_errors(case.topology, job, near)
    limit = min(float(np.sort(errors)[11]), WIDE_DB)
    assert np.count_nonzero(errors <= limit) >= 3
    boxes = cut(space.model, space.grids, limit=limit * (1 + 2 * GRID) / NEPER_DB)
    assert boxes is not None
    assert boxes.sizes.sum() < len(values) / 4  # else the cut says little
    assert _listed(boxes, space, near[errors <= limit])


def test_zero_pairs_are_those_that_alone_lead_to_the_output() -> None:
    """Read off the drawings: the short tank of `foster-1-inside-long` has a way around it."""
    expected = {
        "foster-1": {("R1", "C1"), ("R2", "C2")},
        "foster-1-inside-long": {("R1", "C1")},
        "cascade-long-first": {("R2", "C1"), ("R3", "C2")},
    }
    for form, named in expected.items():
        job = default_job()
        topology = exact_network(
            form, CURVES[0], loading=job.loading, gain=job.gain, shunt_resistance=500.0
        ).network.topology
        refs = topology.refs
        assert {(refs[r], refs[c]) for r, c in zero_pairs(topology)} == named


@pytest.mark.sweep(8)
@pytest.mark.parametrize("form", form_names())
def test_pick_is_the_best_there_is(form: str) -> None:
    """Of one catalogue for each form: 22 in all; how it is reached is the test above."""
    for case in _cases(form)[:1]:
        values = all_combinations(case)
        values = values[allowed(case.topology, case.job, values)]
        best = dense_errors(case.topology, case.job, values).min()
        result = pick(case.job, drawer=case.drawer)
        assert result.search.proved
        assert best * (1 - 1e-9) <= result.search.objective_db <= best * (1 + GRID) + 1e-9
        assert result.search.lower_bound_db <= result.search.objective_db
        assert result.search.lower_bound_db >= result.search.objective_db * (1 - 2e-5) - 1e-9


def test_no_part_is_used_twice() -> None:
    """One of each part: brute force over combinations without repetition."""
    rng = np.random.default_rng(11)
    examined = 0
    while examined < few(2, of=6):
        case = random_case(rng, "foster-1", quantity=1)
        if case is None:
            continue
        values = all_combinations(case)
        distinct = np.array([len(set(v)) == len(v) for v in values])
        values = values[distinct]
        values = values[allowed(case.topology, case.job, values)]
        if not len(values):
            with pytest.raises(NoCombinationError):
                pick(case.job, drawer=case.drawer)
            continue
        examined += 1
        best = dense_errors(case.topology, case.job, values).min()
        result = pick(case.job, drawer=case.drawer)
        assert result.search.proved
        assert result.search.objective_db == pytest.approx(best, rel=GRID)


def test_stereo_pair_is_the_best_there_is() -> None:
    """Two of each part: brute force over pairs of combinations that share no part too many."""
    rng = np.random.default_rng(12)
    examined = 0
    while examined < few(1, of=3):
        case = random_case(rng, "cauer-1", quantity=2)
        if case is None:
            continue
        values = all_combinations(case)
        values = values[allowed(case.topology, case.job, values)]
        values = values[[max(np.unique(v, return_counts=True)[1]) <= 2 for v in values]]
        if not len(values):
            continue
        errors = dense_errors(case.topology, case.job, values)
        order = np.argsort(errors)
        best = next(
            (
                errors[j]
                for rank, j in enumerate(order)
                for i in order[: rank + 1]
                if max(np.unique([*values[i], *values[j]], return_counts=True)[1]) <= 2
            ),
            None,
        )
        job = replace(case.job, pick=PickRequest(sets=2))
        if best is None:
            with pytest.raises(NoCombinationError):
                pick(job, drawer=case.drawer)
            continue
        examined += 1
        result = pick(job, drawer=case.drawer)
        assert result.second is not None
        assert result.search.proved
        assert result.search.objective_db == pytest.approx(best, rel=GRID)
        used = [p.value for n in (result.best, result.second) for q in n.positions for p in q.parts]
        assert max(np.unique(used, return_counts=True)[1]) <= 2
