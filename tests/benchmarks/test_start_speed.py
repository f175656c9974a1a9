"""How long the command line takes to start, and the main job from cold.

Run with: python -m pytest -s -o addopts="" tests/benchmarks/test_start_speed.py
"""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path


def _best(command: list[str], repeats: int) -> float:
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        subprocess.run(command, check=True, capture_output=True)
        times.append(time.perf_counter() - start)
    return min(times)


def test_help_against_a_bare_import_of_the_command_line_library() -> None:
    console = str(Path(sys.executable).parent / "antecurve")
    bare = _best([sys.executable, "-c", "import typer"], 7)
    ours = _best([console, "--help"], 7)
    print(f"\nantecurve --help {ours:.3f} s, import typer {bare:.3f} s, ratio {ours / bare:.2f}")
    assert ours <= 3 * bare


def test_default_design_from_cold(tmp_path: Path) -> None:
    console = str(Path(sys.executable).parent / "antecurve")
    runs = [_best([console, "design", "-o", str(tmp_path / f"out{k}")], 1) for k in range(3)]
    print(f"\nantecurve design -o: {', '.join(f'{r:.2f}' for r in runs)} s wall")
    assert min(runs) < 6.0
