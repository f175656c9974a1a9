"""How fast builds are drawn and measured, as ratios within one run.

Run by hand: ``pytest tests/benchmarks/test_spread_speed.py -s -o addopts=""``.  The yardsticks are
what a user would otherwise write with numpy, at the same frequencies and with the same figures at
the end: the network by its impedances, in complex numbers; H(s) as a ratio of polynomials, in
complex numbers, its coefficients made by the package; and a nodal solve per build and frequency.
Everything runs in one thread.  Times are those of the processor, each the shortest of many short
slots in turn, so that it matters little what else runs.
"""

from __future__ import annotations

import functools
import importlib.util
import itertools
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from antecurve.analysis.spread import spread
from antecurve.curves.model import response
from antecurve.job import default_job
from antecurve.networks.compiled import transfer_coefficients
from antecurve.networks.series_parallel import branches_of
from antecurve.networks.tree import Leaf, Tree
from antecurve.parts import builds as builds_module
from antecurve.parts.builds import Builds, builds_of
from antecurve.parts.compiled_builds import WORTH_COMPILING
from antecurve.parts.distributions import BLOCK, draw_block
from antecurve.parts.log_histogram import LogHistogram
from antecurve.parts.scatter import position_values
from antecurve.pipeline import Design
from antecurve.quantities import DB_PER_NEPER
from antecurve.threads import keep_freed_memory

BUILDS, POINTS = 1_000_000, 121
SLOTS = 12  # of each way; more find the machine no quieter
# Numpy alone, compiled; of polynomials 7 to 13 and 24 to 29 were measured on idle cores.
_AGAINST_IMPEDANCES, _AGAINST_POLYNOMIALS = (20.0, 60.0), (6.0, 20.0)
FAST = importlib.util.find_spec("numba") is not None
Work = Callable[[], object]


def _processor_seconds(work: Work) -> float:
    start = time.thread_time()
    work()
    return time.thread_time() - start


def _shortest(*works: Work, slots: int = SLOTS) -> list[float]:
    """Processor seconds of each, the shortest of slots in turn."""
    return [
        min(times)
        for times in zip(
            *([_processor_seconds(work) for work in works] for _ in range(slots)), strict=True
        )
    ]


class _Plain:
    """What a user would otherwise write."""

    def __init__(self, design: Design) -> None:
        self.job, self.picked = design.job, design.picked
        self.drawn = _drawn(design)
        self.frequency = self.drawn.evaluator.frequency_hz
        self.s = 2j * np.pi * self.frequency
        self.curve = np.abs(response(self.job.curve, self.frequency))

    def values(self, channel: int = 0) -> np.ndarray:
        """Element values of a block of builds, a column each."""
        source = self.drawn.source
        parts = draw_block(source, seed=1, block=0, channel=channel)
        return position_values(source.table, parts)[:, :, None]

    def by_impedances(self, values: np.ndarray) -> np.ndarray:
        """H = Zout/(Rs + Z + Zout) of a half-section."""
        elements = dict(zip(self.picked.topology.elements, values, strict=True))
        named = {e.ref: (e, v) for e, v in elements.items()}

        def impedance(tree: Tree[str]) -> np.ndarray:
            if isinstance(tree, Leaf):
                element, value = named[tree.content]
                return value if element.kind.value == "resistor" else 1.0 / (self.s * value)
            if tree.joined == "series":
                return functools.reduce(np.add, map(impedance, tree.parts))
            return 1.0 / functools.reduce(np.add, [1.0 / impedance(p) for p in tree.parts])

        across, along = sorted(branches_of(self.picked.topology), key=lambda arm: "in" in arm.nodes)
        loading = self.job.loading
        admittance = 1.0 / loading.load_resistance + self.s * loading.load_capacitance
        output = 1.0 / (admittance + 1.0 / impedance(across.tree))
        return output / (loading.source_resistance + impedance(along.tree) + output)

    def by_polynomials(self, values: np.ndarray) -> np.ndarray:
        """H(s) as the ratio of two polynomials."""
        loading = self.job.loading
        return transfer_coefficients(
            self.picked.topology,
            values[:, :, 0].T,
            source_resistance=loading.source_resistance,
            load_resistance=loading.load_resistance,
            load_capacitance=loading.load_capacitance,
        ).response(self.frequency)

    def solved(self, values: np.ndarray) -> np.ndarray:
        """Node voltages of each build at each frequency."""
        elements = self.picked.topology.elements
        nodes = dict.fromkeys(n for e in elements for n in e.nodes if n != "0")
        index = {n: k for k, n in enumerate(nodes)}
        matrix = np.zeros((values.shape[1], len(self.s), len(index), len(index)), complex)

        def stamp(a: str, b: str, y: np.ndarray) -> None:
            for one, other in ((a, b), (b, a)):
                if one != "0":
                    matrix[..., index[one], index[one]] += y
                    if other != "0":
                        matrix[..., index[one], index[other]] -= y

        for element, value in zip(elements, values, strict=True):
            resistor = element.kind.value == "resistor"
            stamp(*element.nodes, (1.0 / value if resistor else value * self.s) + 0j * self.s)
        loading = self.job.loading
        load = 1.0 / loading.load_resistance + self.s * loading.load_capacitance
        stamp("out", "0", np.broadcast_to(load, (values.shape[1], len(self.s))))
        source = 1.0 / loading.source_resistance
        matrix[..., index["in"], index["in"]] += source
        current = np.zeros((len(index), 1), complex)
        current[index["in"]] = source
        return np.linalg.solve(matrix, current)[..., index["out"], 0]

    def centred_db(self, way: Callable[[np.ndarray], np.ndarray]) -> np.ndarray:
        """Draw a block, and measure it to the percentiles."""
        error = 20.0 * np.log10(np.abs(way(self.values())) / self.curve)
        centred = 0.5 * (error.max(axis=1) - error.min(axis=1))
        np.quantile(centred, (0.5, 0.95, 0.99))
        return centred

    def largest_apart_db(self, way: Callable[[np.ndarray], np.ndarray]) -> np.ndarray:
        """Draw a block of two channels, and compare them to the percentiles."""
        apart = 20.0 * np.log10(np.abs(way(self.values(0)) / way(self.values(1))))
        largest = np.abs(apart).max(axis=1)
        np.quantile(largest, (0.5, 0.95, 0.99))
        return largest


def _drawn(design: Design) -> Builds:
    job = design.job
    return builds_of(
        design.picked,
        curve=job.curve,
        loading=job.loading,
        band_hz=job.target.band_hz,
        seed=1,
        points=POINTS,
    )


def _counted(drawn: Builds, *, channels: int, blocks: int) -> Work:
    """Our way, from the draw to the histograms, percentiles of which are as good as free."""

    def work() -> None:
        one, other = LogHistogram(), LogHistogram()
        if channels == 2:
            for pair in drawn.mismatches(blocks * BLOCK):
                one.add(pair.largest_db)
                other.add(pair.level_db)
        else:
            for build in drawn.measured(blocks * BLOCK):
                one.add(build.centred_db)
                other.add_logarithms(build.level_db / DB_PER_NEPER)

    return work


@pytest.mark.parametrize("fast", [False, True])
def test_against_what_one_would_write_otherwise(
    default_design: Design, fast: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    if fast and not FAST:
        pytest.skip("the extra fast is not there")
    keep_freed_memory()
    plain, drawn = _Plain(default_design), _drawn(default_design)
    monkeypatch.setattr(builds_module, "WORTH_COMPILING", 1 if fast else 10**12)
    blocks = 256  # two million builds
    table = [("builds", 1, plain.centred_db), ("pairs of channels", 2, plain.largest_apart_db)]
    print(f"\n{'compiled' if fast else 'numpy alone':20} {'ns each':>8} {'impedances':>11} ratio"
          f" {'polynomials':>12} ratio")  # fmt: skip
    least = []
    for name, channels, otherwise in table:
        ours = _counted(drawn, channels=channels, blocks=blocks)
        ours()
        mine, by_impedances, by_polynomials = _shortest(
            ours,
            lambda otherwise=otherwise: otherwise(plain.by_impedances),
            lambda otherwise=otherwise: otherwise(plain.by_polynomials),
        )
        each = mine / (blocks * BLOCK)
        ratios = [by_impedances / BLOCK / each, by_polynomials / BLOCK / each]
        print(
            f"{name:20} {each * 1e9:8.0f} {by_impedances / BLOCK * 1e9:11.0f} {ratios[0]:5.0f} "
            f"{by_polynomials / BLOCK * 1e9:12.0f} {ratios[1]:5.0f}"
        )
        least.append(
            min(ratios[0] / _AGAINST_IMPEDANCES[fast], ratios[1] / _AGAINST_POLYNOMIALS[fast])
        )
    assert min(least) >= 1.0


def test_all_ways_say_the_same(default_design: Design) -> None:
    plain, drawn = _Plain(default_design), _drawn(default_design)
    expected = next(drawn.measured(BLOCK)).centred_db
    for way in (plain.by_impedances, plain.by_polynomials):
        np.testing.assert_allclose(plain.centred_db(way), expected, rtol=1e-5)
        np.testing.assert_allclose(
            plain.largest_apart_db(way), next(drawn.mismatches(BLOCK)).largest_db, rtol=1e-5
        )


def test_against_a_nodal_solve(default_design: Design) -> None:
    plain, drawn = _Plain(default_design), _drawn(default_design)
    few = plain.values()[:, :256]

    def solve() -> np.ndarray:
        error = 20.0 * np.log10(np.abs(plain.solved(few)) / plain.curve)
        return 0.5 * (error.max(axis=1) - error.min(axis=1))

    np.testing.assert_allclose(solve(), next(drawn.measured(256)).centred_db, rtol=1e-5)
    mine, solving = _shortest(_counted(drawn, channels=1, blocks=16), solve)
    ratio = solving / 256 / (mine / (16 * BLOCK))
    print(f"\na nodal solve takes {ratio:.0f} times as long")
    assert ratio >= 75


def test_many_builds_from_the_start() -> None:
    """Two processes of their own, in one thread: as many builds as compiled loops are used for."""
    program = (
        "import sys, time\n"
        "if sys.argv[1] == 'plain': sys.modules['numba'] = None\n"
        "from antecurve.pipeline import design\n"
        "from antecurve.job import default_job\n"
        "from antecurve.analysis.spread import spread\n"
        "design = design(default_job())\n"
        "start = time.process_time()\n"
        f"result = spread(design, builds={WORTH_COMPILING})\n"
        "print(time.process_time() - start, result.centred_db)\n"
    )
    if not FAST:
        pytest.skip("the extra fast is not there")

    def said(way: str) -> list[str]:
        command = [sys.executable, "-c", program, way]
        done = subprocess.run(command, capture_output=True, text=True, check=True)
        return done.stdout.strip().split(" ", 1)

    said("fast")  # compiles, where that is still to be done
    (fast, percentiles), (plain, others) = said("fast"), said("plain")
    print(f"\n{WORTH_COMPILING:,} builds: {float(fast):.1f} s of processor, loading included; "
          f"{float(plain):.1f} s with numpy alone")  # fmt: skip
    print(percentiles, others, sep="\n")
    assert float(fast) < float(plain)


def test_a_million_builds_take_under_two_seconds(default_design: Design) -> None:
    job = default_design.job
    start = time.process_time()
    result = spread(default_design.picked, job.conditions, builds=BUILDS, workers=2, limit_db=0.5)
    assert result.worst is not None
    seconds = time.process_time() - start
    print(f"\n{BUILDS:,} builds x {POINTS} frequencies, all results: {seconds:.2f} s of processor")
    assert seconds < 2.0


def test_progress_ten_times_a_second(default_design: Design) -> None:
    told: list[float] = [time.process_time()]
    spread(
        default_design.picked,
        default_design.job.conditions,
        builds=BUILDS,
        progress=lambda *_: told.append(time.process_time()),
    )
    longest = max(later - before for before, later in itertools.pairwise(told))
    print(f"\nprogress {len(told) / (told[-1] - told[0]):.0f} times a second of processor, "
          f"{longest * 1e3:.0f} ms apart at most")  # fmt: skip
    assert longest < 0.1


def test_memory_does_not_grow_with_builds() -> None:
    def peak(builds: int) -> float:
        program = (
            "import os, sys, antecurve\n"
            f"sys.path.append({str(Path(__file__).parents[1])!r})\n"
            "from process_memory import peak_mib\n"
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
            "print(peak_mib(os.getpid()))\n"  # getrusage counts the process it was forked from
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
    (seconds,) = _shortest(lambda: spread(default_design.picked, job.conditions).worst, slots=3)
    print(f"\n100,000 builds with worst case and sensitivities: {seconds:.2f} s of processor")
    assert seconds < 1.0
