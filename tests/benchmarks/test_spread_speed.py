"""How fast builds are drawn and measured, as ratios within one run.

Run by hand: ``pytest tests/benchmarks/test_spread_speed.py -s``.  The yardsticks are what a user
would otherwise write with numpy: a nodal solve per build and frequency, and the plain vectorised
evaluation of H(s) as a complex ratio.  Yardsticks are timed over fewer builds and scaled.
"""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable

import numpy as np

from antecurve.analysis.spread import spread
from antecurve.curves.model import response
from antecurve.job import default_job
from antecurve.networks.centred_error import BuildErrors
from antecurve.networks.compiled import transfer_coefficients
from antecurve.parts.builds import Builds
from antecurve.parts.distributions import BLOCK, draw_block, part_source
from antecurve.parts.scatter import part_table, position_values
from antecurve.pipeline import Design

BUILDS, POINTS = 1_000_000, 121


def _best(function: Callable[[], object], rounds: int = 3) -> float:
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        function()
        times.append(time.perf_counter() - start)
    return min(times)


def _ours(design: Design, workers: int) -> Callable[[], object]:
    job = design.job
    return lambda: (
        spread(
            design.picked,
            job.conditions,
            builds=BUILDS,
            points=POINTS,
            workers=workers,
            limit_db=0.5,
        ).worst
    )


def test_a_million_builds_take_under_two_seconds(default_design: Design) -> None:
    run = _ours(default_design, 2)
    run()
    seconds = _best(run)
    print(f"\n{BUILDS:,} builds x {POINTS} frequencies: {seconds:.2f} s")
    assert seconds < 2.0


def test_against_what_one_would_write_otherwise(default_design: Design) -> None:
    job, picked = default_design.job, default_design.picked
    source = part_source(part_table(picked), distribution="uniform")
    evaluator = BuildErrors(
        picked.topology,
        job.curve,
        loading=job.loading,
        band_hz=job.target.band_hz,
        nominal=picked.network.values,
        points=POINTS,
    )
    copies = Builds(source, evaluator, 1)
    frequency = evaluator.frequency_hz
    values = position_values(source.table, draw_block(source, seed=1, block=0)).T
    curve = np.abs(response(job.curve, frequency))

    def ours() -> None:
        for _ in copies.measured(BUILDS, workers=2):
            pass

    def plain() -> np.ndarray:
        transfer_function = transfer_coefficients(
            picked.topology,
            values,
            source_resistance=job.loading.source_resistance,
            load_resistance=job.loading.load_resistance,
            load_capacitance=job.loading.load_capacitance,
        )
        error = 20.0 * np.log10(np.abs(transfer_function.response(frequency)) / curve)
        return 0.5 * (error.max(axis=1) - error.min(axis=1))

    few = values[:256]

    def solved() -> np.ndarray:
        nodes = list(dict.fromkeys(n for e in picked.topology.elements for n in e.nodes))
        index = {n: k for k, n in enumerate(n for n in nodes if n != "0")}
        s = 2j * np.pi * frequency
        matrix = np.zeros((len(few), len(s), len(index), len(index)), complex)

        def stamp(a: str, b: str, y: np.ndarray) -> None:
            for one, other in ((a, b), (b, a)):
                if one != "0":
                    matrix[..., index[one], index[one]] += y
                    if other != "0":
                        matrix[..., index[one], index[other]] -= y

        for k, element in enumerate(picked.topology.elements):
            value = few[:, k, None]
            resistor = element.kind.value == "resistor"
            stamp(*element.nodes, (1.0 / value if resistor else value * s) + 0j * s)
        load = 1.0 / job.loading.load_resistance + s * job.loading.load_capacitance
        stamp("out", "0", np.broadcast_to(load, (len(few), len(s))))
        source_y = 1.0 / job.loading.source_resistance
        matrix[..., index["in"], index["in"]] += source_y
        current = np.zeros((len(index), 1), complex)
        current[index["in"]] = source_y
        voltage = np.linalg.solve(matrix, current)[..., index["out"], 0]
        error = 20.0 * np.log10(np.abs(voltage) / curve)
        return 0.5 * (error.max(axis=1) - error.min(axis=1))

    expected = next(copies.measured(BLOCK)).centred_db
    np.testing.assert_allclose(plain(), expected, rtol=1e-5)
    np.testing.assert_allclose(solved(), expected[:256], rtol=1e-5)
    mine = _best(ours) / BUILDS
    # Slots of about equal length, so that whatever else runs on the machine hits all alike.
    against_plain = _best(lambda: [plain() for _ in range(12)]) / (12 * len(values)) / mine
    against_solved = _best(lambda: [solved() for _ in range(12)]) / (12 * len(few)) / mine
    print(
        f"\n{mine * 1e9:.0f} ns a build; plain complex evaluation takes {against_plain:.1f} times, "
        f"a nodal solve {against_solved:.0f} times as long"
    )
    assert against_plain >= 10
    assert against_solved >= 150


def test_memory_does_not_grow_with_builds() -> None:
    def peak(builds: int) -> float:
        program = (
            "import resource, antecurve\n"
            "from antecurve.pipeline import design\n"
            "from antecurve.job import default_job\n"
            "from antecurve.analysis.spread import spread\n"
            "from antecurve.parts.position import Part, PickedNetwork, Position\n"
            "from antecurve.synthesis.exact import exact_network\n"
            "job = default_job()\n"
            "net = exact_network('foster-1', job.curve, loading=job.loading, gain=job.gain,"
            " shunt_resistance=500.0).network\n"
            "picked = PickedNetwork(net.topology, tuple(Position(e, (Part(float(v), 0.01),))"
            " for e, v in zip(net.topology.elements, net.values)))\n"
            f"spread(picked, job.conditions, builds={builds}, workers=2).worst\n"
            "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)\n"
        )
        done = subprocess.run(
            [sys.executable, "-c", program], capture_output=True, text=True, check=True
        )
        return float(done.stdout)

    small, large, larger = peak(100_000), peak(BUILDS), peak(10 * BUILDS)
    print(
        f"\npeak {small:.0f} MiB for 100,000 builds, {large:.0f} MiB for {BUILDS:,}, "
        f"{larger:.0f} MiB for {10 * BUILDS:,}"
    )
    assert larger < 300
    assert max(large, larger) < 1.1 * small


def test_the_default_spread_is_quick(default_design: Design) -> None:
    job = default_job()
    # What is worked out on request, too: the curves, the other channel and the worst case.
    seconds = _best(lambda: spread(default_design.picked, job.conditions).worst)
    print(f"\n100,000 builds with worst case and sensitivities: {seconds:.2f} s")
    assert seconds < 1.0
