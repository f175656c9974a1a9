"""Trimming against trying everything."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from bench_networks import BAND, DISC, LOADING, bench_network

import antecurve.analysis.trim as trim_module
from antecurve.analysis.as_built import MeterAccuracy
from antecurve.analysis.planning import with_tolerances
from antecurve.analysis.trim import (
    LEAST_GAIN,
    LEAST_GAIN_DB,
    TrimProposal,
    TrimResult,
    trim,
)
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

PICKED = bench_network()
JOB = Job(
    DISC,
    loading=LOADING,
    target=Target(level_tolerance_db=2.0),
    network=NetworkRequest(),
    resistors=Stock("E24", 0.01, (100.0, 1e6), 1, ("series", "parallel")),
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


def _every_value(ref: str, value: float, open_: bool) -> list[float]:
    """Every value a position can be brought to by one change, from the definition."""
    resistor = ref.startswith("R")
    stock = JOB.resistors if resistor else JOB.capacitors
    low, high = stock.value_range
    parts = series_values(str(stock.series), low=low, high=high)
    if open_:
        return [p for p in parts if 1 / 1.5 <= p / value <= 1.5]
    found = [value + p for p in parts]  # resistors in series, capacitors in parallel
    if resistor:
        found += [value * p / (value + p) for p in parts]
    return [v for v in found if 1 / 1.5 <= v / value <= 1.5]


@pytest.mark.parametrize(
    "measured", [FITTED, {"C1": 6.9e-9}, {"R1": 460e3, "C1": 7.0e-9, "R2": 37e3, "C2": 2.1e-9}]
)
def test_the_best_single_change_and_pair_are_found(measured: dict[str, float]) -> None:
    refs = PICKED.topology.refs
    values = np.array(
        [measured.get(r, v) for r, v in zip(refs, PICKED.network.values, strict=True)]
    )
    ways = [_every_value(r, v, r not in measured) for r, v in zip(refs, values, strict=True)]
    # With nothing uncertain the 95th percentile is the error itself.
    exact = with_tolerances(PICKED, [0.0] * 6)
    job = replace(
        JOB,
        resistors=replace(JOB.resistors, tolerance=0.0),
        capacitors=replace(JOB.capacitors, tolerance=0.0),
    )
    result = trim(exact, job, measured=measured, meter=EXACT, most_changes=2)
    assert result.before.centred_db == pytest.approx(_error(values), rel=1e-9)

    def best(count: int, near: int) -> float:
        lowest = np.inf
        for places in itertools.combinations(range(6), count):
            for chosen in itertools.product(*(ways[p][:near] for p in places)):
                moved = values.copy()
                moved[list(places)] = chosen
                lowest = min(lowest, _error(moved))
        return lowest

    by_count = {len(p.changes): p.centred_db for p in result.proposals}

    def not_missed(reached: float, fewer: float, there: float) -> bool:
        """Reached what is there, or it is not worth another change.

        The candidates are rated on 121 frequencies, within 0.1 % of the continuum.
        """
        least = max(LEAST_GAIN * fewer, LEAST_GAIN_DB)
        return reached <= there * 1.001 or fewer - there < least * 1.001 + 1e-3 * there

    before = result.before.centred_db
    one = by_count.get(1, before)
    assert not_missed(one, before, best(1, 1000))
    # Of the pairs, a sample (all would be 1e5 evaluations one by one).
    rng = np.random.default_rng(1)
    for _ in range(300):
        first, other = rng.choice(6, 2, replace=False)
        moved = values.copy()
        moved[first], moved[other] = rng.choice(ways[first]), rng.choice(ways[other])
        assert not_missed(by_count.get(2, one), one, _error(moved))


def test_proposals_make_what_they_say() -> None:
    result = _result(most_changes=3)
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
    exact = {p.element.ref: p.value for p in PICKED.positions}
    result = _result(exact)
    assert result.advised is result.before
    assert result.before.centred_db == pytest.approx(result.designed_db, rel=1e-9)


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
    found = _result(job=tight, most_changes=2)
    for proposal in found.proposals:
        gain = np.abs(transfer(proposal.picked.network, [1000.0], loading=LOADING)[0])
        assert abs(20 * np.log10(gain / JOB.gain)) <= 0.3 + 1e-9
    assert found.proposals[-1].centred_db >= wide.proposals[-1].centred_db - 1e-12


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


def test_progress_is_told() -> None:
    told: list[tuple[int, int]] = []
    trim(PICKED, JOB, measured=FITTED, most_changes=2, progress=lambda *a: told.append(a))
    assert told == [(1, 2), (2, 2)]


def test_no_change_allowed_is_refused() -> None:
    with pytest.raises(InputError, match="most changes"):
        _result(most_changes=0)


def test_many_positions_bound_the_choices_and_say_so(monkeypatch: pytest.MonkeyPatch) -> None:
    usual = _result()
    assert usual.all_choices
    assert trim_module._choices([256] * 6) == 256
    assert 1 <= trim_module._choices([256] * 400) < 10
    assert "not looked at" not in " ".join(trim_lines(usual))
    monkeypatch.setattr(trim_module, "_MOST_PAIRS", 500)
    fewer = _result()
    assert not fewer.all_choices
    # Of six positions 15 pairs: 500 pairs of choices allow 5 each, 15 x 25 = 375; 6 each are 540.
    assert fewer.choices == 5
    assert f"only the {fewer.choices} nearest choices" in trim_lines(fewer)[-1]
    assert fewer.advised.centred_db >= usual.advised.centred_db - 1e-12
