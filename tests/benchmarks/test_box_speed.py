"""How long a box takes: four positions, E96, E12 with pairs, against the pick of its four curves.

The times are printed.  What is asserted is the ratio: both do the same arithmetic on the same
machine, so that its speed drops out.  The box of the demo has an error limit: that no smaller set
of switched positions keeps it is proved, too, in threads.
"""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

from antecurve.curves.catalogue import named_curve
from antecurve.curves.model import FLAT, Curve
from antecurve.files.box_job_file import read_job_or_box
from antecurve.job import default_job
from antecurve.pick.search import pick
from antecurve.switched.joint_pick import pick_box
from antecurve.switched.request import BoxJob, SwitchPosition

MOST_RATIO = 5.0
"""Twice the ratio that was measured: 2.5, 11.6 s against 4.6 s of processor time."""
MOST_RATIO_OF_DEMO = 16.0
"""The same: 8.2, 23.0 s against 2.8 s; a third of it proves that no smaller set keeps the limit."""
TIMES_US = (((3180, 100), 318), ((3180, 50), 400), ((3180, 150), 530))


def test_four_positions_take_a_few_times_as_long_as_four_picks() -> None:
    job = default_job()
    target = replace(job.target, level_tolerance_db=2.0, error_limit_db=None)
    # Enough on a machine that others use, too: what counts is processor time.
    job = replace(
        job, curve=named_curve("disc"), target=target,
        pick=replace(job.pick, budget_seconds=3600.0),
    )  # fmt: skip
    positions = [SwitchPosition("disc", named_curve("disc"))]
    for number, (zeros, pole) in enumerate(TIMES_US):
        curve = Curve("own", tuple(z * 1e-6 for z in zeros), (pole * 1e-6,))
        positions.append(SwitchPosition(f"older {number}", curve))
    start = time.process_time()
    picked = pick_box(BoxJob(job, tuple(positions)))
    together = time.process_time() - start
    assert picked.search.proved
    start = time.process_time()
    for position in positions:
        pick(replace(job, curve=position.curve))
    alone = time.process_time() - start
    print(
        f"four positions: {picked.best.pick.error_db:.4f} dB, {together:.1f} s; four picks: "
        f"{alone:.1f} s; ratio {together / alone:.2f}"
    )
    assert together < MOST_RATIO * alone


def test_the_box_of_the_demo_with_all_its_proofs() -> None:
    box_job = read_job_or_box(Path(__file__).parents[2] / "data" / "box.toml")
    assert isinstance(box_job, BoxJob)
    start, start_on_clock = time.process_time(), time.perf_counter()
    picked = pick_box(box_job)
    together, on_clock = time.process_time() - start, time.perf_counter() - start_on_clock
    assert picked.search.proved and not picked.unproved_forms
    assert picked.within is not None and picked.within.proved
    start = time.process_time()
    for position in box_job.positions:
        if position.curve.name != FLAT:  # two resistors, and no search
            pick(box_job.job_of(position.name))
    alone = time.process_time() - start
    print(
        f"box of the demo: {picked.best.pick.error_db:.4f} dB, {together:.1f} s, on the clock "
        f"{on_clock:.1f} s; three picks: {alone:.1f} s; ratio {together / alone:.2f}"
    )
    assert together < MOST_RATIO_OF_DEMO * alone
