"""The commands for curves and formulas, each registered by itself."""

from __future__ import annotations

import itertools
import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import typer
from typer.testing import CliRunner

from antecurve.cli.curves import curves
from antecurve.cli.formulas import formulas
from antecurve.curves.catalogue import catalogue, named_curve
from antecurve.curves.tabulate import curve_table
from antecurve.errors import InputError
from antecurve.files.design_file import design_json
from antecurve.pipeline import Design
from antecurve.synthesis.sections import form_names

APP = typer.Typer()
APP.command("curves")(curves)
APP.command("formulas")(formulas)


def _run(*arguments: str) -> str:
    result = CliRunner().invoke(APP, arguments, catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.stdout


def _json(*arguments: str) -> Any:
    return json.loads(_run(*arguments, "--json"))


def test_the_catalogue_is_listed_with_sources() -> None:
    text = _run("curves")
    for words in ("disc-coarse-groove", "j17", "ITU-T Rec. J.17", "3180 µs, 75 µs", "origin"):
        assert words in text
    entries = _json("curves")
    assert all(e["source"] for e in entries)
    assert next(e for e in entries if e["name"] == "disc")["zeros_s"] == [0.00318, 7.5e-05]


def test_one_curve_is_tabulated() -> None:
    assert "playback/dB" in _run("curves", "disc")
    table = _json("curves", "disc")
    # IEC 60098 third-octave table: +19.3 dB at 20 Hz, -19.6 dB at 20 kHz on playback.
    assert table["playback_db"][0] == pytest.approx(19.3, abs=0.05)
    assert table["playback_db"][-1] == pytest.approx(-19.6, abs=0.05)


def test_a_table_is_fitted(tmp_path: Path) -> None:
    file = tmp_path / "label.csv"
    rows = zip(
        (50, 100, 500, 1000, 2000, 5000, 10000), (0, 0, 0.1, 0.4, 1.4, 5.4, 10.4), strict=True
    )
    file.write_text("frequency_hz,level_db\n" + "\n".join(f"{f},{v}" for f, v in rows), "utf-8")
    arguments = ("curves", "--fit", str(file), "--zeros", "1", "--poles", "0")
    assert "zero 50." in _run(*arguments)
    content = _json(*arguments)
    assert content["zeros_s"] == pytest.approx([50e-6], rel=0.02)
    assert content["largest_db"] < 0.1
    assert content["nearest"]["names"] == ["fm-50"]
    with pytest.raises(InputError, match="not both"):
        _run("curves", "disc", "--fit", str(file))


def test_a_wrong_model_ends_with_exit_code_1(tmp_path: Path) -> None:
    file = tmp_path / "playback.csv"
    table = curve_table(named_curve("disc"))
    rows = zip(table.frequency_hz, np.round(table.playback_db, 2), strict=True)
    file.write_text("frequency_hz,level_db\n" + "\n".join(f"{f},{v}" for f, v in rows), "utf-8")
    text = _run("curves", "--fit", str(file))
    assert text.startswith("Read as a playback table")
    assert "Nearest published curve: disc," in text
    wrong = ("curves", "--fit", str(file), "--zeros", "1", "--poles", "1")
    ended = CliRunner().invoke(APP, wrong, catch_exceptions=False)
    assert ended.exit_code == 1
    assert "Wrong model: the number of time constants is wrong: 2 zeros, 1 pole" in ended.stdout
    # Time constants of a wrong model have no uncertainty.
    assert "standard uncertainty" not in ended.stdout
    answer = json.loads(CliRunner().invoke(APP, [*wrong, "--json"]).stdout)
    assert answer["relative_uncertainty"] is None
    assert answer["playback"] is True


def test_formulas_are_printed() -> None:
    text = _run("formulas", "foster-1")
    assert "R_inf = Rp·(-1 + T2·T4/(T1·T3·g0)) - Rs" in text
    assert "C1 = T1/r1" in text
    assert "H(s) = " in text
    assert "With CL = 0, holds when T1 > T2 > T3 > T4." in text
    assert "With CL > 0, holds when 0 < T_load ≤ T4." in text
    assert "g0 = H(0)" in text
    latex = _run("formulas", "foster-1", "--latex")
    for words in (r"\[ R_{1} = r_{1} \]", r"R_{\infty} = ", "R_{p} = ", "R_{L}", "R_{s}", "C_{L}"):
        assert words in latex
    assert not re.search(r"R_\{inf|\bR[pLs]\b|\bCL\b", re.sub(r"%.*", "", latex))


def test_worked_numbers_stand_beside_the_symbols(tmp_path: Path, default_design: Design) -> None:
    file = tmp_path / "design.json"
    file.write_bytes(design_json(default_design))
    text = _run("formulas", "--design", str(file))
    definitions, loaded = text.split("Definitions with load capacitance")
    # The default job has a load capacitance, so the first set of definitions is not worked.
    assert "Ω" not in definitions.partition("\nDefinitions\n")[2]
    assert "Rp = R4·RL/(R4 + RL) = " in loaded
    numbers = _json("formulas", "--design", str(file))["numbers"]
    elements = json.loads(file.read_text("utf-8"))["network"]["elements"]
    for element in elements:
        assert numbers[element["ref"]] == pytest.approx(element["exact"], rel=1e-6)
    with pytest.raises(InputError, match="its own form and curve"):
        _run("formulas", "foster-1", "--design", str(file))


def test_a_root_is_not_said_to_equal_an_equation() -> None:
    text = _run("formulas", "rc-shunt-foster-1")
    line = next(x for x in text.splitlines() if x.startswith("  Tq1"))
    assert line.startswith("  Tq1: root Tq1 of ")
    assert line.partition("   (")[0].count(" = ") == 1
    assert r"\[ T_{q1}:\quad " in _run("formulas", "rc-shunt-foster-1", "--latex")


def test_the_names_of_curves_are_whole_on_a_narrow_terminal(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.setenv("FORCE_COLOR", "1")
    text = _run("curves")
    for curve in catalogue():
        assert re.search(rf"^\W*{re.escape(curve.name)} ", text, re.MULTILINE)
    # No source of the year of these editions was seen, so none is claimed.
    undated = {curve.name for curve in catalogue() if curve.year is None}
    assert undated == {"fm-50", "fm-75", "cd-emphasis", "j17"}
    assert "Unverified: the 100 µs are from memory" in text


def test_nothing_is_minus_zero_at_the_reference() -> None:
    row = next(x for x in _run("curves", "disc").splitlines() if x.split()[:1] == ["1000"])
    assert row.split()[1:3] == ["0.000", "0.000"]


def test_formulas_for_a_curve() -> None:
    content = _json(
        "formulas", "rc-shunt-cauer-1", "--curve", "disc-amended", "--pole", "50k", "--bound", "2"
    )
    assert content["form"] == "rc-shunt-cauer-1"
    assert content["time_constants_s"]["Tz1"] == pytest.approx(7950e-6)
    assert any(row["name"] == "Tq1" for row in content["definitions"])
    with pytest.raises(InputError, match=r"--pole.*name that too"):
        _run("formulas", "foster-1", "--pole", "50k")
    with pytest.raises(InputError, match="ask for one"):
        _run("formulas", "foster-1", "--latex", "--json")


def test_printed_formulas_have_no_sign_of_a_programming_language() -> None:
    text = _run("formulas", "cauer-1")
    assert "s²·(" in text
    assert not re.search(r"\*|->|[<>]=|sqrt", text)
    assert "def elements(*, " in _run("formulas", "cauer-1", "--python")


def test_forms_are_listed() -> None:
    assert set(_json("formulas")) == set(form_names())
    assert "cauer-2" in _run("formulas")


def test_tables_keep_to_the_columns_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    wide = _run("curves")
    monkeypatch.setenv("COLUMNS", "60")
    narrow = _run("curves")
    assert max(map(len, wide.splitlines())) > 100
    # The table ends with a blank row; sentences follow that the terminal wraps by itself.
    table = list(itertools.takewhile(str.strip, narrow.splitlines()[1:]))
    assert len(table) > len(catalogue()) and max(map(len, table)) <= 60
    # Long words are folded, none is cut short.
    assert "…" not in narrow
