"""Trimming against trying everything."""

from __future__ import annotations

import functools
import itertools
from dataclasses import replace

import numpy as np
import pytest
from bench_networks import BAND, DISC, LOADING, bench_network, network_of, position

import antecurve.analysis.trim as trim_module
import antecurve.analysis.trim_search as trim_search
from antecurve.analysis.meter import MeterAccuracy
from antecurve.analysis.trim import (
    LEAST_GAIN,
    LEAST_GAIN_DB,
    TrimProposal,
    TrimResult,
    trim,
)
from antecurve.analysis.trim_subject import TrimSubject
from antecurve.errors import InputError, NoCombinationError
from antecurve.job import Job, NetworkRequest, Stock, Target
from antecurve.networks.centred_error import error_range
from antecurve.networks.compiled import transfer
from antecurve.networks.conditions import Conditions
from antecurve.networks.topology import ElementKind, Network
from antecurve.parts.drawer import Drawer, DrawerEntry
from antecurve.parts.position import Part
from antecurve.parts.series import series_values
from antecurve.report.build_tables import trim_lines
from antecurve.synthesis.exact import exact_network

PICKED = bench_network()
JOB = Job(
    DISC,
    loading=LOADING,
    target=Target(level_tolerance_db=2.0),
    network=NetworkRequest(),
    resistors=Stock("E12", 0.01, (100.0, 1e6), 1, ("series", "parallel")),
    capacitors=Stock("E12", 0.025, (22e-12, 1e-7), 1, ("parallel",)),
)
FITTED = {"C1": 7.28e-9, "C2": 2.02e-9}


def _error(values: np.ndarray) -> float:
    return error_range(
        Network(PICKED.topology, values), Conditions(curve=DISC, loading=LOADING, band_hz=BAND)
    ).centred_db


EXACT = MeterAccuracy(0.0, 0.0)


def _result(measured: dict[str, float] | None = None, job: Job = JOB, **more: int) -> TrimResult:
    return trim(PICKED, job, measured=FITTED if measured is None else measured, **more)


@functools.cache
def _of_three_changes() -> TrimResult:
    return _result(most_changes=3)


def test_proposals_make_what_they_say() -> None:
    result = _of_three_changes()
    assert result.proposals
    for proposal in result.proposals:
        _check(proposal)
    promises = [result.before.p95_db, *(p.p95_db for p in result.proposals)]
    for fewer, more in itertools.pairwise(promises):
        assert fewer - more >= max(LEAST_GAIN * fewer, LEAST_GAIN_DB)
    assert [len(p.changes) for p in result.proposals] == sorted(
        {len(p.changes) for p in result.proposals}
    )
    assert result.advised in (result.before, *result.proposals)


def _check(proposal: TrimProposal) -> None:
    refs = [c.ref for c in proposal.changes]
    assert len(set(refs)) == len(refs)
    assert proposal.centred_db == pytest.approx(_error(proposal.picked.network.values), rel=1e-12)
    assert proposal.p95_db >= proposal.centred_db * 0.9
    for change in proposal.changes:
        resistor = change.ref.startswith("R")
        before = FITTED.get(change.ref, PICKED.network.value(change.ref))
        part = change.parts[0].value
        stock = JOB.resistors if resistor else JOB.capacitors
        assert part in series_values(str(stock.series), low=1e-12, high=1e9)
        assert (change.action == "fit") == (change.ref not in FITTED)
        if change.action == "fit":
            expected = part
        elif (change.action == "add in series") == resistor:
            expected = before + part
        else:
            expected = before * part / (before + part)
        assert change.position.value == pytest.approx(expected, rel=1e-12)


def test_a_copy_that_is_right_is_left_alone() -> None:
    """Exact values, known exactly: the error is 0, and no part can better it."""
    exact = exact_network("foster-1", DISC, loading=LOADING, gain=0.01, shunt_resistance=500.0)
    by_ref = dict(zip(exact.network.topology.refs, exact.network.values.tolist(), strict=True))
    picked = network_of(
        *(position(e.ref, e.nodes, by_ref[e.ref]) for e in exact.network.topology.elements)
    )
    result = trim(picked, JOB, measured=by_ref, meter=EXACT)
    assert result.before.p95_db < 1e-3
    assert result.advised is result.before
    assert "No change is advised" in " ".join(trim_lines(result))


def test_a_copy_as_good_as_its_design_may_still_be_bettered() -> None:
    exact = {p.element.ref: p.value for p in PICKED.positions}
    result = _result(exact)
    assert result.before.centred_db == pytest.approx(result.designed_db, rel=1e-9)
    assert result.advised.p95_db < 0.9 * result.before.p95_db
    assert "goes beyond it" in " ".join(trim_lines(result))


def test_a_replaced_part_is_unsoldered() -> None:
    """R1 lies 1 % below and C1 far above: only taking a part out makes C1 smaller."""
    measured = {"C1": 7.07e-9 * 1.3, "C2": 2.07e-9}
    result = _result(measured, most_changes=1)
    (change,) = result.proposals[0].changes
    assert change.ref == "C1" and change.action == "replace"
    assert change.unsolder == ("C1a", "C1b")  # two parts, measured as one
    assert result.proposals[0].parts_to_unsolder == 2
    assert result.proposals[0].parts_to_add == len(change.parts)
    assert "replace C1a and C1b by" in trim_lines(result)[1]
    parts = {"C1a": 6.8e-9 * 1.2, "C1b": 270e-12, "C2": 2.07e-9}
    (change,) = _result(parts, most_changes=1).proposals[0].changes
    assert change.unsolder == ("C1a",)  # each known by itself: one stays
    assert 270e-12 in [p.value for p in change.position.parts]


def test_a_change_that_promises_nothing_is_not_advised() -> None:
    """Parts fitted are known exactly, those to add only to 50 %: what they bring is uncertain."""
    measured = {p.element.ref: p.value * 1.002 for p in PICKED.positions}
    measured["C1"] *= 1.004
    wide = replace(
        JOB,
        resistors=replace(JOB.resistors, tolerance=0.5),
        capacitors=replace(JOB.capacitors, tolerance=0.5, value_range=(1e-9, 1e-7)),
    )
    result = trim(PICKED, wide, measured=measured, meter=EXACT, most_changes=2)
    for proposal in result.proposals:
        assert proposal.p95_db < result.before.p95_db
    assert result.advised.p95_db <= result.before.p95_db


def test_limits_of_the_job_hold() -> None:
    tight = replace(JOB, target=Target(level_v=5e-3, level_tolerance_db=0.3))
    wide = _result(most_changes=2)
    result = _result(job=tight, most_changes=2)
    for proposal in result.proposals:
        gain = np.abs(transfer(proposal.picked.network, [1000.0], loading=LOADING)[0])
        assert abs(20 * np.log10(gain / JOB.gain)) <= 0.3 + 1e-9
    assert result.proposals[-1].centred_db >= wide.proposals[-1].centred_db - 1e-12


def test_what_cannot_be_brought_back_is_said() -> None:
    off = replace(JOB, target=Target(level_v=50e-3, level_tolerance_db=0.1))
    with pytest.raises(NoCombinationError, match="off the target level"):
        _result(job=off, most_changes=1)


def test_a_part_of_the_drawer_is_used_once() -> None:
    """R2 and R3 are both low and both gain by the same resistor in series."""
    part = Part(300.0, 0.01, "drawer")
    job = replace(JOB, resistors=Stock(None, 0.01, (1.0, 1e7), 1, ("series",), drawer="drawer.csv"))
    measured = {ref: PICKED.network.value(ref) for ref in PICKED.topology.refs}
    measured |= {"R2": 0.98 * 36.5e3, "R3": 0.9 * 1540.0}
    used = {}
    for quantity in (1, 2):
        drawer = Drawer((DrawerEntry(ElementKind.RESISTOR, part, quantity),))
        result = trim(PICKED, job, measured=measured, drawer=drawer, most_changes=2)
        used[quantity] = [
            sum(p == part for c in proposal.changes for p in c.parts)
            for proposal in result.proposals
        ]
    assert used[2] == [1, 2]  # what the build wants
    assert set(used[1]) == {1}  # what one part allows


@pytest.mark.parametrize("fitted", [True, False], ids=["soldered in", "kept for its position"])
def test_a_part_of_the_build_is_not_offered_again(fitted: bool) -> None:
    """R2 is low by the value of a part of the drawer that is R3 in this build."""
    own = Part(1540.0, 0.01, "drawer")
    positions = tuple(
        replace(p, parts=(own,)) if p.element.ref == "R3" else p for p in PICKED.positions
    )
    picked = replace(PICKED, positions=positions)
    job = replace(JOB, resistors=Stock(None, 0.01, (1.0, 1e7), 1, ("series",), drawer="drawer.csv"))
    measured = {ref: picked.network.value(ref) for ref in ("R1", "C1", "C2", "R4")}
    measured["R2"] = 36.5e3 - own.value
    if fitted:
        measured["R3"] = own.value
    offered = {}
    for quantity in (1, 2):
        drawer = Drawer((DrawerEntry(ElementKind.RESISTOR, own, quantity),))
        result = trim(picked, job, measured=measured, drawer=drawer, most_changes=1)
        offered[quantity] = [
            change.ref for proposal in result.proposals for change in proposal.changes
            if own in change.parts
        ]  # fmt: skip
    assert offered == {1: [], 2: ["R2"]}


@pytest.mark.parametrize("ref", ["R3", "C1b"])
def test_what_is_soldered_in_unmeasured_is_not_open(ref: str) -> None:
    """One of its parts is in: the position is not filled anew, and nothing is kept for it."""
    whole = (TrimSubject.whole(PICKED, JOB),)
    number = PICKED.topology.refs.index(ref[:2])
    measured = {"R1": PICKED.network.value("R1")}
    actions = []
    for soldered in ((), (ref,)):
        build = trim_module._Build(PICKED, whole, measured, MeterAccuracy(), None, soldered)
        position = build.positions[number]
        actions.append({position.change(k).action for k in (0, len(position) - 1)})
        assert build.picked.positions[number] == PICKED.positions[number]
    assert actions[0] == {"fit"} and "fit" not in actions[1]


def test_a_part_that_the_network_has_not_can_not_be_soldered_in() -> None:
    with pytest.raises(InputError, match="no such part; it has R1"):
        trim(PICKED, JOB, measured=FITTED, soldered=("R9",))


def test_progress_is_told() -> None:
    told: list[tuple[int, int]] = []
    trim(PICKED, JOB, measured=FITTED, most_changes=2, progress=lambda *a: told.append(a))
    assert told == [(1, 2), (2, 2)]


def test_no_change_allowed_is_refused() -> None:
    with pytest.raises(InputError, match="most changes"):
        _result(most_changes=0)


def test_a_search_that_ends_early_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    usual = _of_three_changes()
    assert [s.proved for s in usual.searches] == [True, True, False]
    assert "only one more change" in trim_lines(usual)[-1]
    monkeypatch.setattr(trim_search, "_MOST_EVALUATED", 100)
    cut = _result(most_changes=2)
    assert not cut.searches[1].proved
    assert "not proved" in trim_lines(cut)[-1]
    assert cut.searches[1].bound_db <= usual.searches[1].bound_db * (1.0 + 1e-6)


def test_the_bound_holds() -> None:
    """What other changes have less than a representative is within the margin, for any radius."""
    alone = TrimSubject(PICKED, JOB, tuple((i,) for i in range(6)))
    build = trim_module._Build(PICKED, (alone,), FITTED, MeterAccuracy(), None, ())
    rng = np.random.default_rng(3)
    tightest = np.inf
    for trial in range(400):
        first, second = [], []
        for i in rng.choice(6, 2, replace=False).tolist():
            order = np.argsort(build.positions[i].log_values)
            a = int(rng.integers(len(order) - 1))
            # Half of the trials look at neighbours, half at any two changes.
            b = a + 1 if trial % 2 else int(rng.integers(len(order)))
            first.append((i, int(order[a])))
            second.append((i, int(order[b])))
        radii = np.zeros((1, 6))
        for (i, a), (_, b) in zip(first, second, strict=True):
            p = build.positions[i]
            apart = np.append(p.log_values[a] - p.log_values[b], p.scatter[a] - p.scatter[b])
            radii[0, i] = np.abs(apart).sum()
        here, margin, _ = build.trimmer.evaluate([tuple(first)], radii)
        there = build.trimmer.evaluate([tuple(second)], radii)[0]
        assert there[0] >= here[0] - margin[0] - 1e-6  # Np: single precision
        tightest = min(tightest, float((there[0] - here[0] + margin[0]) / margin[0]))
    assert tightest < 0.5  # the bound is no empty one
