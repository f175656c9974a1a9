"""A build part by part, and readings of the bench sheet."""

from __future__ import annotations

import html
import re
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np
import pytest
from starlette.testclient import TestClient

from antecurve.analysis.as_built import as_built
from antecurve.analysis.bench_sheet import bench_sheet
from antecurve.files.captures import read_capture
from antecurve.judge.sweep import SweepCapture
from antecurve.log.bench_log import open_log
from antecurve.log.builds import list_builds
from antecurve.parts.scatter import part_table
from antecurve.pipeline import Design


def test_measured_values_give_error_correction_and_trim(
    client: TestClient, network: Path, default_design: Design
) -> None:
    first = default_design.picked.positions[0]
    ref, value = first.element.ref, 1.05 * first.value
    fields = {f"value:{ref}": f"{value:.6g}", f"fitted:{ref}": "on", "serial": "N-3"}
    page = client.post("/networks/Disc/build", data=fields).text
    built = as_built(default_design, measured={ref: float(f"{value:.6g}")})
    assert f"error ±{built.error.centred_db:.3f} dB" in html.unescape(page).replace("\u00a0", " ")
    assert "subtract dB" in page.replace("\u00a0", " ") and 'value="N-3"' in page
    for _ in range(3000):
        trimmed = client.get("/networks/Disc/build/trim").text
        if "every 500ms" not in trimmed:
            break
        time.sleep(0.1)
    assert "Trim" in trimmed and "<table" in trimmed
    assert (network / "values.csv").read_text() == f"ref,value\n{ref},{value:.6g}\n"
    # The next test through the network takes its serial number.
    assert 'value="N-3"' in client.get("/test", params={"network": "Disc"}).text
    client.post("/undo")
    assert not (network / "values.csv").exists()


def test_parts_fitted_are_ticked_on_the_drawings_and_a_whole_build_is_logged(
    client: TestClient, network: Path, default_design: Design, tmp_path: Path
) -> None:
    refs = part_table(default_design.picked).refs
    page = client.post("/networks/Disc/build", data={f"fitted:{refs[0]}": "on"}).text
    # Beside its symbol in the broad and in the narrow schematic, and on its body on both boards.
    assert page.count(f"\N{CHECK MARK} {refs[0]}<") == 4 and page.count("\N{CHECK MARK}") == 4
    assert not (tmp_path / "bench" / "log.sqlite").exists()
    fields = {f"fitted:{ref}": "on" for ref in refs} | {"serial": "N-4"}
    for _ in range(2):  # saved twice it is one build
        client.post("/networks/Disc/build", data=fields)
    (build,) = list_builds(open_log(tmp_path / "bench")).builds
    assert (build.serial, build.measured, build.verdicts) == ("N-4", {}, 0)
    assert build.design_path == "networks/Disc/design.json"
    assert "N-4" in client.get("/log/builds").text


def test_a_value_that_can_not_be_used_is_told_beside_its_part(
    client: TestClient, network: Path, default_design: Design
) -> None:
    refs = [p.element.ref for p in default_design.picked.positions]
    ref = next(ref for ref in refs if ref.startswith("R"))
    measured = f"{1e-3 * default_design.network.value(ref):.4f}k"
    answer = client.post("/networks/Disc/build", data={f"value:{ref}": "4z7", "pasted": "X9 3k"})
    assert answer.status_code == 422 and not (network / "values.csv").exists()
    said = html.unescape(answer.text)
    assert f"{ref}: received '4z7'" in said and "X9: received '3k'" in said
    pasted = client.post("/networks/Disc/build", data={"pasted": f"ref;value\n{ref}\t{measured}"})
    assert pasted.status_code == 200 and measured in (network / "values.csv").read_text()


def test_of_two_windows_the_one_that_shows_an_older_build_is_refused(
    client: TestClient, network: Path, default_design: Design
) -> None:
    """Both send at the same instant what they made of the page as it was."""
    address, refs = "/networks/Disc/build", part_table(default_design.picked).refs
    shown = _digest(client.get(address).text.partition('id="build"')[2])
    posts = [{"digest": shown, f"fitted:{ref}": "on"} for ref in refs[:2]]
    with ThreadPoolExecutor(2) as windows:
        pages = list(windows.map(lambda data: client.post(address, data=data), posts))
    (late,) = (page for page in pages if "Another window changed" in page.text)
    won = refs[pages.index(late) == 0]
    for page in (*pages, client.get(address)):  # the refused window shows what is saved, too
        assert re.findall(r'id="fitted-(\w+)"[^>]*checked', page.text) == [won]
    # What a script sends without leaving the page has the whole page loaded again.
    partly = client.post(address, data=posts[0], headers={"hx-request": "true"})
    assert partly.headers["hx-redirect"] == f"{address}?refused=1"
    answer = client.post("/undo", data={"digest": "of another change"})
    assert answer.status_code == 422 and "changed meanwhile" in answer.text
    undo = _digest(client.get(address).text.partition('id="undo"')[2])
    client.post("/undo", data={"digest": undo})
    assert "checked" not in client.get(address).text
    # Undone it is as the late window knew it, which may now save.
    client.post(address, data=posts[1])
    assert re.findall(r'id="fitted-(\w+)"[^>]*checked', client.get(address).text) == [refs[1]]


def _digest(page: str) -> str:
    return page.partition('name="digest" value="')[2].partition('"')[0]


@pytest.mark.parametrize("at", ["output", "input"])
def test_readings_are_compared_and_saved_as_a_sweep(
    client: TestClient, network: Path, tmp_path: Path, default_design: Design, at: str
) -> None:
    """A perfect unit of gain 10 lies inside; one reading 2 dB high is outside."""
    sheet = bench_sheet(default_design)
    volts = sheet.columns[0].level_v
    if at == "output":
        volts = 10.0 * sheet.emf_v * 10.0 ** (sheet.playback_db / 20.0)
    wrong = int(np.argmin(abs(sheet.frequency_hz - 4000.0)))
    typed = {f"read:{k}": f"{v:.7g}" for k, v in enumerate(volts)} | {"at": at}
    typed[f"read:{wrong}"] = f"{1.26 * volts[wrong]:.7g}"
    checked = client.post("/networks/Disc/sheet/check", data=typed).text
    cells = re.findall(r'id="ok-(\d+)"[^>]*>(.*?)</td>', checked)
    assert [int(k) for k, text in cells if "outside" in text] == [wrong]
    assert sum(text == "inside" for _, text in cells) == len(cells) - 1
    saved = client.post("/networks/Disc/sheet", data=typed | {"save_as": "By hand"})
    assert saved.status_code == 200
    sweep = read_capture(tmp_path / "bench" / "captures" / "By hand.csv")
    assert isinstance(sweep, SweepCapture)
    levels = 20.0 * np.log10(volts / sheet.emf_v)
    reference = levels[int(np.argmin(abs(sheet.frequency_hz - 1000.0)))]
    expected = np.where(np.arange(levels.size) == wrong, levels + 20 * np.log10(1.26), levels)
    # Two readings of seven digits each: half a unit of the last is 4.3e-6 dB at most.
    np.testing.assert_allclose(sweep.level_db, expected - reference, rtol=0, atol=1e-5)
    again = client.post("/networks/Disc/sheet", data=typed | {"save_as": "By hand"})
    assert again.status_code == 422 and "of this name" in again.text


def test_a_reading_that_can_not_be_used_is_told(client: TestClient, network: Path) -> None:
    told = client.post("/networks/Disc/sheet/check", data={"read:0": "4z7", "at": "output"}).text
    assert "reading: received" in told
    assert client.post("/networks/Disc/sheet", data={"save_as": "x"}).status_code == 422
    outside = {"read:0": "1", "at": "output", "save_as": "../x"}
    assert client.post("/networks/Disc/sheet", data=outside).status_code == 422
