"""How fast picks are proved, against a vectorised brute force where one can finish.

Run by hand: ``pytest tests/benchmarks/test_pick_speed.py -s``.  The yardstick is what a user
would otherwise write with numpy: |H| of all combinations, a chunk at a time, by plain complex
arithmetic for the one network in question, at 31 frequencies.  It is timed over part of the
catalogue and scaled.
"""

from __future__ import annotations

import math
import resource
import subprocess
import sys
import time
from dataclasses import replace
from itertools import product

import numpy as np

from antecurve.curves.model import response
from antecurve.job import Job, Stock, default_job
from antecurve.networks.topology import ElementKind
from antecurve.parts.drawer import Drawer, DrawerEntry
from antecurve.parts.position import Part
from antecurve.parts.series import series_values
from antecurve.pick.candidates import candidates
from antecurve.pick.search import PickResult, pick

PATIENCE_SECONDS = 60.0
PARTS = """
import numpy, sympy
from dataclasses import replace
from itertools import product
from antecurve.job import default_job
from antecurve.pick.search import pick
job = default_job()
"""


def _one_form(form: str = "foster-1") -> Job:
    job = default_job()
    return replace(job, network=replace(job.network, forms=(form,)))


def _timed(job: Job, drawer: Drawer | None = None) -> tuple[float, PickResult]:
    start = time.perf_counter()
    result = pick(job, drawer=drawer)
    return time.perf_counter() - start, result


def test_default_job_is_proved_within_two_seconds() -> None:
    """From a fresh interpreter, after imports: four forms, 1.4e17 combinations."""
    code = PARTS + (
        "import time; start = time.perf_counter(); found = pick(job); "
        "print(time.perf_counter() - start, found.search.proved)"
    )
    seconds, proved = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout.split()
    print(f"\ndefault job: {float(seconds):.2f} s")
    assert proved == "True"
    assert float(seconds) < 2.0


def test_two_parts_in_every_position_within_twenty_seconds_and_a_gibibyte() -> None:
    """E96 one or two in series, E12 one or two in parallel, one form: 2e25 combinations."""
    code = PARTS + (
        "import resource, time; start = time.perf_counter()\n"
        "job = replace(job, network=replace(job.network, forms=('foster-1',)), resistors="
        "replace(job.resistors, parts_per_position=2, join=('series',)))\n"
        "found = pick(job)\n"
        "print(time.perf_counter() - start, found.search.proved,"
        " resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)"
    )
    seconds, proved, kibibytes = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout.split()
    print(f"\ntwo parts everywhere: {float(seconds):.2f} s, {int(kibibytes) / 1024:.0f} MiB")
    assert proved == "True"
    assert float(seconds) < 20.0
    assert int(kibibytes) < 2**20


def test_drawer_of_700_parts_within_ten_seconds() -> None:
    """500 measured resistors, 200 measured capacitors of which two may be joined; four forms."""
    rng = np.random.default_rng(5)
    drawn = (
        (ElementKind.RESISTOR, series_values("E24", low=47, high=1e6), 500, 0.01),
        (ElementKind.CAPACITOR, series_values("E12", low=3.3e-10, high=3.3e-7), 200, 0.05),
    )
    drawer = Drawer(
        tuple(
            DrawerEntry(kind, Part(float(v * (1 + spread * rng.uniform(-1, 1))), 1e-3), 1)
            for kind, values, count, spread in drawn
            for v in rng.choice(values, count)
        )
    )
    job = replace(
        default_job(),
        resistors=Stock(None, 0.01, (10.0, 1e6), 1, ("series",)),
        capacitors=Stock(None, 0.01, (2.2e-10, 4.7e-7), 2, ("parallel",)),
    )
    seconds, result = _timed(job, drawer)
    print(f"\ndrawer: {seconds:.2f} s, {result.search.combinations:.2g} combinations")
    assert result.search.proved
    assert seconds < 10.0


def test_a_hundred_times_faster_than_brute_force() -> None:
    """On the largest catalogue that brute force can finish in a minute."""
    job = _one_form()
    rate = _brute_force_rate(job)
    size, ours = 0, job
    series = ("E3", "E6", "E12", "E24")
    for resistors, capacitors, low in product(series, series, (10.0, 22.0, 47.0, 68.0, 100.0)):
        tried = replace(
            job,
            resistors=replace(job.resistors, series=resistors, value_range=(low, 1e6)),
            capacitors=replace(job.capacitors, series=capacitors, parts_per_position=1),
        )
        count = math.prod(len(g) for g in _grids(tried))
        if size < count <= PATIENCE_SECONDS * rate:
            size, ours = count, tried
    assert size > 0
    pick(ours)
    seconds = min(_timed(ours)[0] for _ in range(3))
    brute = size / rate
    print(
        f"\n{ours.resistors.series}, {ours.capacitors.series}: {size:.3g} combinations; "
        f"brute force {brute:.1f} s at {rate:.3g}/s, pick {seconds:.3f} s, "
        f"ratio {brute / seconds:.0f}"
    )
    assert brute / seconds > 100.0


def _grids(job: Job) -> list[np.ndarray]:
    resistors = candidates(ElementKind.RESISTOR, job.resistors).values
    capacitors = candidates(ElementKind.CAPACITOR, job.capacitors).values
    return [resistors, capacitors, resistors, capacitors, resistors, resistors]


def _brute_force_rate(job: Job, chunk: int = 50_000, chunks: int = 6) -> float:
    """Combinations a second of the yardstick."""
    frequency = np.geomspace(20, 20e3, 31)
    s = 2j * np.pi * frequency
    curve = np.abs(response(job.curve, frequency))
    loading = job.loading
    grids = _grids(job)
    rng = np.random.default_rng(1)
    best = math.inf
    start = time.perf_counter()
    for _ in range(chunks):
        r1, c1, r2, c2, r3, r4 = (rng.choice(g, chunk)[:, None] for g in grids)
        series = r1 / (1 + s * r1 * c1) + r2 / (1 + s * r2 * c2) + r3 + loading.source_resistance
        admittance = 1 / r4 + 1 / loading.load_resistance + s * loading.load_capacitance
        error = np.log(np.abs(1 / (1 + series * admittance)) / curve)
        best = min(best, float(np.ptp(error, axis=1).min()))
    assert best > 0
    return chunk * chunks / (time.perf_counter() - start)


def test_memory_of_this_run() -> None:
    mebibytes = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"\nall of the above: {mebibytes:.0f} MiB")
    assert mebibytes < 1024
