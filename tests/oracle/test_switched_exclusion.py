"""What two curves cannot share: boxes of values that are excluded, against exact networks."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from antecurve.curves.catalogue import named_curve
from antecurve.job import Job, NetworkRequest, Target
from antecurve.networks.topology import Loading
from antecurve.pick.bounds import bound_boxes
from antecurve.pick.candidates import stock_of
from antecurve.switched import exclusion
from antecurve.switched.exact_bounds import ExactBounds, ExactModel, Wanted
from antecurve.switched.exact_tables import curve_with_pole, form_tables, pole_range
from antecurve.switched.exclusion import Exclusions
from antecurve.switched.request import BoxJob, SwitchPosition
from antecurve.switched.sharing import ranges_of
from antecurve.switched.throws import ThrownNetwork
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
    [("foster-1", 24), ("foster-2-whole", 24), ("rc-shunt-foster-1", 8), ("cascade-long-first", 8)],
)
def test_no_exact_network_is_excluded(form: str, draws: int) -> None:
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
        logs, count = np.log(exact.network.values), len(exact.network.values)
        network = ThrownNetwork((), exact.network.topology)
        wanted = Wanted("disc", network, JOB, DISC, poles, DISC.zeros_s, logs[None])
        for pairs in wanted.paired(fixed=True):  # the values tell which pair makes which zero
            for pair, time in pairs.items():
                assert logs[list(pair)].sum() == pytest.approx(math.log(time), abs=1e-9)
        model = ExactModel(
            wanted, np.arange(count), np.ones(count), np.zeros(count), np.arange(count + 1), count
        )
        within = np.append(logs, math.log(pole))
        low = within - SIDE[:, None] * rng.uniform(0.1, 0.9, (2, count + 1))
        high = low + SIDE[:, None]
        bounds = ExactBounds(model, wanted)
        ends = model.element_ends(low, high)
        tangent = bound_boxes(model, low, high, limit=bounds.limit(ends[1]))
        assert np.all(bounds(*ends)) and np.all(tangent.keep)
        # Bounds are widened by 1e-9 of what they are.
        assert np.all((tangent.low <= within + 1e-8) & (within - 1e-8 <= tangent.high))
    assert met


def test_curves_share_what_their_exact_values_have_in_common(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Foster's first form: R1, C1, R3 and R4 stay for one shelf, R2 C2 and R2/R1 do not.

    By hand from the partial fractions, as in `tests/unit/test_switched_sharing.py`.
    """
    monkeypatch.setattr(exclusion, "_MOST_BOUNDED", 8000)  # boxes: the proof takes fewer
    positions = (SwitchPosition("disc", DISC), SwitchPosition("other", OTHER))
    low_output = replace(JOB.network, output_resistance_max=600.0)
    box = BoxJob(replace(JOB, network=low_output), positions)
    jobs = tuple((p, box.job_of(p.name)) for p in positions)
    tables = form_tables("foster-1", jobs, lowest_pole_hz=30e3)
    exclusions = Exclusions(tables, jobs, ranges_of(stock_of(JOB, None)), 30e3)
    assert exclusions.conflict((0, 0), frozenset({"R2", "C2"})) is None
    conflict = exclusions.conflict((0, 0), frozenset({"R1", "R2"}))
    assert conflict is not None and conflict.proved
    assert conflict.refs == ("C1", "C2", "R3", "R4")
    assert conflict.sentence == (
        "no values of C1, C2, R3, R4 make both disc and other: C1 or C2 or R3 or R4 must be "
        "switched"
    )
    # What holds for two positions holds for fewer, at once.
    assert exclusions.conflict((0, 0), frozenset({"R2"})) is not None
