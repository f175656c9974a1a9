"""What two curves cannot share: boxes of values that are excluded, against exact networks."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import linprog

from antecurve.curves.catalogue import named_curve
from antecurve.curves.model import Curve
from antecurve.job import Job, NetworkRequest, Target
from antecurve.networks.topology import ElementKind, Loading
from antecurve.pick.candidates import stock_of
from antecurve.switched.box_proof import NothingInCommon, _variables
from antecurve.switched.conflicts import Conflict
from antecurve.switched.exact_bounds import ExactBounds, ValueBound, Wanted
from antecurve.switched.exact_hull import Corners, Hull
from antecurve.switched.exact_roots import ExactRoots
from antecurve.switched.exact_tables import curve_with_pole, form_tables, pole_range
from antecurve.switched.exclusion import Exclusions
from antecurve.switched.request import BoxJob, SwitchPosition, SwitchRequest
from antecurve.switched.throws import ThrownNetwork
from antecurve.switched.value_ranges import ranges_of
from antecurve.synthesis.exact import exact_network_or_none

DISC = named_curve("disc")
OTHER = named_curve("disc-coarse-groove")
JOB = Job(
    DISC, target=Target(level_tolerance_db=2.0), loading=Loading(50.0, 47e3, 150e-12),
    network=NetworkRequest(forms=("foster-1",)),
)  # fmt: skip
SIDE = np.array([0.2, 0.02])  # of a box around an exact network, in logarithms


@pytest.mark.parametrize(
    ("form", "draws"),
    [("foster-1", 12), ("foster-2-whole", 12), ("rc-shunt-foster-1", 6), ("cascade-long-first", 6)],
)
@pytest.mark.parametrize("switched", [frozenset[str](), frozenset({"R2", "C1"})])
def test_no_exact_network_is_excluded(form: str, draws: int, switched: frozenset[str]) -> None:
    rng = np.random.default_rng(11)
    poles = pole_range(30e3)
    met = 0
    for _ in range(draws):
        pole = float(np.exp(rng.uniform(*np.log(poles))))
        exact = exact_network_or_none(
            form, curve_with_pole(DISC, pole), loading=JOB.loading,
            gain=JOB.gain * 10.0 ** (rng.uniform(-1.9, 1.9) / 20.0),
            shunt_resistance=float(np.exp(rng.uniform(*np.log((20.0, 200.0))))),
            section_ratio=float(np.exp(rng.uniform(-1.0, 1.0))),
        )  # fmt: skip
        if exact is None:
            continue
        met += 1
        logs = np.log(exact.network.values)
        network = ThrownNetwork((), exact.network.topology)
        bound = ValueBound(0, 1, -1.0, logs[0] - logs[1] - 0.01, logs[0] - logs[1] + 0.01)
        wanted = Wanted("disc", network, JOB, DISC, poles, DISC.zeros_s, logs[None], (bound,))
        for pairs in wanted.paired(fixed=True):  # the values tell which pair makes which zero
            for pair, time in pairs.items():
                assert logs[list(pair)].sum() == pytest.approx(math.log(time), abs=1e-9)
            ranges = dict.fromkeys(ElementKind, (-50.0, 50.0))
            (model, _), *_ = _variables((wanted, wanted), (pairs, pairs), switched, ranges)
            within = np.zeros(len(model.variables))
            within[model.columns] = model.signs * (logs - model.shifts)
            low = within - SIDE[:, None] * rng.uniform(0.1, 0.9, (2, len(within)))
            high = low + SIDE[:, None]
            bounds = ExactBounds(model, wanted)
            assert np.all(bounds(*model.element_ends(low, high)))
            equations = ExactRoots(model, wanted, pairs, bounds).at_corners(low, high)
            # A pole, gain constant and sum of the poles; zeros without pairs.
            assert len(equations) == 3 + 2 * (form == "foster-2-whole")
            hull = Hull(equations)
            assert np.all(hull.may_hold_zero())
            *ends, keep = hull.narrowed(low, high)
            assert np.all(keep)
            assert np.all((ends[0] <= within + 1e-9) & (within - 1e-9 <= ends[1]))
            narrow = model.narrowed(low, high)
            # Bounds are widened by 1e-12 of a logarithm, values known to some 1e-12 of it.
            assert np.all((narrow[0] <= within + 1e-9) & (within - 1e-9 <= narrow[1]))
            assert narrow[0].shape == low.shape
    assert met


def test_hulls_that_hold_zero_are_told_by_linear_programs() -> None:
    # 0 lies in the hull of points p_i, each known within r_i, where weights w >= 0 with sum w = 1
    # exist so that |sum w p| <= sum w r: scipy.
    rng = np.random.default_rng(3)
    points = rng.normal(size=(60, 8, 3)) + 0.6
    rooms = 0.1 * rng.random(points.shape) * [0.0, 0.0, 1.0]
    cubes = [a.reshape(-1, 2, 2, 2, 3) for a in (points - rooms, points + rooms)]
    kept = Hull([Corners(*(c[..., k] for c in cubes)) for k in range(3)]).may_hold_zero()
    held = []
    for cloud, room in zip(points, rooms, strict=True):
        within = np.vstack([cloud.T - room.T, -cloud.T - room.T])
        held.append(
            linprog(
                np.zeros(8), A_ub=within, b_ub=np.zeros(6), A_eq=np.ones((1, 8)), b_eq=[1.0]
            ).success
        )
    assert 10 < sum(held) < 50
    assert np.all(kept[np.array(held)])  # never excluded
    assert np.mean(kept == held) > 0.9  # 20 turns find most planes


def test_no_common_root_is_cut_off_a_box() -> None:
    # Functions affine in each of three variables, made so that they are 0 at a point drawn.
    rng = np.random.default_rng(5)
    terms = rng.normal(size=(300, 3, 8)) * np.where(np.arange(8) % 7, 1.0, 0.1)
    low, high = rng.uniform(-1.0, 0.0, (2, 300, 3)) + np.array([0.0, 1.0])[:, None, None]
    root = low + (high - low) * rng.random((300, 3))

    def monomials(logs: np.ndarray) -> np.ndarray:
        values = np.exp(logs)
        of = [values[..., k, None] ** np.array([0, 1]) for k in range(3)]
        made = of[0][..., :, None, None] * of[1][..., None, :, None] * of[2][..., None, None, :]
        return np.asarray(made.reshape(*logs.shape[:-1], 8))

    terms[..., 0] -= (terms @ monomials(root)[:, :, None])[..., 0]
    corners = np.stack(
        [np.where(c, high, low) for c in np.indices((2, 2, 2)).reshape(3, 8).T], axis=1
    )
    at = np.swapaxes(terms @ np.swapaxes(monomials(corners), 1, 2), 1, 2).reshape(-1, 2, 2, 2, 3)
    hull = Hull([Corners(at[..., k], at[..., k]) for k in range(3)])
    assert np.all(hull.may_hold_zero())
    least, most, keep = hull.narrowed(low, high)
    assert np.all(keep)
    assert np.all((least <= root + 1e-9) & (root - 1e-9 <= most))
    assert np.median((most - least) / (high - low)) < 0.9


def test_curves_share_what_their_exact_values_have_in_common(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Foster's first form: R1, C1, R3 and R4 stay for one shelf, R2 C2 and R2/R1 do not.

    By hand from the partial fractions, as in `tests/unit/test_switched_sharing.py`.
    """
    positions = (SwitchPosition("disc", DISC), SwitchPosition("other", OTHER))
    low_output = replace(JOB.network, output_resistance_max=600.0)
    box = BoxJob(replace(JOB, network=low_output), positions)
    jobs = tuple((p, box.job_of(p.name)) for p in positions)
    tables = form_tables("foster-1", jobs, lowest_pole_hz=30e3)
    exclusions = Exclusions(tables, jobs, ranges_of(stock_of(JOB, None)), 30e3)
    # However many boxes are tried: a few, as it takes time.
    monkeypatch.setattr("antecurve.switched.exclusion._MOST_OF_SET", 2000)
    assert exclusions.conflict((0, 0), frozenset({"R2", "C2"})) is None
    conflict = exclusions.conflict((0, 0), frozenset({"R1", "R2"}))
    assert conflict is not None and conflict.proved
    assert conflict.refs == ("C1", "C2", "R3", "R4")
    assert conflict.sentence == (
        "no values of C1, C2, R3, R4 make both disc and other: at least one of these must be "
        "switched"
    )
    # What holds for two positions holds for fewer, at once.
    assert exclusions.conflict((0, 0), frozenset({"R2"})) is not None


def own(turnover_us: float, treble_us: float) -> Curve:
    """A curve with the zero of the disc curve at 3180 us."""
    return Curve("own", (3180e-6, treble_us * 1e-6), (turnover_us * 1e-6,))


@pytest.mark.parametrize(
    ("form", "equal", "switched", "proved"),
    [("foster-1", False, {"R2", "C2"}, False), ("cascade-long-first", True, {"C2", "R5"}, True)],
)
def test_three_curves_at_once(form: str, equal: bool, switched: set[str], proved: bool) -> None:
    """Foster's first form makes curves of one shelf with two switched positions, at free levels.

    Of a cascade whose last capacitor and resistor are switched, at equal levels, the errors are
    0.7 dB in least squares from a hundred starts.
    """
    positions = (
        SwitchPosition("disc", DISC),
        SwitchPosition("b", own(400, 50)),
        SwitchPosition("c", own(530, 150)),
    )
    unloaded = replace(JOB, loading=Loading(50.0, 47e3, 0.0))
    box = BoxJob(unloaded, positions, SwitchRequest(equal_levels=equal))
    jobs = tuple((p, box.job_of(p.name)) for p in positions)
    tables = form_tables(form, jobs, lowest_pole_hz=30e3)
    exclusions = Exclusions(tables, jobs, ranges_of(stock_of(JOB, None)), 30e3)
    wanted = tuple(exclusions._wanted(number, 0) for number in range(3))
    proof = NothingInCommon(
        wanted, frozenset(switched), exclusions._ranges, fixed=form != "foster-1"
    )
    assert not proof.advance(40)
    assert proof.advance(2500) == proved  # goes on where it was


def test_a_conflict_of_three_in_words() -> None:
    conflict = Conflict(("R1", "R2"), ("disc", "b", "c"), "", 0.0)
    assert conflict.sentence == (
        "no values of R1, R2 make disc, b and c: at least one of these must be switched"
    )
