"""The command diagnose: contract, files, exit codes, bad input."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from commands import invoke

from antecurve.diagnose.hypotheses import PRIOR_GOOD
from antecurve.files.design_file import design_json
from antecurve.pipeline import Design

DATA = Path(__file__).parents[2] / "data"


@pytest.fixture(scope="module")
def design(tmp_path_factory: pytest.TempPathFactory, default_design: Design) -> str:
    path = tmp_path_factory.mktemp("diagnose") / "design.json"
    path.write_bytes(design_json(default_design))
    return str(path)


def test_the_contract_and_the_sheet_after_the_repair(
    design: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # The captures have 62 us (data/make_demo_data.py); R1 C1 is what makes it.
    out = tmp_path / "diagnosis"
    done = invoke(
        capsys, "diagnose", str(DATA / "unit-b-200hz.csv"), "--design", design,
        "--unit", str(DATA / "unit-b.toml"), "--after", str(DATA / "unit-a-200hz.csv"),
        "--json", "-o", str(out),
    )  # fmt: skip
    content = json.loads(done.out)
    assert done.code == (0 if content["repair"]["cured"] else 1)
    assert content["format"] == "antecurve-diagnosis-1"
    assert content["good_probability"] < 0.01 and content["unexplained_probability"] < 0.01
    assert content["priors"]["good"] == PRIOR_GOOD
    first = content["suspects"][0]
    assert first["refs"] in (["C1"], ["R1"])
    assert first["value"] / first["nominal"] == pytest.approx(62 / 75, abs=0.04)  # tolerances
    assert sum(s["probability"] for s in content["suspects"]) == pytest.approx(1.0, abs=0.01)
    assert content["repair"]["before"]["verdict"] == "fail"
    assert any("Discharge" in caution for caution in content["cautions"])
    assert {"hidden", "verdict"} <= set(content)
    page = (out / "diagnosis.html").read_text(encoding="utf-8")
    assert re.search(r"suspect: \d+ %", page)
    for words in ("Discharge its capacitors", "Before the repair", "After the repair", "C1"):
        assert words in page
    assert json.loads((out / "diagnosis.json").read_text())["suspects"] == content["suspects"]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("curve = 'disc'\n[input]\nresistance = 47000", "either an arrangement"),
        ("curve = 'disk'\narrangement = 'feedback'\n[input]\nresistance = 47000", "disk"),
        ("curve = ", "it must be TOML"),
    ],
)
def test_a_circuit_that_is_none_is_one_sentence(
    text: str, words: str, design: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "unit.toml").write_text(text)
    done = invoke(
        capsys, "diagnose", str(DATA / "unit-b-200hz.csv"), "--design", design,
        "--unit", str(tmp_path / "unit.toml"),
    )  # fmt: skip
    assert done.code == 2 and not done.out
    assert words in done.err and done.err.count("\n") == 1


def test_the_starter_of_a_circuit_is_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "unit.toml"
    assert invoke(capsys, "job", "--unit", "-o", str(path)).code == 0
    assert "arrangement" in path.read_text()
