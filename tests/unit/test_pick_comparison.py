"""The forms of a job side by side."""

from __future__ import annotations

from dataclasses import replace

import pytest

from antecurve.analysis.spread import spread
from antecurve.files.job_file import parse_job
from antecurve.job import NetworkRequest
from antecurve.parts.builds import error_percentile_db
from antecurve.pick.search import pick
from antecurve.pipeline import Design

LIMITS = {"output_resistance_max": 600.0, "input_impedance_min": 1000.0}


def test_the_pick_leads_and_no_form_is_better(default_design: Design) -> None:
    forms = default_design.forms
    assert {f.form for f in forms} == {"foster-1", "foster-2", "cauer-1", "cauer-2"}
    assert forms[0].form == default_design.picked.topology.form
    assert forms[0].centred_db == default_design.search.objective_db
    assert all(f.centred_db >= default_design.search.lower_bound_db for f in forms)
    assert all(f.spread_p95_db > f.centred_db for f in forms)


def test_each_form_of_the_default_job_is_proved(default_design: Design) -> None:
    """A search of one form alone is another path to the same best."""
    content = {f["form"]: f for f in default_design.to_dict()["search"]["forms"]}
    assert len(content) == 4
    for form, outcome in content.items():
        assert outcome["proved"]
        job = replace(default_design.job, network=NetworkRequest(forms=(form,), **LIMITS))
        alone = pick(job).search
        assert alone.proved
        assert outcome["objective_db"] == pytest.approx(alone.objective_db, rel=1e-9)
        assert outcome["lower_bound_db"] == pytest.approx(alone.objective_db, rel=2e-5)


def test_what_is_not_looked_for_is_not_called_proved() -> None:
    """With a time budget the search proves the best of all; other forms have its bound."""
    job = parse_job({"curve": {"name": "disc"}, "pick": {"budget_seconds": 60}})
    first, *others = pick(job).forms
    assert first.proved
    for outcome in others:
        assert not outcome.proved
        assert outcome.lower_bound_db is not None and outcome.objective_db is not None
        assert 0.0 < outcome.lower_bound_db < outcome.objective_db


def test_shortlist_and_spread_state_one_percentile(default_design: Design) -> None:
    """The same builds by the same frequencies: not a digit between them."""
    spread = default_design.analysis.spread.centred_db.p95
    assert default_design.shortlist[0].spread_p95_db == spread
    assert default_design.forms[0].spread_p95_db == spread


def test_a_pick_by_build_states_the_percentile_of_its_spread() -> None:
    job = parse_job(
        {
            "curve": {"name": "disc"},
            "network": {"forms": ["foster-1"]},
            "capacitors": {"parts_per_position": 1},
            "pick": {"pick_by": "build"},
            "spread": {"builds": 20_000, "seed": 3, "distribution": "normal"},
        }
    )
    result = pick(job)
    again = spread(
        result.best,
        job.conditions,
        builds=20_000,
        seed=3,
        distribution="normal",
    )
    assert result.search.objective_db == again.centred_db.p95
    assert result.shortlist[0].spread_p95_db == again.centred_db.p95
    # Compared by other builds, an equal may be a little better by these.
    low, _ = result.search.interval_db
    assert all(e.spread_p95_db >= low for e in result.shortlist)


def test_a_form_that_cannot_make_the_curve_says_why() -> None:
    job = parse_job(
        {
            "curve": {"name": "disc", "ultrasonic_poles": ["50 kHz"]},
            "network": {"forms": ["foster-1", "output-capacitor-foster-1"]},
            "capacitors": {"parts_per_position": 1},
        }
    )
    outcome = {f.form: f for f in pick(job).forms}
    assert outcome["foster-1"].centred_db is not None
    refused = outcome["output-capacitor-foster-1"]
    assert refused.centred_db is None
    assert len(refused.reason) > 20


def test_forms_that_are_one_network_are_one_line() -> None:
    """Of one branch all four canonical forms are the same: R and C in parallel, in series R."""
    job = parse_job({"curve": {"zeros": ["318 us"], "poles": ["75 us"]}})
    result = pick(job)
    assert len(result.forms) == 1
    assert set(result.forms[0].form.split(", ")) == {"foster-1", "foster-2", "cauer-1", "cauer-2"}
    assert result.forms[0].spread_p95_db == error_percentile_db(result.best, job)
    assert result.forms[0].spread_p95_db == result.shortlist[0].spread_p95_db


@pytest.mark.seldom
def test_a_pick_by_build_leads_by_percentile() -> None:
    job = parse_job(
        {
            "curve": {"name": "disc"},
            "network": {"forms": ["foster-1", "cauer-1"]},
            "resistors": {"series": "E24"},
            "capacitors": {"parts_per_position": 1},
            "pick": {"pick_by": "build"},
        }
    )
    result = pick(job)
    spreads = [f.spread_p95_db for f in result.forms if f.spread_p95_db is not None]
    assert len(spreads) == 2
    assert spreads == sorted(spreads)
    assert result.forms[0].form == result.best.topology.form
    assert result.search.criterion == "build"
    assert result.search.proved or "less than the pick's" in result.search.claim
