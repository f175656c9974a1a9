"""A job with several curves on the page: the same functions as on the command line."""

from __future__ import annotations

import csv
import html
import json
import re
import shutil
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from commands import invoke
from playback_units import Unit
from sound_bench import taps
from sounding_work import TAPS, record_by_loopback
from starlette.testclient import TestClient

from antecurve.analysis.bench_sheet import bench_sheet
from antecurve.analysis.meter import MeterAccuracy
from antecurve.app import record_views
from antecurve.app.server import application, new_keys
from antecurve.files.box_file import read_box
from antecurve.files.box_job_file import read_job_or_box
from antecurve.files.starter_job import starter_job
from antecurve.log.bench_log import open_log
from antecurve.log.builds import list_builds
from antecurve.networks.centred_error import error_range
from antecurve.networks.topology import Network
from antecurve.parts.scatter import part_table
from antecurve.quantities import format_quantity
from antecurve.report.figures import within_text
from antecurve.report.switch_schematic import switch_svg
from antecurve.switched.box import Box, box_positions
from antecurve.switched.box_build import build_of_box
from antecurve.switched.request import BoxJob
from bench_forms import finished, form_of, recorded

ORIGIN = "http://127.0.0.1:8462"
AT = "/networks/Box"


def plain(page: str) -> str:
    """Words of a page."""
    return html.unescape(re.sub(r"<[^>]+>", " ", page)).replace("\N{NO-BREAK SPACE}", " ")


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("box") / "bench"


@pytest.fixture(scope="module")
def page_client(bench: Path) -> Iterator[TestClient]:
    keys = new_keys(bench, port=8462)
    with TestClient(
        application(bench, keys), base_url=ORIGIN, headers={"origin": ORIGIN}
    ) as browser:
        assert browser.get("/", params={"token": keys.token}).status_code == 200
        yield browser


@pytest.fixture(scope="module")
def box(page_client: TestClient, bench: Path) -> Box:
    """A box begun as a network of one curve, given another, and its parts found."""
    page_client.post("/networks", data={"name": "Box"})
    fields = form_of(page_client.get(AT).text)
    fields |= {"network.forms": "foster-1", "spread.builds": "2000", "target.level_tolerance_db":
               "2", "resistors.series": "E12", "capacitors.series": "E6",
               "target.error_limit_db": "1.5"}  # fmt: skip
    added = page_client.post(f"{AT}/job", data=fields | {"then": "add"})
    assert added.status_code == 200, plain(added.text)
    fields = form_of(added.text)
    assert (fields["curve[0].position"], fields["curve[1].position"]) == ("disc", "flat")
    fields |= {"curve[1].position": "no curve", "switch.lowest_pole": "40 kHz", "then": "find"}
    page = page_client.post(f"{AT}/job", data=fields)
    assert "Finding parts" in page.text
    finished(page_client, AT)
    made = read_box(bench / "networks" / "Box" / "design.json")
    assert made is not None and made.names == ("disc", "no curve")
    return made


def test_a_unit_is_recorded_through_a_position(
    page_client: TestClient, box: Box, bench: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A flat unit of gain 100 behind the box where its switch makes no curve."""
    design = box.designs[box.names.index("no curve")]
    flat = Unit(bass_shelf_s=318e-6, treble_s=1e-9, low_corner_hz=1.0)  # its zero on its pole
    np.save(bench / TAPS, taps(design, flat))
    monkeypatch.setattr(record_views, "record_unit", record_by_loopback)
    asked = {"network": "Box/no curve", "serial": "rec", "seconds": "0.3", "level": "-40"}
    recorded(page_client, asked)
    (saved,) = (bench / "units").glob("rec/*/verdict.json")
    verdict = json.loads(saved.read_text())
    assert verdict["verdict"] == "pass" and verdict["design"]["position"] == "no curve"


def test_the_job_file_keeps_its_comments_and_is_read_by_the_command_line(
    box: Box, bench: Path
) -> None:
    path = bench / "networks" / "Box" / "job.toml"
    job = read_job_or_box(path)
    assert isinstance(job, BoxJob)
    assert job.switch.lowest_pole_hz == 40e3
    comments = re.findall(r"# .*", starter_job())
    assert [c for c in comments if c not in path.read_text()] == []


def test_files_of_every_position_are_listed_before_the_analyses_are_there(
    page_client: TestClient, box: Box, bench: Path
) -> None:
    """A copy of the box that this server has not read yet."""
    copy = bench / "networks" / "Copy"
    shutil.copytree(bench / "networks" / "Box", copy)
    page = page_client.get("/networks/Copy").text
    assert "Reading the design" in plain(page)
    for name in box.names:
        assert f"network-{name}.cir" in plain(page)
    shutil.rmtree(copy)


def test_every_position_has_its_page(page_client: TestClient, box: Box) -> None:
    first, other = (
        page_client.get(AT, params={"position": name}).text for name in ("disc", "no curve")
    )
    for text in (first, other):
        assert "(proved)" in plain(text) and "Every position of the switch" in plain(text)
        assert "network-no%20curve.cir" in text
    assert "Contacts at disc" in plain(first) and "Contacts at no curve" in plain(other)
    for name, design in zip(box.names, box.designs, strict=True):
        asked = page_client.get(f"{AT}/what-if/answer", params={"position": name}).text
        assert f"Level {format_quantity(design.analysis.level.output_v, 'V')}" in plain(asked)
    assert page_client.get(f"{AT}/what-if", params={"position": "x"}).status_code == 422
    assert page_client.get(f"{AT}/report").status_code == 200
    for wrong in ("99", "-1", ""):
        assert page_client.post(f"{AT}/choose", data={"number": wrong}).status_code == 422
    assert page_client.get(f"{AT}/files/switch.csv").status_code == 200


def test_another_switch_is_made_the_pick(page_client: TestClient, bench: Path) -> None:
    at, folder = "/networks/Other switch", bench / "networks" / "Other switch"
    folder.mkdir(parents=True)
    (folder / "job.toml").write_text(_TWO_OLDER, "utf-8")
    fields = form_of(page_client.get(at).text)
    page_client.post(f"{at}/job", data=fields | {"then": "find"})
    page = plain(finished(page_client, at))
    box = read_box(folder / "design.json")
    assert box is not None
    made = [(n, a) for n, a in enumerate(box.alternatives, start=1) if a.picked_db is not None]
    assert len(made) > 2
    for number, alternative in made:
        assert f"{number}: {alternative.what}, ±{alternative.picked_db:.3f} dB" in page
    number, taken = next((n, a) for n, a in made if a.what == "fewer poles")
    assert page_client.post(f"{at}/choose", data={"number": str(number)}).status_code == 200
    page = plain(finished(page_client, at))
    assert "An alternative was chosen by hand" in page
    chosen = read_box(folder / "design.json")
    assert chosen is not None and not chosen.search.proved
    assert chosen.switch.switched == taken.switched and chosen.switch.poles == len(taken.switched)
    assert box_positions(chosen).part_count == taken.part_count
    # The response of the very parts, worked out anew, is as far off as was said.
    worst = max(d.analysis.error.job.centred_db for d in chosen.designs)
    assert worst == pytest.approx(taken.picked_db, abs=1e-6)
    assert chosen.alternatives[0].what == "the pick of the search"
    assert chosen.alternatives[0].picked_db == box.search.objective_db
    assert chosen.alternatives[1:] == (*box.alternatives[: number - 1], *box.alternatives[number:])


_TWO_OLDER = """title = "Two older curves"
curve = [
    { position = "disc", name = "disc" },
    { position = "coarse", name = "disc-coarse-groove" },
]
network = { forms = ["foster-1"] }
target = { level = "5 mV", level_tolerance_db = 2, error_limit_db = 0.5 }
resistors = { series = "E24" }
capacitors = { series = "E12", parts_per_position = 1 }
spread = { builds = 2000 }
"""


def test_errors_stand_beside_the_curve_that_they_are_about(
    page_client: TestClient, box: Box
) -> None:
    fields = form_of(page_client.get(AT).text)
    wrong = {"curve[0].ultrasonic_poles": "5x", "curve[1].position": "a/b", "switch.contacts": "x"}
    answer = page_client.post(f"{AT}/job/check", data=fields | wrong).text
    shown = dict(re.findall(r'<p class="error" id="error-([\w-]+)"[^>]*>(.+?)</p>', answer))
    assert set(shown) == {"curve-0-ultrasonic_poles", "curve-1-position", "switch-contacts"}
    assert "curve[0].ultrasonic_poles" in shown["curve-0-ultrasonic_poles"]
    twice = page_client.post(f"{AT}/job/check", data=fields | {"curve[1].position": "Disc"}).text
    assert "the name repeats" in plain(twice) and 'id="error-curve-1-position"' in twice


def test_a_curve_is_taken_out_and_back_by_undo(
    page_client: TestClient, box: Box, bench: Path
) -> None:
    path = bench / "networks" / "Box" / "job.toml"
    before = path.read_text()
    fields = form_of(page_client.get(AT).text)
    answer = page_client.post(f"{AT}/job", data=fields | {"then": "remove:1"})
    assert answer.status_code == 200 and not isinstance(read_job_or_box(path), BoxJob)
    assert "curve[0].name" not in answer.text and 'name="curve.name"' in answer.text
    page_client.post("/undo")
    assert path.read_text() == before
    assert page_client.post(f"{AT}/job", data=fields | {"then": "remove:7"}).status_code == 422
    assert path.read_text() == before


def test_a_measured_part_that_stays_moves_every_position(
    page_client: TestClient, box: Box, bench: Path
) -> None:
    table = part_table(box_positions(box))
    ref, value = next(
        (ref, float(f"{1.04 * value:.6g}"))
        for ref, value in zip(table.refs, table.nominal.tolist(), strict=True)
        if ref.rstrip("ab") in box.switch.shared
    )
    data = {f"value:{ref}": f"{value:.6g}", "serial": "N-9"}
    data |= {f"fitted:{r}": "on" for r in re.findall(
        r'name="fitted:([^"]+)"', page_client.get(f"{AT}/build").text
    )}  # fmt: skip
    page = page_client.post(f"{AT}/build", params={"position": "no curve"}, data=data)
    assert page.url.params["position"] == "no curve"
    built = build_of_box(box, {ref: value}, meter=MeterAccuracy())
    for each in built:
        assert f"{each.built.error.centred_db:.3f}" in plain(page.text)
    drawn = {c.part for c in box.switch.contacts if c.value is not None}
    on_switch = re.findall(
        "\N{CHECK MARK} ([^ ]+)  ", switch_svg(box, fitted=table.refs).split('class="narrow"')[0]
    )
    assert sorted(on_switch) == sorted(drawn)
    assert "\N{CHECK MARK}" not in switch_svg(box)
    assert "\N{CHECK MARK}" in page.text and "correction-no curve.csv" in plain(page.text)
    for _ in range(3000):
        trimmed = page_client.get(f"{AT}/build/trim").text
        if "every 500ms" not in trimmed:
            break
        time.sleep(0.1)
    assert "shared: it moves every position" in plain(trimmed)
    assert "before ± dB" in plain(trimmed)
    with (bench / "networks" / "Box" / "correction-disc.csv").open() as file:
        written = [float(row["correction_db"]) for row in csv.DictReader(file)]
    # Digits of the file: written in full.
    np.testing.assert_allclose(written, built[0].built.correction.correction_db, atol=1e-12)
    titles = [b.title for b in list_builds(open_log(bench)).builds]
    assert set(titles) == {"Box, disc", "Box, no curve"}  # other builds of this box may stand there
    page_client.post("/undo")


def test_what_if_a_part_that_stays_had_another_value(page_client: TestClient, box: Box) -> None:
    ref = box.switch.shared[0]
    value = 1.1 * box.designs[0].network.value(ref)
    asked = {"position": "disc", "ref": ref, "value": f"{value:.6g}"}
    told = plain(page_client.get(f"{AT}/what-if/answer", params=asked).text)
    (sentence,) = re.findall(rf"{ref} stays and moves every position: (.*)", told)
    for name, design in zip(box.names, box.designs, strict=True):
        values = np.where(np.array(design.network.topology.refs) == ref, float(f"{value:.6g}"),
                          design.network.values)  # fmt: skip
        error = error_range(Network(design.network.topology, values), design.conditions)
        assert f"{name} {within_text(error.centred_db)}" in sentence


def test_readings_belong_to_their_position(page_client: TestClient, box: Box, bench: Path) -> None:
    sheets = [bench_sheet(design) for design in box.designs]
    answers = []
    for name in box.names:
        readings = {f"read:{k}": f"{v:.7g}" for k, v in enumerate(sheets[1].columns[0].level_v)}
        answers.append(
            page_client.post(
                f"{AT}/sheet/check", params={"position": name}, data=readings | {"at": "input"}
            ).text
        )
    assert "outside" in answers[0] and "outside" not in answers[1]
    saved = page_client.post(
        f"{AT}/sheet", params={"position": "no curve"},
        data={"read:0": "1m", "at": "output", "save_as": "By hand"},
    )  # fmt: skip
    assert saved.url.params["network"] == "Box/no curve"
    assert re.search(r'<option value="Box/no curve" selected>', saved.text)


def test_a_unit_is_judged_at_a_position_as_on_the_command_line(
    page_client: TestClient, box: Box, bench: Path, tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    capture = tmp_path / "sweep.csv"
    rows = (f"{20.0 * 10 ** (k / 20):.3f},{0.01 * (k % 3)}" for k in range(61))
    capture.write_text("\n".join(["frequency_hz,level_db", *rows, ""]), "utf-8")
    asked = {"network": "Box/disc", "limit": "0.5", "serial": "B-2"}
    answer = page_client.post(
        "/test", data=asked, files=[("files", (capture.name, capture.read_bytes()))]
    )
    for _ in range(3000):
        if "/verdicts/" in str(answer.url):
            break
        time.sleep(0.1)
        answer = page_client.get(str(answer.url))
    assert "Through Box, disc" in plain(answer.text)
    (saved,) = (bench / "units" / "B-2").glob("*/verdict.json")
    told = invoke(
        capsys, "judge", str(capture), "--design",
        str(bench / "networks" / "Box" / "design.json"), "--position", "disc", "--json",
        "--serial", "B-2",
    )  # fmt: skip
    on_screen, in_terminal = json.loads(saved.read_text()), json.loads(told.out)
    del on_screen["date"], in_terminal["date"]
    assert on_screen == in_terminal
    for name, is_there in (("disc", True), ("no curve", False)):
        listed = page_client.get("/log", params={"words": f"Box, {name}"})
        assert ("B-2" in plain(listed.text)) is is_there
    for network in ("Box", "Box/tape"):
        told_so = page_client.post("/test", data=asked | {"network": network})
        assert told_so.status_code == 422 and "disc, no curve" in plain(told_so.text)
