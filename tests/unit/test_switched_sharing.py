"""Which positions of a network several curves share, and which a switch must change."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from antecurve.curves.catalogue import named_curve
from antecurve.curves.construct import with_limits
from antecurve.curves.model import Curve
from antecurve.errors import InputError, UnattainableError
from antecurve.job import Job, NetworkRequest, Target
from antecurve.networks.topology import Element, ElementKind, Loading, Topology
from antecurve.parts.position import Part, PickedNetwork, Position
from antecurve.pick.candidates import stock_of
from antecurve.pick.result import PickProgress
from antecurve.switched.added_parts import part_count, serving_throw
from antecurve.switched.alternatives import alternatives_of
from antecurve.switched.box import design_box
from antecurve.switched.joint_pick import pick_box
from antecurve.switched.position_bound import Budget
from antecurve.switched.refusals import _apart
from antecurve.switched.request import BoxJob, SwitchPosition, SwitchRequest
from antecurve.switched.sharing import EXACT_DB, Sharings, chosen_poles
from antecurve.switched.switch import _untried_words, switch_of
from antecurve.switched.throws import thrown
from antecurve.synthesis.exact import exact_network

DISC = named_curve("disc")
JOB = Job(DISC, target=Target(level_tolerance_db=2.0), loading=Loading(50.0, 47e3, 0.0))
ONE_FORM = replace(JOB, network=NetworkRequest(forms=("foster-1",)))


def curve(shelf: float, turnover: float, treble: float) -> Curve:
    """A disc curve by its time constants [us]; no shelf where that is 0."""
    zeros = (shelf, treble) if shelf else (treble,)
    return Curve(
        "own", tuple(z * 1e-6 for z in zeros), (turnover * 1e-6,), zeros_at_origin=int(not shelf)
    )


# One zero at 3180 us in common; treble and turnover differ.
FOUR = (
    SwitchPosition("disc", DISC),
    SwitchPosition("b", curve(3180, 318, 100)),
    SwitchPosition("c", curve(3180, 400, 50)),
    SwitchPosition("d", curve(3180, 530, 150)),
)
FLAT = SwitchPosition("flat", named_curve("flat"))


def sharings(*positions: SwitchPosition, job: Job = JOB, **switch: object) -> Sharings:
    box_job = BoxJob(job, positions, SwitchRequest(**switch))  # type: ignore[arg-type]
    return Sharings(box_job, stock_of(job, None))


def fewest(looked_at: Sharings) -> int:
    return next(count for count in range(looked_at.most + 1) if looked_at.exact(count))


def test_a_level_that_few_exact_networks_have_is_no_fault() -> None:
    # 28 dB below the EMF and equal levels leave fewer samples than a search has starts.
    target = Target(level_v=20e-3, level_tolerance_db=3.0)
    job = replace(ONE_FORM, target=target, loading=Loading(50.0, 47e3, 150e-12))
    looked_at = sharings(
        SwitchPosition("disc", DISC), SwitchPosition("b", curve(3180, 398, 100)), job=job,
        equal_levels=True,
    )  # fmt: skip
    assert looked_at.makes_every_curve()


@pytest.mark.seldom
def test_zeros_and_throws_prove_positions_of_other_sections() -> None:
    # Flat takes two throws of a cascade. Its second pair makes the treble zero: R3 C2 = T3.
    job = replace(JOB, network=NetworkRequest(forms=("cascade-long-first",)))
    looked_at = sharings(FOUR[0], FOUR[1], FLAT, job=job)
    assert looked_at.proved_count("cascade-long-first", 9) == 2


@pytest.fixture(scope="module")
def of_four() -> Sharings:
    return sharings(*FOUR)


def test_four_curves_of_one_shelf_need_two_switched_positions(of_four: Sharings) -> None:
    # Foster's first form: R1 C1 = T1 is common; R2 C2 = T3 and R2/R1 = c2/c1 are not.
    looked_at = of_four
    assert fewest(looked_at) == 2
    (shared,) = looked_at.exact(2)
    assert (shared.form, shared.switched) == ("foster-1", {"R2", "C2"})
    assert looked_at.unproved_forms(2) == ()
    assert shared.conflicts
    assert all(set(c.refs) & shared.switched for c in shared.conflicts)


def test_the_poles_follow_from_the_element_formulas(of_four: Sharings) -> None:
    # With R1, C1, R3, R4 in common g = Rp c1/R1 and c0 = (R3 + Rp + Rs) g/Rp in each position, so
    # that T4 = c0 T1 T3/T2: worked by hand from the partial fractions of the curve.
    (shared,) = of_four.exact(2)
    logs = shared.solved.logs[0]
    poles = chosen_poles(shared, logs)
    for position, contact in zip(FOUR, shared.joint.contacts, strict=True):
        made = replace(position.curve, ultrasonic_poles_s=(poles[position.name],))
        values = dict(zip(contact.model.topology.refs, logs[contact.columns], strict=True))
        r4 = math.exp(values["R4"])
        network = contact.model.topology
        gain = math.exp(contact.model.rows(_row(values, network))[0, -1]) * JOB.gain
        exact = exact_network(
            "foster-1", made, loading=JOB.loading, gain=gain, shunt_resistance=r4
        ).network
        for ref in network.refs:
            assert exact.value(ref) == pytest.approx(math.exp(values[ref]), rel=2e-3)


def _row(values: dict[str, float], topology: Topology) -> np.ndarray:
    return np.exp(np.array([[values[ref] for ref in topology.refs]]))


def test_a_budget_that_is_used_up_leaves_forms_out_and_switches_all_positions() -> None:
    looked_at = Sharings(BoxJob(JOB, FOUR[:2]), stock_of(JOB, None), Budget(0.0))
    assert looked_at.forms == ("foster-1",)
    assert looked_at.left_out == ("foster-2", "cauer-1", "cauer-2")
    assert looked_at.makes_every_curve() and not looked_at.exact(2)
    whole = looked_at.all_switched()
    assert whole is not None and whole.switched == {"R1", "R2", "R3", "C1", "C2"}
    assert whole.error_db < EXACT_DB
    looked_at.cut_short = True
    assert _untried_words(looked_at) == [
        "the budget ended before all smaller sets were tried; a longer pick.budget_seconds may "
        "find one",
        "the budget ended before foster-2, cauer-1, cauer-2 could be tried; a longer "
        "pick.budget_seconds tries more",
    ]


def test_equal_levels_need_a_third() -> None:
    looked_at = sharings(*FOUR, job=ONE_FORM, equal_levels=True)
    assert fewest(looked_at) == 3


@pytest.mark.seldom
def test_a_narrow_level_tolerance_asks_for_as_much() -> None:
    # Levels of the four lie 2.6 dB apart, more than 1 dB to either side holds.
    narrow = replace(ONE_FORM, target=Target(level_tolerance_db=1.0))
    assert fewest(sharings(*FOUR, job=narrow)) == 3


def test_prescribed_ultrasonic_poles_need_a_third() -> None:
    # c0 = (R3 + Rp + Rs) g/Rp and c1 = R1 g/Rp: with T4 given their ratio is given in each.
    given = [
        SwitchPosition(p.name, with_limits(p.curve, ultrasonic_poles_hz=(50e3,))) for p in FOUR
    ]
    looked_at = sharings(*given, job=ONE_FORM)
    assert fewest(looked_at) == 3
    assert looked_at.unproved_forms(3) == ()
    assert {"R2", "C2", "R3"} in [set(s.switched) for s in looked_at.exact(3)]


def test_a_curve_without_shelf_opens_a_resistor() -> None:
    looked_at = sharings(*FOUR[:3], SwitchPosition("e", curve(0, 318, 75)), job=ONE_FORM)
    assert fewest(looked_at) == 3
    shared = next(s for s in looked_at.exact(3) if s.form == "foster-1" and "R2" in s.switched)
    assert shared.networks[3].states == (("R1", "open"),)
    # It is opened, not replaced: one part serves the three others.
    assert "R1" not in shared.joint.separate


def test_a_flat_position_throws_both_capacitors_out() -> None:
    looked_at = sharings(*FOUR[:2], FLAT, job=ONE_FORM)
    count = fewest(looked_at)
    for shared in looked_at.exact(count):
        assert all(e.kind.value == "resistor" for e in shared.networks[2].topology.elements)
        assert shared.error_db < EXACT_DB
    # What takes no time is proved when the time is over, too.
    late = Sharings(looked_at.box_job, stock_of(ONE_FORM, None), Budget(-60.0))
    assert late.budget.late_for_proofs and count == 3 and not late.unproved_forms(count)


def test_one_curve_twice_needs_no_switch() -> None:
    assert fewest(sharings(FOUR[0], SwitchPosition("again", DISC))) == 0


def test_curves_that_no_form_makes_are_named() -> None:
    # 3180 and 75 us without a pole between them: no network of the forms makes it.
    amended = SwitchPosition("amended", named_curve("disc-amended"))
    with pytest.raises(UnattainableError, match="amended"):
        sharings(FOUR[0], amended)


def test_equal_parts_of_two_throws_are_one() -> None:
    def networks(*values: tuple[float, ...]) -> tuple[PickedNetwork, ...]:
        element = Element("R2", ElementKind.RESISTOR, ("in", "out"))
        topology = Topology("own", (element,))
        joined = ["single" if len(of) == 1 else "series" for of in values]
        parts = [tuple(Part(v, 0.01) for v in of) for of in values]
        return tuple(
            PickedNetwork(topology, (Position(element, p, j),))
            for p, j in zip(parts, joined, strict=True)
        )

    made = networks((1e3,), (2e3,), (1e3,), (1e3, 1e3))
    assert [serving_throw(made, n, "R2", added=False) for n in (1, 2, 3, 4)] == [1, 2, 1, 4]
    assert part_count(made, frozenset({"R2"}), frozenset()) == 4  # R2_1, R2_2, two of R2_4
    # Where one stays, what throws add to it counts.
    made = networks((1e3, 50.0), (1e3, 20.0), (1e3,), (1e3, 50.0))
    assert serving_throw(made, 4, "R2", added=True) == 1
    assert part_count(made, frozenset({"R2"}), frozenset({"R2"})) == 3


def test_throws_open_short_and_leave_idle() -> None:
    network = exact_network(
        "foster-1", replace(DISC, ultrasonic_poles_s=(3e-6,)), loading=JOB.loading, gain=0.01,
        shunt_resistance=120.0,
    ).network.topology  # fmt: skip
    shorted = thrown(network, {"R1": "short"})
    assert shorted is not None
    assert shorted.topology.refs == ("R2", "C2", "R3", "R4")  # C1 lies across the short
    opened = thrown(network, {"R1": "open"})
    assert opened is not None
    assert opened.topology.refs == ("C1", "R2", "C2", "R3", "R4")
    assert thrown(network, {"R3": "open"}) is None  # nothing would come through
    assert thrown(network, {"R4": "short"}) is None  # nor here


@pytest.mark.parametrize(
    ("positions", "words"),
    [
        ((FOUR[0],), "1 position"),
        (tuple(SwitchPosition(f"p{i}", DISC) for i in range(13)), "13 positions"),
        ((FOUR[0], SwitchPosition("Disc", DISC)), "repeats"),
    ],
)
def test_a_switch_has_two_to_twelve_named_positions(
    positions: tuple[SwitchPosition, ...], words: str
) -> None:
    with pytest.raises(InputError, match=words):
        BoxJob(JOB, positions)


@pytest.mark.parametrize("name", ["", "a/b", "..", "-x", "x" * 40, "disc."])
def test_names_that_no_file_can_have(name: str) -> None:
    with pytest.raises(InputError, match="position"):
        SwitchPosition(name, DISC)


def test_a_box_is_no_balanced_pair() -> None:
    job = replace(JOB, network=NetworkRequest(balanced=True))
    with pytest.raises(InputError, match="balanced"):
        BoxJob(job, FOUR)


def test_curves_that_share_a_form_two_by_two_but_not_all_together() -> None:
    # Three forms, of which each makes two of the curves: made up from what each form is said to
    # make, as no three curves of the catalogue are known to be so.
    alone = [("x", "y"), ("y", "z"), ("x", "z")]
    refusal = _apart(("x", "y", "z"), ("a", "b", "c"), alone)
    assert "each two share a form, but none makes all 3" in str(refusal)
    assert "a is made by x or y" in str(refusal)
    # One form may make all of them, each with a network that throws do not turn into the others.
    refusal = _apart(("x", "y"), ("a", "b"), [("x",), ("x", "y")])
    assert "x makes each of them, in networks that no throws turn" in str(refusal)


def test_two_curves_without_a_form_in_common_are_named() -> None:
    # Three zeros are too many for a cascade of two sections.  Two zeros above the one pole do not
    # alternate with it, which a half-section's must (Foster 1924).
    three = Curve("own", (7950e-6, 750e-6, 75e-6), (3180e-6, 318e-6))
    beside = Curve("own", (3180e-6, 2000e-6), (318e-6,))
    positions = (SwitchPosition("three", three), SwitchPosition("beside", beside))
    job = replace(JOB, network=NetworkRequest(forms=("foster-1", "cascade-long-first")))
    with pytest.raises(UnattainableError, match="three and beside cannot share a box") as refused:
        sharings(*positions, job=job)
    assert "three is made by foster-1, beside is made by cascade-long-first" in str(refused.value)


def test_without_a_switch_curves_of_other_zeros_are_not_made_in_any_form() -> None:
    # The zeros of one network are one set: no bounds of values are needed for that.
    job = replace(JOB, network=NetworkRequest(forms=("cascade-long-first",)))
    looked_at = sharings(FOUR[0], FOUR[1], job=job)
    assert looked_at.unproved_forms(1) == ()
    assert looked_at.unproved_forms(2) == ("cascade-long-first",)


def test_every_position_out_of_range_is_named() -> None:
    # 3180 us with a few nanofarads at most asks for hundreds of kilohms; here 1 kohm is the most.
    small = replace(ONE_FORM, resistors=replace(ONE_FORM.resistors, value_range=(10.0, 1e3)))
    with pytest.raises(UnattainableError) as refused:
        sharings(*FOUR, job=small)
    assert all(f"position {p.name}:" in str(refused.value) for p in FOUR)


def test_an_interruption_keeps_the_best_so_far() -> None:
    def stop(state: PickProgress) -> None:
        if state.most_seconds is not None:  # the proof has begun
            raise KeyboardInterrupt

    few = replace(ONE_FORM.capacitors, parts_per_position=1)  # and so a quick search
    box_job = BoxJob(replace(ONE_FORM, capacitors=few), FOUR[:2])
    picked = pick_box(box_job, progress=stop)
    assert picked.interrupted
    assert not picked.search.proved
    # Each position alone bounds the box, as after a search that ended early.
    assert 0.0 < picked.search.lower_bound_db <= picked.search.objective_db
    assert "interrupted; with any parts some position is at least" in picked.search.claim
    assert picked.unproved_forms == ()  # which takes no time here
    assert alternatives_of(box_job, picked) == ()
    assert picked.sharings.budget.cut_alternatives_short


def test_an_interruption_after_the_proof_keeps_what_is_proved(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """While it is proved that no smaller set of positions does."""

    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(Sharings, "unproved_forms", stop)
    few = replace(ONE_FORM.capacitors, parts_per_position=1)  # and so a quick search
    quick = replace(ONE_FORM, resistors=replace(ONE_FORM.resistors, series="E12"), capacitors=few)
    box_job = BoxJob(quick, (FOUR[0], FLAT))
    picked = pick_box(box_job)
    assert picked.interrupted
    assert picked.search.proved
    assert picked.adding == ()
    # One more while the reasons are looked for leaves the box as it is.
    monkeypatch.setattr("antecurve.switched.box.pick_box", lambda *_, **__: picked)
    interrupted = iter([stop, switch_of])
    monkeypatch.setattr("antecurve.switched.box.switch_of", lambda *a: next(interrupted)(*a))
    assert design_box(box_job).switch.poles == len(picked.best.shared.switched)


def test_an_interruption_before_there_are_parts_is_passed_on() -> None:
    def stop(_: PickProgress) -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        pick_box(BoxJob(ONE_FORM, FOUR), progress=stop)
