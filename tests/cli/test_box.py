"""A box with several curves from the command line: files, positions, bad input."""

from __future__ import annotations

import csv
import json
import math
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from commands import invoke
from nodal import read_cards, solve_cards

from antecurve.switched import alternatives
from board_copper import Copper
from optional_programs import needs_axe, needs_chromium
from page_audit import audited

TABLES = """
[[curve]]
position = "disc"
name = "disc"
[[curve]]
position = "coarse"
name = "disc-coarse-groove"
[[curve]]
position = "flat"
name = "flat"
"""
OTHERS = """
title = "Box"
[target]
level_tolerance_db = 2
[network]
forms = ["foster-1"]
[spread]
builds = 500
"""
# TOML wants the plain keys first.
JOB = OTHERS.replace("[target]", TABLES + "[target]")
ONE_NETWORK = """
title = "The same curve for two groups of discs"
curve = [{ position = "mono", name = "disc" }, { position = "stereo", name = "disc" }]
[target]
level = "5 mV"
level_tolerance_db = 2
[network]
forms = ["foster-1"]
[resistors]
series = "E12"
parts_per_position = 1
[capacitors]
series = "E6"
parts_per_position = 1
[spread]
builds = 100
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a box, written once."""
    from antecurve.cli.main import run

    where = tmp_path_factory.mktemp("box")
    (where / "box.toml").write_text(JOB)
    with pytest.MonkeyPatch.context() as patch, pytest.raises(SystemExit) as stopped:
        # Other switches for it take longer than the box: `tests/app/test_box_views.py` has them.
        patch.setattr(alternatives, "_each", lambda *_: iter(()))
        run(["design", str(where / "box.toml"), "-o", str(where / "out")])
    assert stopped.value.code == 0
    return where / "out"


def test_one_parts_list_and_a_netlist_for_each_position(folder: Path) -> None:
    names = ("disc", "coarse", "flat")
    wanted = {"design.json", "parts.csv", "switch.csv", "report.html", "board.svg", "network.cir"}
    wanted |= {f"network-{n}.cir" for n in names} | {f"response-{n}.csv" for n in names}
    assert {p.name for p in folder.iterdir()} == wanted | {"response.csv"}
    content = json.loads((folder / "design.json").read_text())
    assert content["format"] == "antecurve-design-1"
    switch = content["switch"]
    assert switch["throws"] == 3
    assert switch["poles"] == len(switch["switched"])
    refs = {e["ref"] for e in content["positions"][0]["network"]["elements"]}
    assert refs == set(switch["switched"]) | set(switch["shared"])
    assert [p["position"] for p in content["positions"]] == list(names)
    assert (folder / "network.cir").read_text() == (folder / "network-disc.cir").read_text()
    for entry in content["positions"]:
        # Each netlist, solved anew, has the gain that the file states.
        cards = read_cards((folder / f"network-{entry['position']}.cir").read_text())
        gain = abs(solve_cards(cards, [1000.0])[0])
        stated = entry["level"]["gain_db_at_1khz"]
        assert 20.0 * math.log10(gain) == pytest.approx(stated, abs=1e-9)


def test_a_shared_part_has_one_value_and_one_line(folder: Path) -> None:
    content = json.loads((folder / "design.json").read_text())
    values: dict[str, set[float]] = {}
    for entry in content["positions"]:
        for element in entry["network"]["elements"]:
            values.setdefault(element["ref"], set()).add(element["value"])
    assert all(len(values[ref]) == 1 for ref in content["switch"]["shared"] if ref in values)
    with (folder / "parts.csv").open() as file:
        bought = [ref for row in csv.DictReader(file) for ref in row["refs"].split()]
    assert len(bought) == len(set(bought))
    with (folder / "switch.csv").open() as file:
        contacts = list(csv.DictReader(file))
    assert len(contacts) == content["switch"]["poles"] * 3
    assert len({row["contact"] for row in contacts}) == len(contacts)
    # Equal parts of one pole are one part that both contacts go to; each is on the list.
    parts: dict[tuple[str, float], set[str]] = {}
    for contact in content["switch"]["contacts"]:
        if contact["state"] == "fitted":
            parts.setdefault((contact["ref"], contact["value"]), set()).add(contact["part"])
    assert all(len(named) == 1 for named in parts.values())
    assert {name for named in parts.values() for name in named} <= {r.rstrip("ab") for r in bought}


@pytest.mark.sweep(2)
@pytest.mark.parametrize("command", ["spread", "loading", "scope", "sheet", "check"])
def test_every_command_knows_positions(
    command: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    design = str(folder / "design.json")
    texts = [
        invoke(capsys, command, design, "--position", name, "--json") for name in ("disc", "Coarse")
    ]
    assert [t.code for t in texts] == [0, 0]
    assert texts[0].out != texts[1].out
    wrong = invoke(capsys, command, design, "--position", "tape")
    assert wrong.code == 2
    assert "disc, coarse, flat" in wrong.err


def test_values_of_the_whole_box_serve_each_position(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A part of another throw moves nothing; that of its own and a shared one do."""
    design = str(folder / "design.json")
    content = json.loads((folder / "design.json").read_text())
    switch = content["switch"]
    added = {entry["ref"] for entry in switch["added"]}
    ref = next(r for r in switch["separate"] if r not in added)
    shared = switch["shared"][0]
    fitted = {e["ref"]: e["value"] for e in content["positions"][1]["network"]["elements"]}
    own, other = f"{ref}_2", f"{ref}_1"
    values = {own: 1.004 * fitted[ref], other: fitted[ref], shared: 1.004 * fitted[shared]}
    whole, single = tmp_path / "whole.csv", tmp_path / "single.csv"
    whole.write_text("ref,value\n" + "".join(f"{r},{v!r}\n" for r, v in values.items()))
    names = {ref: values[own], shared: values[shared]}
    single.write_text("ref,value\n" + "".join(f"{r},{v!r}\n" for r, v in names.items()))
    told = [
        invoke(capsys, "check", design, "--position", "coarse", "--measured", str(file), "--json")
        for file in (whole, single)
    ]
    built = [json.loads(t.out)["as_built"] for t in told]
    assert built[0] == built[1]
    listing = invoke(capsys, "parts", design, "--position", "coarse").out
    assert own in listing and other not in listing


def test_flat_has_nothing_to_tighten(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A divider of resistors is flat whatever they are: no part makes an error of its shape."""
    told = {
        name: invoke(capsys, "spread", str(folder / "design.json"), "--position", name).out
        for name in ("disc", "flat")
    }
    assert "Tighten C" in told["disc"] or "Tighten R" in told["disc"]
    assert "Tighten" not in told["flat"]


def test_judge_takes_the_position_of_the_switch(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # A sweep of a unit with the playback of IEC 98 coarse groove, 3180, 450 and 50 us, in order.
    frequency = np.geomspace(20.0, 20e3, 61)
    cards = read_cards((folder / "network-coarse.cir").read_text())
    s = 2j * np.pi * frequency
    playback = (1 + s * 450e-6) / ((1 + s * 3180e-6) * (1 + s * 50e-6))
    level = 20.0 * np.log10(np.abs(1000.0 * playback * solve_cards(cards, frequency)))
    sweep = tmp_path / "sweep.csv"
    rows = [f"{f!r},{d!r}" for f, d in zip(frequency.tolist(), level.tolist(), strict=True)]
    sweep.write_text("frequency_hz,level_db\n" + "\n".join(rows) + "\n")
    design = ("--design", str(folder / "design.json"))
    right = invoke(capsys, "judge", str(sweep), *design, "--position", "coarse", "--json")
    wrong = invoke(capsys, "judge", str(sweep), *design, "--position", "disc")
    assert json.loads(right.out)["verdict"] == "pass"
    # 450 us in place of 318 us: up to 3 dB off, which no unit in order is.
    assert wrong.code == 1
    assert "If the switch did not stand at disc, name its position with --position." in wrong.out


def test_a_sheet_for_each_position(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    done = invoke(capsys, "sheet", str(folder / "design.json"), "-o", str(tmp_path / "sheets"))
    assert done.code == 0
    for name in ("disc", "coarse", "flat"):
        assert f"Position {name}" in done.out
        assert (tmp_path / "sheets" / f"sheet-{name}.csv").exists()
        assert (tmp_path / "sheets" / f"sheet-{name}.html").exists()


def test_one_parts_list_for_the_whole_box(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    listed = json.loads(invoke(capsys, "parts", str(folder / "design.json"), "--json").out)
    with (folder / "parts.csv").open() as file:
        written = [row["refs"] for row in csv.DictReader(file)]
    assert [row["refs"] for row in listed] == written


def test_a_shared_part_moves_every_position(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    content = json.loads((folder / "design.json").read_text())
    network = {e["ref"]: e["value"] for e in content["positions"][0]["network"]["elements"]}
    shared = next(r for r in content["switch"]["shared"] if r.startswith("C") or r == "R3")
    added = {entry["ref"] for entry in content["switch"]["added"]}
    own = next(
        c for c in content["switch"]["contacts"] if "_1" in c["part"] and c["ref"] not in added
    )
    design = str(folder / "design.json")

    def errors(ref: str, value: float) -> list[float]:
        values = tmp_path / "values.csv"
        values.write_text(f"ref,value\n{ref},{value!r}\n")
        done = invoke(capsys, "check", design, "--measured", str(values), "--json")
        return [entry["centred_db"] for entry in json.loads(done.out)]

    plain = [entry["error"]["centred_db"] for entry in content["positions"]]
    moved = errors(shared, 1.05 * network[shared])
    assert moved[0] > plain[0] + 0.005
    assert moved[1] > plain[1] + 0.005
    # A part of the first throw moves the first position alone.
    first_alone = errors(own["part"], 1.05 * own["value"])
    assert first_alone[0] > plain[0] + 0.005
    assert first_alone[1:] == pytest.approx(plain[1:], abs=1e-9)


def test_trim_brings_every_position_back(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    content = json.loads((folder / "design.json").read_text())
    network = {e["ref"]: e["value"] for e in content["positions"][0]["network"]["elements"]}
    shared = next(r for r in content["switch"]["shared"] if r.startswith("C") or r == "R3")
    values = tmp_path / "values.csv"
    values.write_text(f"ref,value\n{shared},{0.93 * network[shared]!r}\n")
    design = str(folder / "design.json")
    done = invoke(
        capsys, "trim", design, "--measured", str(values), "--most-changes", "1", "--json"
    )
    result = json.loads(done.out)
    assert max(result["after_db"]) < 0.5 * max(result["before_db"])
    assert all(change["ref"] for change in result["changes"])
    fitted = content["positions"][1]["network"]["elements"]
    measured = [
        f"{e['ref']},{e['value']!r}" for e in fitted if e["ref"] in content["switch"]["shared"]
    ]
    values.write_text("\n".join(["ref,value", *measured]) + "\n")
    name = content["positions"][1]["position"]
    named = invoke(
        capsys, "trim", design, "--measured", str(values), "--position", name, "--most-changes", "1"
    )
    assert named.out.startswith(f"Position {name}\n")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (JOB.replace('position = "coarse"', 'position = "disc"'), "repeats"),
        (JOB.replace('position = "coarse"\n', ""), "curve[1].position"),
        (JOB.replace('position = "coarse"', 'position = "a/b"'), "letters, digits"),
        (OTHERS.replace("[target]", TABLES * 5 + "[target]"), "15 positions"),
        (JOB.replace('name = "disc-coarse-groove"', 'name = "disc-amended"'), "position coarse"),
        (JOB + "[switch]\npoles = 2\n", "switch.poles"),
        (JOB + "[swich]\nequal_levels = true\n", "did you mean 'switch'?"),
        (JOB + '[switch]\ncontacts = "none"\n', "break-before-make"),
        ('[curve]\nname = "disc"\n[switch]\nequal_levels = true\n', "[[curve]]"),
    ],
)  # fmt: skip
def test_bad_input_gets_one_sentence(
    text: str, words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = tmp_path / "box.toml"
    job.write_text(text)
    done = invoke(capsys, "design", str(job), "-o", str(tmp_path / "out"))
    assert done.code == 2
    assert words in done.err
    assert done.err.count("\n") == 1
    assert not (tmp_path / "out").exists()


def test_a_design_of_one_curve_has_no_positions(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], request: pytest.FixtureRequest
) -> None:
    from antecurve.files.design_file import design_json

    path = tmp_path / "design.json"
    path.write_bytes(design_json(request.getfixturevalue("default_design")))
    done = invoke(capsys, "spread", str(path), "--position", "disc")
    assert done.code == 2
    assert "no switch" in done.err


@pytest.mark.parametrize("throw", [1, 2, 3])
def test_the_board_makes_every_network_when_the_switch_is_wired_to_it(
    folder: Path, throw: int
) -> None:
    """Read back from the drawing and solved anew, against the netlist of the position."""
    svg, content = (folder / "board.svg").read_text(), (folder / "design.json").read_text()
    copper = Copper(svg)
    labels = dict(re.findall(r'data-hole="(\w+)" data-goal="([^"]+)"', svg))
    piece = {goal: copper.piece(hole) for hole, goal in labels.items()}
    names = {piece["generator in"]: "in", piece["generator 0"]: "0", piece["unit out"]: "out"}
    # The wiper of each pole rests on the contact of this throw, where one is wired.
    for goal, at in piece.items():
        if goal.startswith("wiper") and f"contact {goal[-1]}{throw}" in piece:
            contact = piece[f"contact {goal[-1]}{throw}"]
            before, after = names.get(contact, str(contact)), names.get(at, str(at))
            kept, lost = sorted((before, after), key=lambda n: n not in ("in", "0", "out"))
            names = {k: kept if v == lost else v for k, v in names.items()}
            names |= {contact: kept, at: kept}
    with (folder / "parts.csv").open() as lines:
        values = {
            ref: float(row["value_si"])
            for row in csv.DictReader(lines)
            for ref in row["refs"].split()
        }
    cards = []
    for ref, a, b in re.findall(r'data-part="(\w+)" data-holes="(\w+) (\w+)"', svg):
        ends = [names.get(copper.piece(h), str(copper.piece(h))) for h in (a, b)]
        cards.append((ref, *ends, values[ref]))
    assert {ref for ref, *_ in cards} == values.keys()
    position = json.loads(content)["positions"][throw - 1]["position"]
    stated = read_cards((folder / f"network-{position}.cir").read_text())
    cards += [card for card in stated if card[0] in ("RSOURCE", "RLOAD", "CLOAD")]
    frequency = np.geomspace(20.0, 20e3, 7)
    np.testing.assert_allclose(
        solve_cards(cards, frequency), solve_cards(stated, frequency), rtol=1e-9
    )


def test_a_box_that_needs_no_switch_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "box.toml").write_text(ONE_NETWORK)
    done = invoke(capsys, "design", str(tmp_path / "box.toml"), "-o", str(tmp_path / "out"))
    assert done.code == 0
    assert "One network serves every position: no switch is needed." in done.out
    section = (tmp_path / "out" / "report.html").read_text().split('id="h-switch"')[1]
    section = section.split("</section>")[0]
    assert "One network makes every curve: nothing is switched." in section
    assert "<svg" not in section and "What to wire to each contact" not in section


@pytest.mark.browser
@needs_chromium
@needs_axe
def test_nothing_is_found_on_the_page_on_any_screen(browser: Any, folder: Path) -> None:
    assert audited(browser, folder / "report.html") == []
