"""How long a box with several curves takes: four positions, E96, E12 with pairs, under 20 s."""

from __future__ import annotations

import time
from dataclasses import replace

from antecurve.curves.catalogue import named_curve
from antecurve.curves.model import Curve
from antecurve.job import default_job
from antecurve.switched.joint_pick import pick_box
from antecurve.switched.request import BoxJob, SwitchPosition

MOST_SECONDS = 20.0
TIMES_US = (((3180, 100), 318), ((3180, 50), 400), ((3180, 150), 530))


def test_four_positions_are_picked_and_proved() -> None:
    job = default_job()
    target = replace(job.target, level_tolerance_db=2.0, error_limit_db=None)
    job = replace(job, curve=named_curve("disc"), target=target)
    positions = [SwitchPosition("disc", named_curve("disc"))]
    for number, (zeros, pole) in enumerate(TIMES_US):
        curve = Curve("own", tuple(z * 1e-6 for z in zeros), (pole * 1e-6,))
        positions.append(SwitchPosition(f"older {number}", curve))
    start = time.perf_counter()
    picked = pick_box(BoxJob(job, tuple(positions)))
    seconds = time.perf_counter() - start
    print(f"four positions: {picked.best.pick.error_db:.4f} dB, {seconds:.1f} s")
    assert picked.search.proved
    assert seconds < MOST_SECONDS
