"""Every notebook runs from top to bottom, prints what is stored, and its numbers are right.

Outputs are stored by ``jupyter nbconvert --to notebook --execute --inplace notebooks/*.ipynb``.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

FOLDER = Path(__file__).parents[2] / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))
ANSWER = re.compile(r"<details><summary>Answer</summary>.*?```python\n(.*?)```", re.DOTALL)

# What holds after the lesson and its answer, in the names that they leave.
NUMBERS = {
    "1-from-a-curve-to-a-parts-list": """
# IEC 60098: 0 dB at 1 kHz, playback +19.27 dB at 20 Hz and -13.73 dB at 10 kHz.
assert abs(levels[0] + 19.274) < 0.001 and abs(levels[2] - 13.734) < 0.001
# A pole at 50 kHz by itself: 10 log10(1 + (20/50)**2) dB at 20 kHz, 0.002 dB of it at 1 kHz.
assert abs(cost_db - (10 * np.log10(1.16) - 0.0017)) < 0.001
assert abs(higher_cost_db - (10 * np.log10(1.04) - 0.0004)) < 0.001
assert rest_db < 2e-4  # what the load's own pole near 3 MHz leaves at 20 kHz
assert error.job.centred_db < 0.03 and 0.30 < error.published.centred_db < 0.36
assert spread.centred_db.p95 > 3 * error.job.centred_db
assert spread.within.proportion.fraction > 0.999  # of the limit of 0.5 dB in the job
assert parts.to_frame()["quantity"].sum() == 2 * design.picked.part_count
""",
    "2-parts-from-the-drawer-and-a-pair": """
assert len(drawer.entries) == 48  # rows of data/drawer.csv
assert design.search.proved
assert 0 <= design.search.objective_db - design.search.lower_bound_db < 1e-6
# Parts known to 0.2 % in place of 2.5 %; resistors of 1 % stay.
assert design.analysis.spread.centred_db.p95 < 0.7 * bought.analysis.spread.centred_db.p95
assert len(used) == len(set(used)) and pair.match_db < 0.05
""",
    "3-what-spreads-and-what-loads": """
assert result.centred_db.p95 > 2 * nominal_db
assert abs(sum(s.share for s in result.sensitivity) - 1) < 1e-9
assert result.centred_db.max <= worst.centred_db < 4 * result.centred_db.p95
assert with_600_db > result.centred_db.p95 and 150 < table.window.source_ohm.high < 600
assert build.error.centred_db < worst.centred_db
assert float(build.correction.expanded_uncertainty_db.max()) < 0.1
""",
    "4-judging-units-from-square-waves": """
assert good.decision == "pass" and bad.decision == "fail"
# The true value of data/make_demo_data.py.
treble = next(v for v in bad.fitted if v.name == "treble_s")
assert treble.low < 62e-6 < treble.high
assert alone.expanded_uncertainty_db > good.expanded_uncertainty_db and "23 Hz" in alone.findings[0]
""",
    "5-an-instrument-file-and-a-two-channel-record": """
# The true values: data/make_demo_data.py, and the playback of the lesson.
for judged in (from_scope, verdict):
    treble = next(v for v in judged.fitted if v.name == "treble_s")
    assert judged.decision == "fail" and treble.low < 62e-6 < treble.high
assert np.allclose(recording.capture.volts, plain.volts, rtol=0, atol=5.01e-6)  # half of 0.01 mV
# The delay and the noise put in: all but the noise within 10 Hz to 21.6 kHz is response.
assert abs(verdict.overlay.delay_s - 2.5e-3) < 1e-6
assert verdict.overlay.noise_db < -50 < verdict.overlay.explained_db
assert wrong.decision == "fail" and wrong.deviation_db > 10
""",
    "6-which-part-is-wrong": """
first = diagnosis.suspects[0]
assert diagnosis.own_error.centred_db < 0.1 and diagnosis.good_probability < 0.01
# data/make_demo_data.py makes C1 62/75 of its value; R1 C1 is one time constant.
assert {first.refs, *first.alike} == {("C1",), ("R1",)}
assert before.decision == "fail" and repair.cured
# The neighbour of 10 kohm in E12 that makes 62 us of 75 us: 8.2 kohm (IEC 60063).
assert other.value == 8200
""",
}


# Lessons begin with the same job and captures: what comes of them is worked out once.
REMEMBERING = """
import antecurve

def remembering(function, known):
    from pickle import dumps

    def told(given):
        return id(given) if any(given is each for each in known.values()) else dumps(given)

    def again(*given, **named):
        key = (function.__name__, *map(told, given), *((k, told(v)) for k, v in named.items()))
        if key not in known:
            known[key] = function(*given, **named)
        return known[key]

    return again

known = {}
for name in ("design", "judge_unit"):
    setattr(antecurve, name, remembering(getattr(antecurve, name), known))
"""


@pytest.fixture(scope="module")
def kernel() -> Iterator[Any]:
    """One kernel, so that the libraries are loaded once."""
    from jupyter_client.manager import start_new_kernel

    manager, client = start_new_kernel(kernel_name="python3", cwd=str(FOLDER))
    client.execute_interactive(REMEMBERING, timeout=60)
    client.stop_channels()
    yield manager
    manager.shutdown_kernel(now=True)


def printed(notebook: Any) -> list[str]:
    """What each cell prints, and the kinds of its displays."""
    shown = []
    for cell in notebook.cells:
        text = ""  # what a cell prints may come in several pieces
        for output in cell.get("outputs", ()):
            if output.output_type == "stream":
                text += output.text
            else:
                shown.append(", ".join(sorted(output.get("data", ()))))
        shown.append(text)
    return shown


def test_there_are_six_notebooks_with_numbers_to_hold() -> None:
    assert [path.stem for path in NOTEBOOKS] == sorted(NUMBERS)
    assert len(NOTEBOOKS) == 6
    # A reader's first look, not an archive of pixels.
    assert all(path.stat().st_size < 300_000 for path in NOTEBOOKS)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
@pytest.mark.filterwarnings("ignore::DeprecationWarning", "ignore::ResourceWarning")
def test_notebook_prints_what_is_stored_and_its_numbers_hold(path: Path, kernel: Any) -> None:
    import nbformat
    from nbclient import NotebookClient

    notebook = nbformat.read(path, as_version=4)
    lesson = len(notebook.cells)
    stored = printed(notebook)
    assert sum("image/" in kinds for kinds in stored) >= 2, "a lesson has pictures"
    assert any("text/html" in kinds for kinds in stored), "a lesson has rich tables"
    assert "assert" not in "".join(c.source for c in notebook.cells if c.cell_type == "code")
    [answer] = ANSWER.findall("".join(cell.source for cell in notebook.cells))
    # Nothing of another notebook is left.
    cells = ["%reset -f", answer, NUMBERS[path.stem]]
    reset, *checks = (nbformat.v4.new_code_cell(source) for source in cells)
    notebook.cells = [reset, *notebook.cells, *checks]
    client = NotebookClient(
        notebook, km=kernel, timeout=300, resources={"metadata": {"path": path.parent}}
    )
    try:
        client.execute(cleanup_kc=False)
    finally:
        client.kc.stop_channels()
    notebook.cells = notebook.cells[1 : lesson + 1]
    assert printed(notebook) == stored
