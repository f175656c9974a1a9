"""Networks of the user's own of every shape end with a result, however their parts are joined.

Nothing here is timed; the limit of each run only guards against one that would not end.
"""

from __future__ import annotations

import itertools
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

HANG_S = 120
NODES = ("in", "out", "0", "a", "b", "c", "d")
PROGRAM = "from antecurve.cli.main import run; run()"


def _mesh(nodes: int, count: int) -> list[str]:
    """Elements over the pairs of some nodes in turn, capacitors and resistors alternating."""
    pairs = [p for p in itertools.combinations(NODES[:nodes], 2) if p != ("in", "0")]
    return [
        f"{'CR'[(i + i // len(pairs)) % 2]}{i} {' '.join(pairs[i % len(pairs)])}"
        for i in range(count)
    ]


def _ladder(sections: int) -> list[str]:
    nodes = ["in", *NODES[3 : 2 + sections], "out"]
    elements = []
    for i, (near, far) in enumerate(itertools.pairwise(nodes), start=1):
        elements += [f"R{i} {near} {far}", f"C{i} {near} {far}", f"R{i}0 {far} 0"]
    return elements


SHAPES = {
    "full mesh of 6 nodes": (_mesh(6, 14), ""),
    "mesh of 7 nodes": (_mesh(7, 13), "parts_per_position = 2"),
    "ladder": (_ladder(4), ""),
    "bridged T": (
        ["R1 in a", "R2 a out", "C3 a 0", "C4 in out", "R5 out 0", "R6 in out"],
        "parts_per_position = 2",
    ),
    "twin T": (
        ["R1 in a", "R2 a out", "C3 a 0", "C4 in b", "C5 b out", "R6 b 0", "R7 out 0", "R8 in out"],
        "",
    ),
    "nodes between capacitors alone": (
        ["R1 in a", "C1 in b", "C2 b c", "C3 c a", "R2 a out", "C4 a out", "R3 out 0"],
        "",
    ),
    "many in parallel": (
        [*(f"R{k} in out" for k in range(8)), *(f"C{k} in out" for k in range(8)), "R9 out 0"],
        "",
    ),
}


@pytest.mark.parametrize("shape", SHAPES)
def test_any_shape_ends(tmp_path: Path, shape: str) -> None:
    elements, more = SHAPES[shape]
    (tmp_path / "job.toml").write_text(
        '[curve]\nname = "disc"\nultrasonic_poles = ["50 kHz"]\n'
        f"[network]\nelements = {json.dumps(elements)}\n[resistors]\n{more}\n[capacitors]\n{more}\n"
        "[pick]\nbudget_seconds = 0.5\n[spread]\nbuilds = 100\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, "design", "job.toml", "-o", "out"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=HANG_S,
        check=False,
        env={**os.environ, "NO_COLOR": "1"},
    )
    assert "Traceback" not in done.stderr
    assert "Warning" not in done.stderr
    assert done.returncode in (0, 2), done.stderr
    if done.returncode == 2:
        assert done.stderr.count("\n") == 1
        assert not (tmp_path / "out").exists()
        return
    design = json.loads((tmp_path / "out" / "design.json").read_text())
    assert {p["ref"] for p in design["network"]["elements"]} == {e.split()[0] for e in elements}
    assert "</html>" in (tmp_path / "out" / "report.html").read_text()


def test_a_mesh_with_too_many_terms_is_refused_in_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "job.toml").write_text(
        f'[curve]\nname = "disc"\n[network]\nelements = {json.dumps(_mesh(7, 18))}\n'
    )
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, "design", "job.toml", "-o", "out"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=HANG_S,
        check=False,
    )
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert "use fewer elements or nodes" in done.stderr
    assert not (tmp_path / "out").exists()
