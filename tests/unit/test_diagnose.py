"""Ranking of faults on responses made up at nodes, without captures: what the algebra promises."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from antecurve.curves.catalogue import named_curve
from antecurve.diagnose.arrangements import arranged_circuit, arrangement
from antecurve.diagnose.explained import explained_level
from antecurve.diagnose.hidden import hidden_ranges
from antecurve.diagnose.hypotheses import (
    PRIOR_ONE,
    FaultKind,
    coupling_capacitors,
    single_faults,
)
from antecurve.diagnose.information import without_delay
from antecurve.diagnose.nodal import NodalModel, ideal_drive, nodal_model
from antecurve.diagnose.own_error import own_error
from antecurve.diagnose.ranking import Ranker
from antecurve.diagnose.suspect import Diagnosis
from antecurve.diagnose.suspects import suspects_of
from antecurve.diagnose.telling_apart import ideal_information
from antecurve.diagnose.unit_circuit import UnitInput
from antecurve.diagnose.weighing import Weighed, weigh
from antecurve.report.cautions import INSIDE_CAUTIONS
from antecurve.report.circuit_schematic import circuit_svg
from antecurve.report.diagnosis_tables import diagnosis_lines, suspect_rows, suspect_text

NODES = np.geomspace(15.0, 1e5, 46)
SIGMA = 0.003  # nepers, about what a capture of 8 bits tells
BAND = (20.0, 20e3)


@cache
def model_of(name: str) -> NodalModel:
    circuit = arranged_circuit(
        arrangement(name), title=name, curve=named_curve("disc"),
        unit_input=UnitInput(47e3, 150e-12),
    )  # fmt: skip
    return nodal_model(circuit)


def ranker_of(model: NodalModel, log_response: NDArray[np.complex128], seed: int = 1) -> Ranker:
    """Responses known at nodes with noise, gain apart."""
    rng = np.random.default_rng(seed)
    noise = SIGMA * (rng.normal(size=NODES.size) + 1j * rng.normal(size=NODES.size))
    information = ideal_information(log_response + noise, NODES, deviation=SIGMA)
    drive = ideal_drive(NODES)
    return Ranker(model.solved(drive), information, drive)


@cache
def weighed(name: str, seed: int = 1, **wrong: float) -> Weighed:
    """Weigh the faults of a unit within tolerance, some of whose parts are off by a factor."""
    model = model_of(name)
    rng = np.random.default_rng(seed)
    values = model.nominal
    for port, quantity in enumerate(model.quantities):
        if math.isfinite(values[port]):
            values[port] *= 1.0 + quantity.tolerance * rng.uniform(-1.0, 1.0)
        if quantity.ref in wrong and quantity.name in ("resistance", "capacitance"):
            values[port] = quantity.nominal * wrong[quantity.ref]
    response = model.response(values, ideal_drive(NODES))
    return weigh(ranker_of(model, np.log(response), seed), single_faults(model))


@cache
def diagnosis_of(fit: Weighed) -> Diagnosis:
    model = fit.ranker.solved.model
    said = (hidden_ranges(fit.ranker), explained_level(fit, BAND))
    return Diagnosis(model.circuit, own_error(model, BAND), *suspects_of(fit, BAND), *said, 0.5)


@pytest.mark.sweep(3)
@pytest.mark.parametrize(
    ("name", "ref", "factor", "kind"),
    [
        ("passive", "C1", 0.7, "value"),
        ("passive", "C2", 10.0, "decade"),
        ("feedback", "R2", 38.3e3**-1 * 83.3e3, "misread"),
        ("feedback inverting", "C2", 1e-4, "open"),
        ("valve stages", "R4", 1.6, "value"),
        ("passive split", "C2", 2.0, "fitted twice"),
    ],
)
def test_the_faulty_part_comes_first(name: str, ref: str, factor: float, kind: str) -> None:
    diagnosis = diagnosis_of(weighed(name, **{ref: factor}))
    first = diagnosis.suspects[0]
    assert ref in {*first.refs, *(r for refs in first.alike for r in refs)}
    assert diagnosis.good_probability < 1e-3
    if first.refs == (ref,) and kind == "value":
        nominal = model_of(name).circuit.position(ref).value
        assert first.low is not None and first.high is not None
        assert first.low < nominal * factor < first.high


@pytest.mark.sweep(1)
@pytest.mark.parametrize("seed", range(4))
def test_a_good_unit_is_called_good(seed: int) -> None:
    diagnosis = diagnosis_of(weighed("feedback", seed))
    assert diagnosis.good_probability > 0.8
    assert "No part is suspect" in diagnosis_lines(diagnosis)[1]


def test_a_value_beyond_all_tolerances_is_not_hidden() -> None:
    # C2 at 0.4 of nominal, or V1 at half its output resistance: a fifth does not reach so far.
    # A free value that returned to nominal once counted as one that does not show.
    diagnosis = diagnosis_of(weighed("valve stages", C2=0.4))
    first = diagnosis.suspects[0]
    assert diagnosis.good_probability < 1e-6
    assert {("C2",), ("V1",)} <= {first.refs, *first.alike}


def test_what_only_a_product_shows_is_not_told_apart() -> None:
    # R1 C1 with the source's resistance is one time constant of this stage; level is unknown.
    diagnosis = diagnosis_of(weighed("passive split", C1=1.5))
    names = {s.refs for s in diagnosis.suspects}
    first = diagnosis.suspects[0]
    assert {("C1",), ("R1",)} <= names
    assert {("C1",), ("R1",)} <= {first.refs, *first.alike}
    assert any("tells these apart" in line for line in diagnosis_lines(diagnosis))
    assert "discharged" in first.how_to_tell


def test_two_faults_are_found_where_one_does_not_explain() -> None:
    fit = weighed("feedback", R2=1.6, C1=0.5)
    diagnosis = diagnosis_of(fit)
    refs = {r for s in diagnosis.suspects[:2] for r in s.refs}
    assert fit.best.chi_square < 2.0 * fit.ranker.information.rows
    assert {"C1"} <= refs and refs & {"R2", "C2"}
    pair = next(s for s in diagnosis.suspects if s.fault == "two faults")
    assert suspect_text(pair).count("reads as") == 2
    assert all(r.ref in pair.how_to_tell for r in pair.readings)


def test_a_response_of_no_fault_is_unexplained() -> None:
    model = model_of("passive")
    solved = np.log(model.response(model.nominal, ideal_drive(NODES)))
    # Two bumps of several dB, as of a tone control that the circuit does not have.
    bend = np.exp(-(np.log(NODES / 300.0) ** 2)) - np.exp(-(np.log(NODES / 4000.0) ** 2))
    fit = weigh(ranker_of(model, solved + 0.4 * bend), single_faults(model))
    diagnosis = diagnosis_of(fit)
    assert diagnosis.unexplained_probability > 0.99
    assert diagnosis_lines(diagnosis)[1].startswith("None of these")


def test_what_else_may_be_wrong_with_a_part_is_said() -> None:
    # 340 pF in place of 6.8 nF is known to a per cent here: neither open, nor of any decade.
    first = diagnosis_of(weighed("passive split", C1=0.05)).suspects[0]
    assert (first.refs, first.fault, first.or_else) == (("C1",), "value", ())
    told = suspect_text(replace(first, fault="decade", or_else=("open", "misread")))
    assert told.startswith("C1 reads as ") and "nF (another decade), or is open" in told


def test_a_missing_capacitor_is_alike_to_the_open_resistor_before_it() -> None:
    # R3 in series with C2: without one the other carries nothing.
    first = diagnosis_of(weighed("passive split", C2=1e-14 / 31.2e-9)).suspects[0]
    assert {first.refs, *first.alike} == {("C2",), ("R3",)}


@pytest.mark.sweep(1)
@pytest.mark.parametrize(
    ("name", "ref", "factor"),
    [("passive split", "C1", 1e-12 / 6.8e-9), ("feedback", "C2", 12e-12 / 1.96e-9)],
)
def test_an_open_capacitor_is_no_small_value(name: str, ref: str, factor: float) -> None:
    # An open one leaves the stray of its leads, of some 1 to 12 pF.
    first = diagnosis_of(weighed(name, **{ref: factor})).suspects[0]
    assert (first.refs, first.fault) == ((ref,), "open") and first.probability > 0.9


@pytest.mark.seldom
def test_a_narrow_resonance_is_unexplained() -> None:
    # A peak of 10 dB and a Q of 10 at 900 Hz: no corner of a free shape is so narrow.
    model = model_of("feedback")
    solved = np.log(model.response(model.nominal, ideal_drive(NODES)))
    s = 2j * np.pi * NODES / (2.0 * np.pi * 900.0)
    peak = np.log((s**2 + s / 3.0 + 1.0) / (s**2 + s / 10.0 + 1.0))
    diagnosis = diagnosis_of(weigh(ranker_of(model, solved + peak), single_faults(model)))
    assert diagnosis.unexplained_probability > 0.99


def test_evidence_is_the_integral_over_the_free_value() -> None:
    """Laplace's approximation against a plain sum over the value and its prior."""
    model = model_of("passive")
    values = model.nominal
    values[2] *= 0.8
    ranker = ranker_of(model, np.log(model.response(values, ideal_drive(NODES))))
    fault = next(h for h in single_faults(model) if h.kind is FaultKind.VALUE and h.refs == ("C1",))
    (fitted,) = ranker.fitted([fault])
    free = fault.free[0]
    logs = np.linspace(math.log(0.7), math.log(0.9), 801)
    held = [replace(fault, free=(), fixed=((free.port, free.usual * math.exp(t)),)) for t in logs]
    # A fixed value keeps its tolerance; without it both integrals are over the same.
    exact = replace(
        model.circuit,
        positions=tuple(
            replace(p, parts=(replace(p.parts[0], tolerance=0.0),))
            if p.element.ref == "C1" else p
            for p in model.circuit.positions
        ),
    )  # fmt: skip
    plain = replace(ranker, solved=nodal_model(exact).solved(ranker.drive))
    likelihood = np.array([f.log_evidence for f in plain.fitted(held)])
    prior = -0.5 * (logs / free.spread) ** 2 - math.log(free.spread * math.sqrt(2.0 * math.pi))
    total = likelihood + prior
    summed = total.max() + math.log(np.exp(total - total.max()).sum() * (logs[1] - logs[0]))
    assert fitted.log_evidence == pytest.approx(summed, abs=0.02)  # the response's own curvature


def test_a_rival_is_told_with_the_capture_that_rules_it_out() -> None:
    # Level and phase known to 60 %: C2, which acts on the treble, or the low end's coupling C3.
    model, drive = model_of("feedback"), ideal_drive(NODES)
    values = model.nominal
    values[model.index("C2")] *= 2.2
    response = np.log(model.response(values, drive))
    ranker = Ranker(model.solved(drive), ideal_information(response, NODES, deviation=0.6), drive)
    diagnosis = diagnosis_of(weigh(ranker, single_faults(model)))
    first = diagnosis.suspects[0]
    other = next(s for s in diagnosis.suspects if s.refs == ("C3",))
    assert first.refs == ("C2",) and ("C3",) not in first.alike
    assert "sines of 1 kHz and 12 kHz" in other.further_capture
    doubtful = replace(first, further_capture=other.further_capture)
    lines = diagnosis_lines(replace(diagnosis, good_probability=0.1, suspects=(doubtful, other)))
    assert any(line.startswith("The captures so far leave another") for line in lines)


@pytest.mark.parametrize("name", ["feedback", "valve stages"])
def test_a_fit_does_not_hang_on_where_it_is_linearised(name: str) -> None:
    # What changes the gain as well must not pull good parts away with each polish.
    model = model_of(name)
    values = model.nominal
    values[0], values[1] = 1.02 * values[0], 0.97 * values[1]
    ranker = ranker_of(model, np.log(model.response(values, ideal_drive(NODES))))
    good = ranker.good()
    polished = ranker.polished(good)
    np.testing.assert_allclose(polished.parts, good.parts, atol=0.1)  # of a deviation: curvature
    assert polished.log_evidence == pytest.approx(good.log_evidence, abs=0.5)


def test_priors_sum_to_what_is_stated() -> None:
    model = model_of("valve stages")
    faults = single_faults(model)
    assert sum(math.exp(h.log_prior) for h in faults) == pytest.approx(PRIOR_ONE)
    assert coupling_capacitors(model) == ("C1", "C3", "C5")


def test_page_parts_and_data_of_a_diagnosis() -> None:
    diagnosis = diagnosis_of(weighed("feedback", C1=0.5))
    content = diagnosis.to_dict()
    assert content["format"] == "antecurve-diagnosis-1"
    keys = {"refs", "fault", "nominal", "value", "probability", "misfit_db", "alike", "how_to_tell"}
    assert keys <= set(content["suspects"][0])
    assert content["priors"]["good"] == 0.5
    assert len(suspect_rows(diagnosis).rows) == len(diagnosis.suspects)
    assert "suspect: " in circuit_svg(diagnosis.circuit, diagnosis)
    assert "discharge" in INSIDE_CAUTIONS[1].lower()


def test_what_does_not_show_is_named_with_its_measurement() -> None:
    diagnosis = diagnosis_of(weighed("valve stages"))
    by_part = {h.ref: h for h in diagnosis.hidden}
    # The treble's time constant is C2 with what V1 has inside, known to a fifth.
    hidden = by_part["C2"]
    assert hidden.low is not None and hidden.high is not None
    assert hidden.low < hidden.nominal / 1.15 < 1.15 * hidden.nominal < hidden.high
    said = diagnosis_lines(diagnosis)
    assert any(s.startswith("C2 may be 1.2") and "discharged" in s for s in said)
    assert any(s.startswith("A leak of C1, C3, C5 may not show") for s in said)
    # The response itself says so: C2 and Miller's 120 pF of V2 with V1's 50 kohm across R1.
    model = model_of("valve stages")
    values = model.nominal
    off = (1.15 * 1.46e-9 + 120e-12) / (1.46e-9 + 120e-12)
    values[model.index("C2")] *= 1.15
    values[model.index("V1", "output resistance")] = 1.0 / (off / 50e3 + (off - 1.0) / 1e6)
    change = np.log(model.response(np.array([values, model.nominal]), ideal_drive(NODES)))
    level = 8.686 * (change[0] - change[1]).real[NODES < 20e3]
    assert np.ptp(level) < 0.1
    assert {h.ref for h in diagnosis_of(weighed("passive")).hidden} == {"C3"}  # a leak alone


def test_a_diagnosis_is_drawn() -> None:
    diagnosis = diagnosis_of(weighed("feedback", C1=0.5))
    level = diagnosis.level
    assert np.std(level.captured_db - level.suspect_db) == pytest.approx(
        diagnosis.suspects[0].misfit_db, abs=0.01
    )
    assert len(diagnosis.plot().axes[0].lines) == 3


def test_a_delay_of_the_fit_is_taken_off() -> None:
    # A corner of 75 us in advance by 245 us: what is left is the corner, to a quarter nanosecond.
    corner = -np.log1p(2j * np.pi * NODES * 75e-6)

    def fitted(frequency_hz: NDArray[np.float64]) -> NDArray[np.complex128]:
        s = 2j * np.pi * frequency_hz
        return np.asarray(-np.log1p(s * 75e-6) + 245e-6 * s)

    np.testing.assert_allclose(
        without_delay(fitted)(NODES), corner, atol=2.0 * math.pi * NODES[-1] * 0.26e-9
    )


@pytest.mark.seldom
def test_a_response_that_nothing_comes_near_is_weighed_all_the_same() -> None:
    # Good parts pulled out by hundreds of deviations used to leave no equations to solve.
    model = model_of("feedback inverting")
    solved = np.log(model.response(model.nominal, ideal_drive(NODES)))
    far = 20.0 * np.sin(3.0 * np.log(NODES)) * (1.0 + 1.0j)
    fit = weigh(ranker_of(model, solved + far), single_faults(model))
    assert fit.best.chi_square > 100.0 * fit.ranker.information.rows and not fit.explained
    assert np.all(np.isfinite(fit.good.parts))
