"""A unit tested from captures: its verdict is that of the command line, and stays in the log."""

from __future__ import annotations

import html
import json
import re
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from commands import invoke
from playback_units import Unit
from scipy.signal import oaconvolve
from sound_bench import taps
from sound_server import RATE_HZ
from starlette.testclient import TestClient

from antecurve.files.sound import sound_bytes
from antecurve.pipeline import Design
from logged_units import small_log

CIRCUIT = Path(__file__).parents[2] / "data" / "unit-b.toml"
TREBLE_S = 62e-6  # of the unit, in place of the 75 µs of IEC 60098


@pytest.fixture
def sweep(tmp_path: Path, default_design: Design) -> Path:
    """A unit whose treble time constant is low, swept through the network."""
    response = default_design.analysis.response
    inside = response.within((20.0, 20e3))
    hertz, network_db = response.frequency_hz[inside], response.network_db[inside]
    zeros, poles = (3180e-6, TREBLE_S), (318e-6,)

    def rise_db(seconds: float) -> Any:
        return 10.0 * np.log10(1.0 + (2.0 * np.pi * hertz * seconds) ** 2)

    playback_db = sum(map(rise_db, poles)) - sum(map(rise_db, zeros))
    rows = zip(hertz.tolist(), (network_db + playback_db).tolist(), strict=True)
    path = tmp_path / "sweep.csv"
    lines = [f"{f:.6g},{db:.3f}" for f, db in rows]
    path.write_text("\n".join(["frequency_hz,level_db", *lines, ""]))
    return path


def judged(
    client: TestClient, sweep: Path, *, more_files: dict[str, Path] | None = None, **fields: str
) -> str:
    """The page of the verdict, once the test has ended."""
    files = [("files", (sweep.name, sweep.read_bytes()))] if "captures" not in fields else []
    files += [(name, (path.name, path.read_bytes())) for name, path in (more_files or {}).items()]
    asked = {"network": "Disc", "limit": "0.5"} | fields
    answer = client.post("/test", data=asked, files=files)
    for _ in range(3000):
        if "/verdicts/" in str(answer.url) or answer.status_code != 200:
            return answer.text
        assert "Nothing was logged" not in answer.text, answer.text
        time.sleep(0.1)
        answer = client.get(str(answer.url))
    raise AssertionError(answer.text)


def test_a_unit_is_judged_as_on_the_command_line(
    client: TestClient, network: Path, sweep: Path, tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    serial = "B/17 <script>alert(1)</script>"
    page = judged(client, sweep, serial=serial, operator="Ines")
    assert "Treble time constant" in page
    assert "<script>alert" not in page and "&lt;script&gt;alert(1)" in page
    (saved,) = (tmp_path / "bench" / "units").glob("*/*/verdict.json")
    assert saved.resolve().is_relative_to(tmp_path / "bench")
    told = invoke(
        capsys, "judge", str(sweep), "--design",
        str(network / "design.json"), "--json", "--serial", serial, "--operator", "Ines",
    )  # fmt: skip
    on_screen, in_terminal = json.loads(saved.read_text()), json.loads(told.out)
    for verdict in (on_screen, in_terminal):
        del verdict["date"]
    assert on_screen == in_terminal
    (report,) = re.findall(r'<iframe[^>]*src="([^"]+)"', page)
    answer = client.get(report)
    assert "<script>alert" not in answer.text
    policy = answer.headers["content-security-policy"]
    assert "unsafe-inline" not in policy.partition("script-src")[2].partition(";")[0]
    listed = client.get("/log", params={"words": "b/17"}, headers={"hx-request": "true"})
    assert "1 unit" in listed.text and "fail" in listed.text
    history = re.findall(r'href="(/log/units/[^"?]+)"', listed.text)[0]
    assert "Treble time constant" in client.get(history).text


def test_what_is_known_of_captures_counts_as_on_the_command_line(
    client: TestClient, network: Path, sweep: Path, tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    """Each folded field beside the option of its name; the other channel has its own verdict."""
    mask = ("30 Hz:100 Hz:1.0", "100 Hz:15 kHz:0.4")
    fields = {
        "band_low": "30 Hz", "band_high": "15 kHz", "mask": "\n".join(mask), "flatness": "0.05",
        "playback": "inverse", "chain_high": "1 MHz, 2 MHz", "mains": "50 Hz", "probe": "0.5",
        "meter_resistance": "1 %", "unit_turnover": "500 Hz", "unit_cut": "13.7",
        "unit_shelf": "50 Hz", "input_level": "6m", "limits": "match = 0.3",
    }  # fmt: skip
    other, level = tmp_path / "other.csv", tmp_path / "level.csv"
    rows = [line.split(",") for line in sweep.read_text().splitlines()[1:]]
    header = "frequency_hz,level_db\n"
    other.write_text(
        header + "".join(f"{f},{float(db) + 0.01 * (float(f) > 5e3)}\n" for f, db in rows)
    )
    level.write_text(header + "".join(f"{f},0.02\n" for f, _ in rows))
    page = judged(
        client, sweep, serial="7", channel="left", other_channel="right",
        more_files={"other_files": other, "reference_files": level, "circuit_file": CIRCUIT},
        **fields,
    )  # fmt: skip
    (number,) = re.findall(r"Other channel: verdict (\d+)", page)
    assert "/reports/diagnosis.html" in page
    suspects = client.get(f"/verdicts/{number}/reports/diagnosis-other.html")
    assert suspects.status_code == 200 and "Bench network, right" in suspects.text
    assert "Unit 7, right" in client.get(f"/verdicts/{number}").text
    report = client.get(f"/verdicts/{number}/reports/test-report-other.html").text
    assert "Test report: 7, right" in report
    limits = tmp_path / "limits.toml"
    limits.write_text("[limits]\nmatch = 0.3\n")
    told = invoke(
        capsys, "judge", str(sweep), "--design", str(network / "design.json"), "--json",
        "--serial", "7", "--other-channel", str(other), "--reference", str(level), "--limits",
        str(limits), "--band", "30 Hz", "15 kHz", "--mask", mask[0], "--mask", mask[1],
        "--playback", "inverse", "--flatness", "0.05", "--chain-high", "1 MHz",
        "--chain-high", "2 MHz", "--mains", "50 Hz", "--probe", "0.5", "--meter-resistance", "1 %",
        "--unit-turnover", "500 Hz", "--unit-cut", "13.7", "--unit-shelf", "50 Hz",
        "--input-level", "6m",
    )  # fmt: skip
    in_terminal = json.loads(told.out)
    for mark, expected in (("", in_terminal), ("-other", in_terminal.pop("other_channel"))):
        (saved,) = (tmp_path / "bench" / "units").glob(f"*/*/verdict{mark}.json")
        on_screen = json.loads(saved.read_text())
        assert {k: on_screen[k] for k in expected if k != "date"} == {
            k: v for k, v in expected.items() if k != "date"
        }
    # The next unit is asked for with all of it.
    (again,) = re.findall(r'id="next" href="(/test[^"]+)"', page)
    form = client.get(again.replace("&amp;", "&")).text
    assert '<details class="more" open>' in form and 'value="1 MHz, 2 MHz"' in form
    assert '<details class="more">' in client.get("/test").text


def test_a_played_file_and_an_idle_channel_count_as_on_the_command_line(
    client: TestClient, network: Path, default_design: Design, tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    """Noise at the first channel, 40 dB below it at the idle second; the client takes 1 MiB."""
    noise = 0.1 * np.random.default_rng(7).standard_normal(3 * RATE_HZ // 2)
    output = oaconvolve(noise, taps(default_design, Unit(treble_s=TREBLE_S)))[: noise.size]
    record, played = tmp_path / "record.wav", tmp_path / "played.wav"
    played.write_bytes(sound_bytes(noise, rate_hz=RATE_HZ))
    both = np.stack([output, 0.01 * output], axis=1)
    record.write_bytes(sound_bytes(both, rate_hz=RATE_HZ))
    judged(
        client, record, serial="9", channel_number="1", idle_channel="2",
        more_files={"played_file": played},
    )  # fmt: skip
    told = invoke(
        capsys, "judge", str(record), "--design", str(network / "design.json"), "--json",
        "--serial", "9", "--channel", "1", "--idle-channel", "2", "--stimulus", str(played),
    )  # fmt: skip
    (saved,) = (tmp_path / "bench" / "units").glob("9/*/verdict.json")
    on_screen, in_terminal = json.loads(saved.read_text()), json.loads(told.out)
    for verdict in (on_screen, in_terminal):
        del verdict["date"]
    assert on_screen == in_terminal
    figures = {figure["name"]: figure["value"] for figure in on_screen["figures"]}
    # Steps of 32 bits lie far below.
    assert figures["crosstalk_1khz"] == pytest.approx(-40.0, abs=0.01)


def test_files_sent_for_one_unit_count_for_the_next_until_taken_away(
    client: TestClient, network: Path, sweep: Path, tmp_path: Path
) -> None:
    """Limits and references lie with the first unit; the second has copies, the third none."""
    limits, level = tmp_path / "mine.toml", tmp_path / "level.csv"
    limits.write_text("[limits]\nmatch = 0.3\n")
    rows = sweep.read_text().splitlines()[1:]
    level.write_text(
        "".join(["frequency_hz,level_db\n", *(f"{r.split(',')[0]},0.02\n" for r in rows)])
    )
    page = judged(
        client, sweep, serial="1", more_files={"limits_file": limits, "reference_files": level}
    )
    (again,) = re.findall(r'id="next" href="(/test[^"]+)"', page)
    form = client.get(html.unescape(again)).text
    for name, file in (("limits_file", "limits.toml"), ("reference_files", "level.csv")):
        assert re.search(rf'name="keep_{name}" value="yes" checked> As for.*: {file}<', form)
    assert 'name="keep_played_file"' not in form
    (earlier,) = re.findall(r'name="earlier" value="(\d+)"', form)
    keep = {"keep_limits_file": "yes", "keep_reference_files": "yes"}
    page = judged(client, sweep, serial="2", earlier=earlier, **keep)
    assert "/verdicts/" in page
    judged(client, sweep, serial="3", earlier=earlier)
    units = tmp_path / "bench" / "units"
    for serial, count in (("1", 1), ("2", 1), ("3", 0)):
        assert len(list(units.glob(f"{serial}/*/limits.toml"))) == count
        copies = list(units.glob(f"{serial}/*/reference/level.csv"))
        assert [p.read_bytes() for p in copies] == [level.read_bytes()] * count
    refused = judged(client, sweep, serial="4", earlier=earlier, keep_limits_file="yes", limit="x")
    assert re.search(r'name="keep_limits_file" value="yes" checked', refused)
    assert re.search(r'name="keep_reference_files" value="yes">', refused)  # as it was sent


def saved_table(client: TestClient, **asked: str) -> str:
    """Address of a table of the log, once it is written."""
    answer = client.post("/log/exports", data=asked)
    at = answer.url.path
    for _ in range(3000):
        if f"{at}/table" in answer.text:
            return at
        time.sleep(0.1)
        answer = client.get(at)
    raise AssertionError(answer.text)


def test_the_log_shows_repairs_runs_outcomes_and_what_is_gone(
    client: TestClient, network: Path, tmp_path: Path
) -> None:
    bench = tmp_path / "bench"
    small_log(bench)
    assert "2 units" in client.get("/log").text
    page = client.post("/log/repairs", data={"serial": "A-7", "text": "C1 replaced"}).text
    assert "C1 replaced" in page and "Before: pass" in page
    assert "Treble: mean" in client.get("/log/runs", params={"constant": "treble_s"}).text
    nothing = client.get("/log/runs", params={"constant": "treble_s", "words": "nobody"})
    assert nothing.status_code == 200 and "chart-run" not in nothing.text
    outcomes = client.get("/log/outcomes", params={"period": "year"}).text
    assert "Treble time constant" in outcomes and "2026" in outcomes
    assert client.get("/log/outcomes", params={"period": "week"}).status_code == 422
    assert client.get("/log", params={"since": "yesterday"}).status_code == 422
    at = saved_table(client, kind="csv", words="A-7")
    exported = client.get(f"{at}/table")
    assert exported.text.count("\n") == 3 and "A-7" in exported.text
    assert 'filename="log.csv"' in exported.headers["content-disposition"]
    at = saved_table(client, kind="xlsx", words="A-7")
    assert client.get(f"{at}/table").content.startswith(b"PK")  # a ZIP file, as OOXML says
    assert client.post("/log/exports", data={"kind": "exe"}).status_code == 422
    assert client.get("/log/exports/99/table").status_code == 422
    asks = client.get("/log/delete/1").text
    assert "Delete verdict 1?" in asks and client.get("/verdicts/1").status_code == 200
    gone = client.post("/log/delete/1", data={"reason": "wrong unit", "who": "Ines"}).text
    assert "wrong unit" in gone and "Ines" in gone
    assert client.get("/verdicts/1").status_code == 422


@pytest.mark.parametrize(
    ("changed", "said"),
    [({"serial": " "}, "name the unit"), ({"limit": "x"}, "Limit in dB: received"),
     ({"limit": "-1"}, "Limit in dB: "), ({"network": "None"}, "no such network"),
     ({"curve": "nothing"}, "nothing"), ({"stimulus": "-1"}, "whole number"),
     ({"captures": "../x"}, "no such captures")],
)  # fmt: skip
def test_what_can_not_be_tested_is_said_and_leaves_nothing(
    client: TestClient, network: Path, sweep: Path, tmp_path: Path, changed: dict[str, str],
    said: str,
) -> None:  # fmt: skip
    page = judged(client, sweep, **({"serial": "1", "operator": "Ines"} | changed))
    assert said in page.replace("&#39;", "'")
    assert 'value="Ines"' in page
    assert not (tmp_path / "bench" / "units").exists()
    assert not list((tmp_path / "bench").glob(".uploads/*"))


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [("band_low", "20", "both ends"), ("mask", "30 Hz:100 Hz", "LOW:HIGH:DB"),
     ("limits", "nois = 3", "the figures are"), ("limits", "noise = ", "it must be TOML"),
     ("meter_display", "many", "whole number"), ("chain_low", "0", "Low corners of the chain: "),
     ("idle_channel", "2", "crosstalk needs the stimulus"), ("unit_poles", "x", "Poles: "),
     ("curve", "nothing", "nothing"), ("mains", "55 Hz", "50 or 60"),
     ("probe", "-1", "Uncertainty of a probe: ")],
)  # fmt: skip
def test_what_is_wrong_is_told_beside_its_field(
    client: TestClient, network: Path, sweep: Path, tmp_path: Path, name: str, text: str, said: str
) -> None:
    page = judged(client, sweep, serial="1", **{name: text})
    (error,) = re.findall(rf'id="error-{name}" role="alert">([^<]+)<', page)
    assert said in html.unescape(error) and str(tmp_path) not in error
    # The form has labels; options are the command line's.
    assert not re.search(r"--[a-z]", error)
    assert not list((tmp_path / "bench").glob(".uploads/*"))


@pytest.mark.parametrize("name", ["../../x.csv", "a/b.csv", "a\\b.csv", ".csv", "x\0.csv"])
def test_captures_stay_in_their_folder(
    client: TestClient, network: Path, tmp_path: Path, name: str
) -> None:
    before = {p for p in tmp_path.rglob("*") if ".uploads" not in p.parts}
    answer = client.post(
        "/test", data={"network": "Disc", "limit": "0.5", "serial": "1"},
        files=[("files", (name, b"time_s,volts\n0,0\n"))],
    )  # fmt: skip
    assert answer.status_code == 422
    assert {p for p in tmp_path.rglob("*") if ".uploads" not in p.parts} == before


def test_a_capture_named_like_a_result_is_refused(
    client: TestClient, network: Path, sweep: Path
) -> None:
    named = sweep.rename(sweep.with_name("deviation.csv"))
    assert "rename yours" in judged(client, named, serial="1")


def test_a_capture_that_tells_nothing_is_told_and_not_logged(
    client: TestClient, network: Path, tmp_path: Path
) -> None:
    answer = client.post(
        "/test", data={"network": "Disc", "limit": "0.5", "serial": "1"},
        files=[("files", ("a.csv", b"time_s,volts\n0,0\n1e-6,0\n"))],
    )  # fmt: skip
    for _ in range(3000):
        if "Nothing was logged" in answer.text:
            break
        time.sleep(0.1)
        answer = client.get(str(answer.url))
    assert "a.csv" in answer.text and str(tmp_path) not in answer.text
    assert not (tmp_path / "bench" / "units").exists()
    assert not (tmp_path / "bench" / "log.sqlite").exists()
