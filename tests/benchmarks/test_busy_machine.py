"""How long a verdict and a design take while another process is busy on every core.

Threads of linear algebra that wait for each other make such a machine ten times slower; the whole
commands are timed, in the environment that a user has, against linear algebra of one thread.

Run with: python -m pytest -s -o addopts="" tests/benchmarks/test_busy_machine.py
"""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

DATA = Path(__file__).parents[2] / "data"
THREADS = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
SPIN = "while True: pass"
ALLOWED = 1.5  # what a scheduler with twice as many processes as cores leaves to chance


@contextlib.contextmanager
def _busy_cores() -> Iterator[None]:
    spinning = [subprocess.Popen([sys.executable, "-c", SPIN]) for _ in range(os.cpu_count() or 1)]
    try:
        yield
    finally:
        for process in spinning:
            process.kill()
            process.wait()


def _seconds(arguments: list[str], threads: str | None) -> float:
    environment = {k: v for k, v in os.environ.items() if k not in THREADS}
    if threads is not None:
        environment |= dict.fromkeys(THREADS, threads)
    started = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-m", "antecurve", *arguments], env=environment, capture_output=True
    )
    assert done.returncode in (0, 1), done.stderr
    return time.perf_counter() - started


@pytest.fixture(scope="module")
def design(tmp_path_factory: pytest.TempPathFactory) -> str:
    folder = tmp_path_factory.mktemp("busy") / "network"
    _seconds(["design", str(DATA / "bench.toml"), "-o", str(folder)], "1")
    return str(folder / "design.json")


COMMANDS = {
    "design": [str(DATA / "bench.toml")],
    "judge": [str(DATA / "unit-b-200hz.csv"), "--design", "DESIGN"],
    "trim": ["DESIGN", "--measured", str(DATA / "build-1-values.csv")],
    "calibrate": ["DESIGN", "--sweep", str(DATA / "build-1-sweep.csv")],
    "spread": ["DESIGN"],
}


@pytest.mark.parametrize("command", COMMANDS)
def test_a_busy_machine_costs_its_share_only(command: str, design: str) -> None:
    arguments = [command, *(design if a == "DESIGN" else a for a in COMMANDS[command])]
    with _busy_cores():
        # Turn and turn about: what else goes on meets both alike.
        taken = [(_seconds(arguments, "1"), _seconds(arguments, None)) for _ in range(3)]
    one, free = (min(times) for times in zip(*taken, strict=True))
    print(f"\n{command}: {free:.1f} s, with one thread set from outside {one:.1f} s")
    assert free < ALLOWED * one
