"""The commands loading, scope and sheet: contract, files, exit codes, bad input."""

from __future__ import annotations

import contextlib
import csv
import io
import json
import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from commands import invoke
from nodal import read_cards, solve_cards

from antecurve.analysis.ratings import part_stresses
from antecurve.cli.main import run
from antecurve.curves.model import inverse_response
from antecurve.files.design_file import design_json
from antecurve.files.netlist import netlist
from antecurve.networks.conditions import Conditions
from antecurve.networks.topology import ElementKind
from antecurve.parts.position import Position
from antecurve.pipeline import Design, design_parts_list


@pytest.fixture(scope="module")
def design_file(tmp_path_factory: pytest.TempPathFactory, default_design: Design) -> str:
    path = tmp_path_factory.mktemp("bench") / "design.json"
    path.write_bytes(design_json(default_design))
    return str(path)


def _table(path: Path) -> dict[str, np.ndarray]:
    with path.open() as file:
        rows = list(csv.DictReader(file))
    return {k: np.array([float(r[k]) if r[k] else np.nan for r in rows]) for k in rows[0]}


def test_loading_prints_the_object_of_the_contract(
    design_file: str, default_design: Design, capsys: pytest.CaptureFixture[str]
) -> None:
    done = invoke(capsys, "loading", design_file, "--source", "1k2", "--load", "22k", "--json")
    assert done.code == 0
    content = json.loads(done.out)
    assert {"rows", "window", "advice", "channels", "strays"} <= set(content)
    names = {"source_ohm", "load_ohm", "load_f", "level_shift_db", "error_centred_db"}
    assert all(set(row) == names for row in content["rows"])
    assert 1200.0 in {row["source_ohm"] for row in content["rows"]}
    assert 22e3 in {row["load_ohm"] for row in content["rows"]}
    # One row against nodal analysis of the netlist file with other source and load.
    row = next(r for r in content["rows"] if r["source_ohm"] == 1200.0 and r["load_ohm"] == 22e3)
    cards = read_cards(netlist(default_design.network, loading=default_design.job.loading))
    nominal = solve_cards(cards, 1000.0)[0]
    other = {"RSOURCE": 1200.0, "RLOAD": 22e3, "CLOAD": row["load_f"]}
    changed = [(c[0], c[1], c[2], other.get(c[0], c[3])) for c in cards]
    shift = 20 * np.log10(abs(solve_cards(changed, 1000.0)[0] / nominal))
    assert row["level_shift_db"] == pytest.approx(shift, abs=1e-9)


def test_loading_says_how_far_and_what_to_do(
    design_file: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    done = invoke(capsys, "loading", design_file, "--cable-length", "3", "-o", str(out))
    assert done.code == 0
    for text in ("The error grows by", "A generator of 600 Ω", "Stray", "One generator"):
        assert text in done.out
    assert sorted(p.name for p in out.iterdir()) == ["loading.csv", "strays.csv"]
    # 3 m of the default 100 pF/m on top of every input but the nominal one.
    assert set(_table(out / "loading.csv")["load_f"].round(15)) >= {300e-12, 400e-12, 800e-12}
    again = invoke(capsys, "loading", design_file, "-o", str(out))
    assert again.code == 2
    assert "exists already" in again.err


SQUARE = ("--frequency", "200", "--amplitude", "0.4")


@pytest.fixture(scope="module")
def scope_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("scope") / "out"


@pytest.fixture(scope="module")
def scope_text(design_file: str, scope_folder: Path) -> str:
    """What is printed where files are written."""
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed), pytest.raises(SystemExit) as ended:
        run(["scope", design_file, *SQUARE, "-o", str(scope_folder)])
    assert ended.value.code in (0, None)
    return printed.getvalue()


def test_scope_writes_one_period(
    scope_text: str, scope_folder: Path, default_design: Design
) -> None:
    assert "loudspeakers and headphones" in scope_text
    assert sorted(p.name for p in scope_folder.iterdir()) == [
        "faults.csv", "faults.png", "faults.svg", "scope.csv", "scope.png", "scope.svg",
    ]  # fmt: skip
    assert (scope_folder / "scope.png").read_bytes()[:4] == b"\x89PNG"
    assert (scope_folder / "faults.svg").read_text().startswith("<svg")
    with (scope_folder / "scope.csv").open() as file:
        assert file.readline().strip() == "time_s,input_v,network_v,playback_v"
    trace = _table(scope_folder / "scope.csv")
    time, period = trace["time_s"], 1.0 / 200.0
    assert len(time) >= 1000
    assert time[0] == 0.0 and np.all(np.diff(time) > 0.0) and time[-1] < period
    np.testing.assert_array_equal(trace["input_v"], np.where(time < period / 2, 0.4, -0.4))
    # The fundamental after playback is that of the square wave, 4 A/pi, times H times playback.
    closed = np.append(time, period)
    values = np.append(trace["playback_v"], trace["playback_v"][0])
    carried = values * np.exp(-2j * np.pi * closed / period)
    fundamental = 2 / period * np.trapezoid(carried, closed) / (-4j * 0.4 / np.pi)
    h = solve_cards(
        read_cards(netlist(default_design.network, loading=default_design.job.loading)), 200.0
    )[0]
    expected = h * inverse_response(default_design.job.curve, 200.0)
    # The sum takes the trace between its samples for straight lines.
    assert abs(fundamental / expected - 1) < 1e-4


def test_scope_csv_holds_the_peak_that_is_printed(
    design_file: str, scope_text: str, scope_folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The peak of a 200 Hz wave is a needle that evenly spaced samples step over."""
    printed = json.loads(invoke(capsys, "scope", design_file, *SQUARE, "--json").out)
    trace = _table(scope_folder / "scope.csv")
    for column, name in (("network_v", "network"), ("playback_v", "after_playback")):
        largest = np.abs(trace[column]).max()
        assert largest == pytest.approx(printed[name]["peak_v"], rel=1e-9)
    limited = printed["limited_peak"]
    assert limited["peak_v"] == pytest.approx(printed["network"]["peak_v"], rel=1e-9)
    assert limited["rise_time_peak_v"] < limited["peak_v"]
    assert limited["bandwidth_peak_v"] < limited["peak_v"]
    assert "With a generator's edge of 35 ns" in scope_text and "10 MHz bandwidth" in scope_text


def test_scope_with_a_fault(design_file: str, capsys: pytest.CaptureFixture[str]) -> None:
    done = invoke(
        capsys, "scope", design_file, "--fault", "low-corner=20 Hz", "--fault", "treble=0.8",
        "--rise-time", "1 us", "--json",
    )  # fmt: skip
    assert done.code == 0
    content = json.loads(done.out)
    assert content["playback"] == "low-corner=20 Hz, treble=0.8"
    assert content["after_playback"]["overshoot"] > 0.1
    assert content["cautions"]
    assert len(content["faults"]) == 9


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--fault", "wow=1"), "--fault: received 'wow=1'; the faults are bass-shelf=..."),
        (("--fault", "treble=-1"), "--fault treble: received '-1'; it must be at least 0"),
        (("--frequency", "0"), "--frequency: received '0'; it must be from 100 mHz to 10 MHz"),
        (("--frequency", "11M"), "from 100 mHz to 10 MHz"),
        (("--rise-time", "1 ms"), "rise time: received 0.001; it must lie between 0 and half"),
        (("--amplitude", "5 s"), "--amplitude: received '5 s'"),
    ],
)
def test_scope_refuses(
    design_file: str,
    arguments: tuple[str, ...],
    message: str,
    capsys: pytest.CaptureFixture[str],
) -> None:
    done = invoke(capsys, "scope", design_file, *arguments)
    assert done.code == 2
    assert done.out == ""
    assert message in done.err
    assert done.err.count("\n") == 1


def test_sheet_prints_and_writes(
    design_file: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    brief = invoke(capsys, "sheet", design_file, "--overload", "50 mV")
    assert "The network by itself" not in brief.out and "A-weighted" not in brief.out
    assert "overloads an input" in brief.out and "mains" in brief.out
    done = invoke(
        capsys, "sheet", design_file, "--overload", "50 mV", "-o", str(out),
        "--instrument", "all", "--all",
    )  # fmt: skip
    assert done.code == 0
    for text in (
        "Levels at the unit's input", "oscilloscope", "meter", "probe", "A-weighted",
        "From, to:", "relative to 1 kHz at equal EMF", "Setting in 50 Ω load mode:",
        "overloads an input", "rating to buy", "common practice, no source", "mains",
    ):  # fmt: skip
        assert text in done.out
    assert sorted(p.name for p in out.iterdir()) == ["sheet.csv", "sheet.html"]
    sheet = _table(out / "sheet.csv")
    np.testing.assert_allclose(sheet["displayed_v"], sheet["emf_v"] / 2)
    assert np.all(sheet["unit_low_v"] < sheet["unit_level_v"])
    page = (out / "sheet.html").read_text().replace("\N{NO-BREAK SPACE}", " ")
    assert "<svg" in page
    for text in ("From, to:", "In 50 Ω load mode set 0.5 times that"):
        assert text in page
    assert not re.search(r"(src|href)=[\"'](?!#)", page)  # no request leaves the page
    # Room to write beside each of the four instruments' levels.
    assert page.count(">read</th>") == page.count(">OK</th>") == 4


def test_sheet_reads_by_the_instrument_asked_for(
    design_file: str, capsys: pytest.CaptureFixture[str]
) -> None:
    done = invoke(capsys, "sheet", design_file, "--instrument", "meter")
    assert "The network by itself: meter" in done.out
    assert "at the unit's input" not in done.out.split("The network by itself")[1].split("peaks")[0]
    wrong = invoke(capsys, "sheet", design_file, "--instrument", "voltmeter", "--json")
    assert (wrong.code, wrong.out) == (2, "")
    assert "unit, oscilloscope, meter, probe, or all" in wrong.err


def test_sheet_rates_the_parts_for_its_own_level(
    design_file: str, capsys: pytest.CaptureFixture[str]
) -> None:
    done = invoke(capsys, "sheet", design_file, "--level", "14.1421356", "--json")
    assert json.loads(done.out)["parts"]["amplitude_v"] == pytest.approx(20.0)
    done = invoke(capsys, "sheet", design_file, "--level", "14.142", "--largest", "19 V")
    assert done.code == 2
    assert done.out == ""
    assert "largest EMF: received 19.0; the sheet's own EMF peaks at 20 V" in done.err
    done = invoke(capsys, "sheet", design_file, "--largest", "1 V", "--all")
    assert done.code == 0
    assert "rating to buy for EMF within ±1 V" in re.sub(r"\s+", " ", done.out)


def test_parts_list_rates_for_the_level_of_the_job(default_design: Design) -> None:
    assert design_parts_list(default_design).amplitude_v == 10.0
    loud = replace(default_design.job, source_level_v=20.0)
    listing = design_parts_list(replace(default_design, job=loud))
    assert listing.amplitude_v == pytest.approx(20.0 * math.sqrt(2.0))
    # The voltages are 2.8 times as high, the powers 8 times: ratings of 10 V would not do.
    low = {line.refs: line.rating for line in design_parts_list(default_design).lines}
    assert any(line.rating != low[line.refs] for line in listing.lines)


def test_parts_list_rates_each_network_of_a_pair(default_design: Design) -> None:
    # At a thousandth of the impedance R1 alone dissipates some 0.2 W at 10 V.
    def lowered(position: Position) -> Position:
        factor = 1e-3 if position.element.kind is ElementKind.RESISTOR else 1e3
        parts = tuple(replace(part, value=factor * part.value) for part in position.parts)
        return replace(position, parts=parts)

    picked = default_design.picked
    second = replace(picked, positions=tuple(lowered(p) for p in picked.positions))
    listing = design_parts_list(replace(default_design, second=second))
    ratings = {ref: line.rating for line in listing.lines for ref in line.refs}
    stresses = part_stresses(
        second.network,
        Conditions(curve=default_design.curve, loading=default_design.job.loading),
        amplitude_v=10.0,
    )
    assert (ratings["R1.1"], ratings["R1.2"]) == ("0.25 W", stresses.ratings["R1"])
    assert ratings["R1.2"] != ratings["R1.1"]


def test_sheet_as_json(design_file: str, capsys: pytest.CaptureFixture[str]) -> None:
    done = invoke(
        capsys, "sheet", design_file, "--frequency", "1 kHz", "--frequency", "10k", "--json"
    )
    assert done.code == 0
    content = json.loads(done.out)
    assert [r["frequency_hz"] for r in content["sheet"]["rows"]] == [1000.0, 10000.0]
    assert content["noise"]["snr_db"] == pytest.approx(content["level"]["snr_db"], abs=1e-9)
    assert content["square_wave"]["peak_v"] == pytest.approx(content["level"]["square_wave_peak_v"])
    assert {p["ref"] for p in content["parts"]["positions"]} >= {"R1", "C1a", "C1b", "R2"}
    assert content["cautions"]
    assert content["notes"]
