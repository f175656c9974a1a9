"""The main job from the command line: files, contract, exit codes, bad input."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path

import numpy as np
import pytest
from commands import invoke
from nodal import read_cards, solve_cards

from antecurve.synthesis import own_starts

FILES = ["board.svg", "design.json", "network.cir", "parts.csv", "report.html", "response.csv"]
SMALL = """
[curve]
name = "disc"
ultrasonic_poles = ["50 kHz"]
[network]
forms = ["foster-1"]
[spread]
builds = 500
[resistors]
series = "E24"
[capacitors]
series = "E12"
parts_per_position = 1
"""


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest) -> Path:
    """The folder of the default design, written once."""
    from antecurve.files.design_folder import write_design
    from antecurve.report.page import report_page

    design = request.getfixturevalue("default_design")
    folder = tmp_path_factory.mktemp("default") / "bench"
    write_design(design, folder, more={"report.html": report_page(design)})
    return folder


def _response(folder: Path) -> dict[str, np.ndarray]:
    with (folder / "response.csv").open() as file:
        rows = list(csv.DictReader(file))
    return {k: np.array([float(r[k]) for r in rows]) for k in rows[0]}


def test_writes_the_files_says_where_and_designs_alternatives(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = tmp_path / "job.toml"
    job.write_text(SMALL)
    done = invoke(capsys, "design", str(job), "-o", str(tmp_path / "out"))
    assert done.code == 0
    assert done.err == ""
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == FILES
    for word in (
        "R1",
        "C1",
        "Design error",
        "95 % of builds",
        "Level at 1 kHz",
        "--all",
        "design.json",
    ):
        assert word in done.out
    again = invoke(capsys, "design", str(job), "-o", str(tmp_path / "out"))
    assert again.code == 2 and "exists already" in again.err
    forced = invoke(capsys, "design", str(job), "-o", str(tmp_path / "out"), "--force", "--json")
    assert forced.code == 0
    picked = json.loads(forced.out)
    assert picked == json.loads((tmp_path / "out" / "design.json").read_text())
    # An alternative is designed by its number.
    chosen = json.loads(invoke(capsys, "design", str(job), "--json", "--alternative", "1").out)
    first, second = picked["shortlist"][:2]
    assert chosen["network"]["elements"] == second["elements"] != first["elements"]
    assert not chosen["search"]["proved"] and "by hand" in chosen["search"]["claim"]
    refused = invoke(capsys, "design", str(job), "--alternative", "99")
    assert refused.code == 2 and "no such line in the shortlist; choose 0 to " in refused.err


def test_the_default_design_meets_its_promise(written: Path) -> None:
    content = json.loads((written / "design.json").read_text())
    assert content["format"] == "antecurve-design-1"
    assert content["error"]["centred_db"] <= 0.03
    assert abs(20 * np.log10(content["level"]["output_v"] / 5e-3)) <= 1.0
    assert content["level"]["output_resistance_ohm_at_1khz"] <= 600
    assert content["level"]["input_impedance_ohm_min"] >= 1000


def test_every_key_of_the_format_is_present(written: Path) -> None:
    content = json.loads((written / "design.json").read_text())
    expected = {
        "job": {"title", "curve", "source", "load", "target", "network", "resistors"},
        "curve": {"name", "zeros_s", "poles_s", "zeros_at_origin", "poles_at_origin"},
        "network": {"form", "elements"},
        "source": {"resistance_ohm", "level_v"},
        "load": {"resistance_ohm", "capacitance_f"},
        "error": {
            "band_hz", "centred_db", "at_1khz_db", "rms_db", "exact_centred_db",
            "published_centred_db", "implied_poles_s",
        },
        "level": {
            "gain_db_at_1khz", "output_v", "output_resistance_ohm_at_1khz",
            "input_impedance_ohm_min", "noise_v", "snr_db", "square_wave_peak_v",
        },
        "search": {
            "objective_db", "proved", "lower_bound_db", "combinations", "evaluated", "seconds",
        },
        "spread": {
            "builds", "seed", "distribution", "centred_db", "worst_corner_db", "yield",
            "sensitivity",
        },
        "loading": {"rows", "window"},
    }  # fmt: skip
    for key, names in expected.items():
        assert names <= content[key].keys(), key
    assert {"ref", "kind", "nodes", "exact", "value", "parts", "joined", "tolerance"} <= content[
        "network"
    ]["elements"][0].keys()
    assert {"p50", "p95", "p99", "max"} <= content["spread"]["centred_db"].keys()
    assert {"limit_db", "fraction", "low", "high"} <= content["spread"]["yield"].keys()
    names = {"ref", "db_per_percent_max", "level_db_per_percent", "share"}
    assert names <= content["spread"]["sensitivity"][0].keys()
    assert {
        "source_ohm", "load_ohm", "load_f", "level_shift_db", "error_centred_db",
    } <= content["loading"]["rows"][0].keys()  # fmt: skip


def test_the_netlist_solved_anew_gives_the_response(written: Path) -> None:
    """Independent path: complex nodal analysis of the cards, to 1e-9 dB."""
    cards = read_cards((written / "network.cir").read_text())
    table = _response(written)
    made = 20 * np.log10(np.abs(solve_cards(cards, table["frequency_hz"])))
    made -= 20 * np.log10(np.abs(solve_cards(cards, [1000.0])))
    np.testing.assert_allclose(made, table["network_db"], rtol=0, atol=1e-9)
    assert table["error_db"][table["frequency_hz"] == 1000.0] == pytest.approx(0.0, abs=1e-12)
    per_decade = (len(made) - 1) / np.log10(table["frequency_hz"][-1] / table["frequency_hz"][0])
    assert per_decade >= 40
    assert table["frequency_hz"][[0, -1]] == pytest.approx([20, 100e3])


def test_own_network_far_from_the_curve_is_exit_code_1(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """One capacitor makes one zero: a curve of two it misses by some decibels."""
    monkeypatch.setattr(own_starts, "_EFFORT", own_starts._EFFORT // 12)  # a few starts will do
    job = tmp_path / "job.toml"
    job.write_text(
        '[curve]\nname = "disc"\n[network]\n'
        'elements = ["R1 in a", "C1 in a", "R2 a out", "R3 out 0"]\n'
        '[resistors]\nseries = "E6"\n[capacitors]\nseries = "E6"\nparts_per_position = 1\n'
        "[pick]\nbudget_seconds = 0.1\n[spread]\nbuilds = 500\n",
        encoding="utf-8",
    )
    done = invoke(capsys, "design", str(job))
    assert done.code == 1
    assert "misses the curve by more than 1 dB" in done.err
    assert re.search(r"[\d.]+ s of a budget of 0\.1 s: [\d.]+ s for the search", done.err)
    limited = job.read_text(encoding="utf-8") + "[target]\nerror_limit_db = 20\n"
    job.write_text(limited, encoding="utf-8")
    assert invoke(capsys, "design", str(job)).code == 0


def test_a_missed_limit_is_exit_code_1(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    job = tmp_path / "job.toml"
    job.write_text(SMALL + "[target]\nerror_limit_db = 0.001\n")
    done = invoke(capsys, "design", str(job), "-o", str(tmp_path / "out"))
    assert done.code == 1
    assert "misses the limit" in done.err
    assert (tmp_path / "out" / "design.json").exists()


def test_without_an_ultrasonic_pole_the_implied_one_is_reported(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = tmp_path / "job.toml"
    job.write_text(SMALL.replace('ultrasonic_poles = ["50 kHz"]', "") + "[load]\ncapacitance = 0\n")
    done = invoke(capsys, "design", str(job), "--json")
    assert done.code == 0
    content = json.loads(done.out)
    by_ref = {e["ref"]: e["exact"] for e in content["network"]["elements"]}
    rp = by_ref["R3"] * 47e3 / (by_ref["R3"] + 47e3)
    g0 = rp / (rp + 50 + by_ref["R1"] + by_ref["R2"])
    # design formula for the pole that results: T4 = g0 (Rp + Rs)/Rp T1 T3/T2
    implied = g0 * (rp + 50) / rp * 3180e-6 * 75e-6 / 318e-6
    assert content["error"]["implied_poles_s"] == pytest.approx([implied], rel=1e-6)


@pytest.mark.parametrize(
    ("text", "pattern"),
    [
        ('[curve]\nname = "disc"\nfoo = 1\n', "curve.foo"),
        ('[curve]\nname = "disc"\n[load]\nresistance = "47k V"\n', "load.resistance"),
        ('[curve]\nname = "disc"\n[load]\ncapacitance = nan\n', "load.capacitance"),
        ('[curve]\nname = "disc"\n[resistors]\nrange = ["20k", "21k"]\nseries = "E3"\n', "range"),
        ('[curve]\nname = "disc"\n[resistors]\nseries = "E5"\n', "E192"),
        (
            '[curve]\nname = "disc"\nultrasonic_poles = ["50 kHz"]\n[target]\nlevel = "0.4 V"\n',
            "or less works",
        ),
        ('[curve]\nname = "disc"\n[target]\nlevel = "0.6 V"\n', "below the generator"),
    ],
)
def test_bad_jobs_leave_nothing_behind(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, pattern: str
) -> None:
    job = tmp_path / "job.toml"
    job.write_text(text)
    done = invoke(capsys, "design", str(job), "-o", str(tmp_path / "out"))
    assert done.code == 2
    assert pattern in done.err
    assert done.err.count("\n") == 1 and "Traceback" not in done.err
    assert [p.name for p in tmp_path.iterdir()] == ["job.toml"]


def test_starter_job_and_parts(
    written: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    done = invoke(capsys, "job", "-o", str(tmp_path / "job.toml"))
    assert done.code == 0 and (tmp_path / "job.toml").exists()
    assert invoke(capsys, "job", "-o", str(tmp_path / "job.toml")).code == 2
    listed = invoke(capsys, "parts", str(written / "design.json"), "--sets", "3", "--json")
    lines = json.loads(listed.out)
    assert all(line["quantity"] % 3 == 0 for line in lines)
    for name in ("order.csv", "order.xlsx"):
        done = invoke(capsys, "parts", str(written / "design.json"), "-o", str(tmp_path / name))
        assert done.code == 0 and (tmp_path / name).stat().st_size > 100
    refused = invoke(capsys, "parts", str(written / "design.json"), "-o", str(tmp_path / "x.pdf"))
    assert refused.code == 2 and ".csv or .xlsx" in refused.err


def test_unknown_format_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "design.json"
    path.write_text('{"format": "antecurve-design-9"}')
    done = invoke(capsys, "parts", str(path))
    assert done.code == 2 and "antecurve-design-1" in done.err
    path.write_text('{"format": "antecurve-design-1"}')
    assert invoke(capsys, "parts", str(path)).code == 2
    path.write_bytes(b"\x00\xff")
    assert invoke(capsys, "parts", str(path)).code == 2


def test_a_curve_whose_playback_makes_impulses_goes_without_square_waves(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = tmp_path / "job.toml"
    curve = '[curve]\nzeros = ["318 us"]\npoles = ["3180 us", "75 us"]\n'
    job.write_text(curve + '[network]\nforms = ["rc-shunt-foster-1"]\n[spread]\nbuilds = 500\n')
    done = invoke(capsys, "design", str(job), "-o", str(tmp_path / "out"))
    assert done.code == 0, done.err
    assert "Square waves" not in (tmp_path / "out" / "report.html").read_text()


def test_a_balanced_network_says_what_must_not_be_grounded(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    job = tmp_path / "job.toml"
    job.write_text(SMALL.replace("[network]", "[network]\nbalanced = true"))
    done = invoke(capsys, "design", str(job), "-o", str(tmp_path / "out"))
    assert "out- is not ground" in done.out
    content = json.loads((tmp_path / "out" / "design.json").read_text())
    refs = {e["ref"] for e in content["network"]["elements"]}
    assert {"R1P", "R1N", "C1P", "C1N"} <= refs
    assert "RLOAD out out- " in (tmp_path / "out" / "network.cir").read_text()


@pytest.mark.parametrize("tolerance", [-0.5, 2.0, 0.5])
def test_a_damaged_tolerance_is_refused(
    written: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], tolerance: float
) -> None:
    content = json.loads((written / "design.json").read_text())
    content["network"]["elements"][0]["part_details"][0]["tolerance"] = tolerance
    path = tmp_path / "design.json"
    path.write_text(json.dumps(content))
    done = invoke(capsys, "parts", str(path))
    assert done.code == 2
    assert "tolerance" in done.err or "part_details" in done.err
