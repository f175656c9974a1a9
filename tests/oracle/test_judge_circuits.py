"""Verdicts on units answered by ngspice, a general circuit simulator: sixty, with parts off.

All sixty stand in the stored study of `circuit_study`; three of them are judged anew.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from circuit_study import ARRANGEMENTS, UNITS, Judged, judged, stored
from playback_units import CONDITIONS, VALUES, known_exactly
from unit_circuits import (
    recorded,
    simulated_response,
    square_of_response,
    valve_stage,
)

from antecurve.judge.conformity import Decision
from antecurve.judge.verdict import Verdict
from antecurve.judge.verdicts import judge_unit
from optional_programs import needs_ngspice

LIMIT_DB = 0.5
# With a coverage of 95 % fewer than 52 of 60 curves lie inside with a probability of 0.3 %
# (binomial); with 80 % they do with a probability of 87 %: alpha and power.
LEAST_INSIDE = 52


@pytest.mark.sweep(1)
@needs_ngspice
@pytest.mark.parametrize("arrangement", ARRANGEMENTS)
@pytest.mark.parametrize("seed", [1])
def test_stored_study_is_of_this_judge(seed: int, arrangement: str) -> None:
    """A verdict again: the same decision, its figures to a twentieth of the uncertainty.

    Releases of the simulator and processors' rounding move a record by less than its 8-bit steps.
    """
    (kept,) = (j for j in stored() if (j.seed, j.arrangement) == (seed, arrangement))
    anew = judged(seed, arrangement)
    assert anew.decision == kept.decision
    assert anew.truth_db == pytest.approx(kept.truth_db, abs=1e-4)
    for name in ("worst_db", "uncertainty_db", "beyond_db"):
        close = pytest.approx(getattr(kept, name), abs=0.05 * kept.uncertainty_db)
        assert getattr(anew, name) == close, name


def test_no_verdict_contradicts_the_simulator() -> None:
    verdicts = stored()
    assert len(verdicts) == UNITS * len(ARRANGEMENTS)

    def contradicts(verdict: Judged) -> bool:
        good = verdict.truth_db <= LIMIT_DB
        return Decision(verdict.decision) is (Decision.FAIL if good else Decision.PASS)

    assert [v for v in verdicts if contradicts(v)] == []
    for decision in (Decision.PASS, Decision.FAIL):
        assert sum(v.decision == decision.value for v in verdicts) >= 15


def test_curves_lie_inside_their_bands() -> None:
    assert sum(verdict.beyond_db <= 0.0 for verdict in stored()) >= LEAST_INSIDE


@pytest.mark.seldom
@needs_ngspice
def test_edges_that_hide_between_samples_forbid_a_pass(tmp_path: Path) -> None:
    """1,250 samples to a period, edges of a few microseconds; at 0.06 % off the unit passes."""
    circuit = valve_stage()
    rng = np.random.default_rng(61)
    frequency, response = simulated_response(circuit, VALUES, tmp_path)

    def verdict(square_hz: float) -> Verdict:
        time = np.arange(5000) / (1250 * 200.0) + 1e-5
        clean = square_of_response(frequency, response, square_hz=square_hz, time=time)
        record = recorded(clean, rng, time=time, name="square")
        return judge_unit(record, known_exactly(), conditions=CONDITIONS)

    hidden, shown = verdict(200.0), verdict(200.12)
    assert hidden.decision is Decision.UNDECIDED
    assert any("Set the generator to 199.88 Hz" in text for text in hidden.findings)
    assert not any("Edges hide" in text for text in shown.findings)
