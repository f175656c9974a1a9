"""Sets of switched positions that miss the error limit: who works on them, and what ends early."""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import pytest

from antecurve.curves.catalogue import named_curve
from antecurve.curves.construct import with_limits
from antecurve.job import Job, NetworkRequest, Target
from antecurve.networks.topology import Loading
from antecurve.pick.result import PickProgress
from antecurve.switched import limit_sets
from antecurve.switched.exact_tables import FormTables, form_tables, pole_range
from antecurve.switched.joint_pick import PickedBox, pick_box
from antecurve.switched.limit_sets import WithinLimit
from antecurve.switched.position_bound import Budget
from antecurve.switched.request import BoxJob, SwitchPosition
from antecurve.switched.switch import _limit_words

DISC = with_limits(named_curve("disc"), ultrasonic_poles_hz=(50e3,))
JOB = Job(
    DISC, loading=Loading(50.0, 47e3, 0.0), network=NetworkRequest(forms=("foster-1",)),
    target=Target(level_tolerance_db=2.0, error_limit_db=0.2),
)  # fmt: skip
FLAT = SwitchPosition("flat", named_curve("flat"))
POSITIONS = ((SwitchPosition("disc", DISC), JOB), (FLAT, replace(JOB, curve=FLAT.curve)))


class EndsAfter(Budget):
    """Time that ends once it was asked for so often."""

    def __init__(self, times: int) -> None:
        super().__init__()
        self._times = times

    @property
    def late_for_proofs(self) -> bool:
        self._times -= 1
        return self._times < 0


def picked_with(within: WithinLimit) -> PickedBox:
    """A pick of two positions of which nothing else is known."""
    shared = SimpleNamespace(switched=frozenset({"C1", "C2"}))
    known = SimpleNamespace(
        best=SimpleNamespace(shared=shared), within=within,
        sharings=SimpleNamespace(cut_short=False, forms=("foster-1",)),
    )  # fmt: skip
    return cast(PickedBox, known)


@pytest.fixture(scope="module")
def tables() -> FormTables:
    return form_tables("foster-1", POSITIONS, lowest_pole_hz=30e3)


@pytest.fixture(autouse=True)
def _short_turns(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(limit_sets, "_TURNS", (300,))
    monkeypatch.setattr(limit_sets, "_SHARES", ())


def within(
    tables: FormTables, budget: Budget | None = None, told: Callable[[str], None] | None = None
) -> WithinLimit:
    """Which single positions do not make two curves when they alone are switched."""
    return limit_sets.sets_within(
        [tables], POSITIONS, pole_range(30e3), 1, limit_db=0.2, budget=budget or Budget(),
        told=told or (lambda form: None),
    )  # fmt: skip


def test_sets_do_not_depend_on_who_works_on_them(
    tables: FormTables, monkeypatch: pytest.MonkeyPatch
) -> None:
    # A flat curve needs both pairs out of the way, so that no single position does.
    monkeypatch.setattr("os.cpu_count", lambda: 1)
    alone = within(tables)
    monkeypatch.setattr("os.cpu_count", lambda: 3)
    assert within(tables) == alone
    assert 0 < alone.proved_sets == 6 - len(alone.open_sets)


@pytest.mark.parametrize(("times", "begun"), [(0, False), (1, False), (2, True), (4, True)])
def test_what_there_was_no_time_for_is_not_proved(
    tables: FormTables, times: int, begun: bool
) -> None:
    ended = within(tables, EndsAfter(times))
    assert not ended.proved
    assert ended.other_forms == (() if begun else ("foster-1",))
    assert ended.proved_sets + len(ended.open_sets) == (6 if begun else 0)
    assert ended.proved_sets <= times - 2 if begun else not ended.proved_sets
    assert all(s.bound_db == 0.0 for s in ended.open_sets)
    told = " ".join(_limit_words(picked_with(ended), 0.2))
    assert "no set of fewer" not in told and "at least" not in told
    assert "(not proved)" in told or "have no bound" in told


def test_an_interruption_is_passed_on_and_ends_the_work(tables: FormTables) -> None:
    def stop(_: str) -> None:
        raise KeyboardInterrupt

    before = threading.active_count()
    with pytest.raises(KeyboardInterrupt):
        within(tables, told=stop)
    assert threading.active_count() == before


def test_an_interruption_then_leaves_a_box_whose_smaller_sets_are_not_proved() -> None:
    def stop(state: PickProgress) -> None:
        if "fewer switched" in state.form:
            raise KeyboardInterrupt

    few = replace(JOB.capacitors, parts_per_position=1)  # and so a quick search
    quick = replace(JOB, resistors=replace(JOB.resistors, series="E12"), capacitors=few)
    quick = replace(quick, target=replace(quick.target, error_limit_db=1.0))
    picked = pick_box(BoxJob(quick, tuple(p for p, _ in POSITIONS)), progress=stop)
    assert picked.within is None
    assert picked.search.proved and not picked.interrupted
    assert picked.sharings.budget.late  # what follows ends at once
    (told,) = _limit_words(picked, 1.0)
    assert told.endswith("(not proved)")
