"""The snippets of the README and the notebooks pass mypy as a user would run it: strict."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

import antecurve

ROOT = Path(__file__).parents[2]
SOURCE = Path(antecurve.__file__).parents[1]


def _snippets() -> dict[str, str]:
    """Each document's Python, all of its snippets one after the other."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    snippets = {"readme": "\n".join(re.findall(r"```python\n(.*?)```", readme, re.DOTALL))}
    for path in sorted((ROOT / "notebooks").glob("*.ipynb")):
        cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
        code = ("".join(cell["source"]) for cell in cells if cell["cell_type"] == "code")
        python = re.sub(r"^%.*\n", "", "\n".join(code), flags=re.MULTILINE)
        snippets["notebook_" + re.sub(r"\W", "_", path.stem)] = python
    return snippets


def _complaints(folder: Path) -> str:
    command = [sys.executable, "-m", "mypy", "--strict", "--config-file=", "--no-error-summary"]
    # Without a configuration, as users have none; what they import is not theirs to check.
    command += ["--follow-imports=silent", f"--cache-dir={ROOT / '.mypy_cache' / 'snippets'}"]
    # Notebooks and tables come without annotations.
    command += ["--untyped-calls-exclude=IPython", "--disable-error-code=import-untyped"]
    environment = {**os.environ, "MYPYPATH": str(SOURCE)}
    done = subprocess.run(
        [*command, str(folder)], capture_output=True, text=True, env=environment, cwd=folder
    )
    return done.stdout + done.stderr


@pytest.mark.seldom
def test_snippets_are_typed(tmp_path: Path) -> None:
    pytest.importorskip("mypy")
    snippets = _snippets()
    assert len(snippets) > 4
    assert all(map(str.strip, snippets.values()))
    wrong = "\nprint(design.analysis.error.job.centred_decibels)\n"
    snippets["wrong"] = snippets["readme"] + wrong
    for name, code in snippets.items():
        (tmp_path / f"{name}.py").write_text(code, encoding="utf-8")
    [complaint] = _complaints(tmp_path).splitlines()
    assert complaint.startswith("wrong.py:")
    assert 'has no attribute "centred_decibels"' in complaint
