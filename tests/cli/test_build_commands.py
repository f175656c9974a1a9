"""The commands about builds: spread, check and trim."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from bench_networks import bench_network
from commands import Outcome, invoke
from nodal import solve_cards

from antecurve.analysis.spread import spread
from antecurve.curves.catalogue import named_curve
from antecurve.curves.model import response
from antecurve.files.job_file import parse_job
from antecurve.parts.builds import Builds, MeasuredBuilds
from antecurve.parts.log_histogram import LogHistogram
from antecurve.pick.result import SearchReport
from antecurve.pipeline import Design

PICKED = bench_network()
JOB: dict[str, Any] = {
    "curve": {"name": "disc", "ultrasonic_poles": ["50 kHz"]},
    "target": {"error_limit_db": 0.5, "level_tolerance_db": 2.0},
    "spread": {"builds": 500, "seed": 4},
    "resistors": {
        "grades": [{"tolerance": "5 %", "price": 0.01}, {"tolerance": "1 %", "price": 0.03}]
    },
    "capacitors": {
        "grades": [{"tolerance": "10 %", "price": 0.1}, {"tolerance": "1 %", "price": 1.0}]
    },
}


def _design_file(folder: Path, **sections: Any) -> Path:
    job = parse_job({**JOB, **sections})
    design = Design(job, PICKED, SearchReport(0.04, False, 0.0, 1, 1, 0.0))
    path = folder / "design.json"
    path.write_text(json.dumps(design.to_dict()))
    return path


@pytest.fixture
def design_file(tmp_path: Path) -> Path:
    return _design_file(tmp_path)


@pytest.fixture
def measured(tmp_path: Path) -> Path:
    path = tmp_path / "values.csv"
    path.write_text("ref,value\nC1,7.28n\nC2,2.02n\nR1,452k\n")
    return path


def _json(done: Outcome) -> dict[str, Any]:
    content: dict[str, Any] = json.loads(done.out)
    return content


def test_spread_prints_the_object_of_the_format(
    design_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    done = invoke(
        capsys, "spread", design_file, "--builds", 2000, "--seed", 9, "--limit", "0.2", "--json"
    )
    assert done.code == 0 and done.err == ""
    job = parse_job(JOB)
    expected = spread(PICKED, job.conditions, builds=2000, seed=9, limit_db=0.2)
    assert _json(done) == json.loads(json.dumps(expected.to_dict()))


def test_spread_says_what_governs(design_file: Path, capsys: pytest.CaptureFixture[str]) -> None:
    done = invoke(capsys, "spread", design_file, "--yield", "95 %", "--limit", "0.2 dB")
    assert done.code == 0
    for word in (
        "500 builds", "Worst case", "Worst corner", "root sum square", "Builds within ±0.2 dB",
        "first: it makes", "two channels", "share of variance", "Cheapest grades for 95 %",
        "from the first 500 builds", "other builds, seed",
    ):  # fmt: skip
        assert word in done.out
    planned = _json(
        invoke(capsys, "spread", design_file, "--yield", "95", "--limit", "0.2", "--json")
    )
    assert planned["plan"]["confirmed"]["low"] >= 0.95
    assert {c["ref"] for c in planned["plan"]["choices"]} == set(PICKED.topology.refs)


def test_spread_exits_1_when_more_than_5_percent_exceed_the_limit(
    design_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    p95 = _json(invoke(capsys, "spread", design_file, "--json"))["centred_db"]["p95"]
    below, above = (f"{p95 * k:.4f}" for k in (0.97, 1.03))
    assert invoke(capsys, "spread", design_file, "--limit", above).code == 0
    done = invoke(capsys, "spread", design_file, "--limit", below)
    assert done.code == 1 and "misses the limit" in done.err and "Worst case" in done.out
    by_job = _design_file(tmp_path, target={"error_limit_db": float(below)})
    assert invoke(capsys, "spread", by_job).code == 1


@pytest.mark.parametrize("command", ["spread", "check", "design"])
def test_an_interruption_is_said(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    command: str,
) -> None:
    drawn, histogram = Builds.measured, Builds.centred_histogram

    def stopping(builds: Builds, count: int, **more: Any) -> Iterator[MeasuredBuilds]:
        yield next(iter(drawn(builds, count, **more)))
        raise KeyboardInterrupt

    def uninterrupted(builds: Builds, count: int) -> LogHistogram:
        """Builds of the search."""
        with monkeypatch.context() as within:
            within.setattr(Builds, "measured", drawn)
            return histogram(builds, count)

    monkeypatch.setattr(Builds, "measured", stopping)
    monkeypatch.setattr(Builds, "centred_histogram", uninterrupted)
    given = _design_file(tmp_path, spread={"builds": 20_000, "seed": 4})
    if command == "design":
        given = tmp_path / "job.toml"
        given.write_text(
            'curve.name = "disc"\nnetwork.forms = ["foster-1"]\nspread.builds = 20000\n'
        )
    done = invoke(capsys, command, given, "--json")
    assert done.code == 1
    assert done.err.startswith("antecurve: interrupted after 8,192 of 20,000 builds")
    content = _json(done)
    spread = content if command == "spread" else content["spread"]
    assert (spread["builds"], spread["wanted_builds"]) == (8192, 20_000)


def test_spread_draws_from_measured_values(
    design_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    samples = tmp_path / "reel.csv"
    samples.write_text("ref,value\n" + "".join(f"C1a,{v}n\n" for v in (6.75, 6.8, 6.85)))
    done = _json(invoke(capsys, "spread", design_file, "--samples", samples, "--json"))
    plain = _json(invoke(capsys, "spread", design_file, "--json"))
    assert done["distribution"] == "empirical" and plain["distribution"] == "uniform"
    assert done["centred_db"]["p95"] < plain["centred_db"]["p95"]


def test_spread_writes_its_files(
    design_file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "out"
    done = invoke(capsys, "spread", design_file, "-o", folder)
    assert done.code == 0 and "Written to" in done.out
    content = json.loads((folder / "spread.json").read_text())
    with (folder / "spread.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 121
    assert [float(r["error_db_p50"]) for r in rows] == content["curves"]["error_db"][2]
    again = invoke(capsys, "spread", design_file, "-o", folder)
    assert again.code == 2 and "exists already" in again.err
    assert invoke(capsys, "spread", design_file, "-o", folder, "--force").code == 0


@pytest.mark.sweep(5)
@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--limit", "wide"], "--limit"),
        (["--limit", "0"], "--limit"),
        (["--distribution", "even"], "spread.distribution"),
        (["--reel-correlation", "1"], "reel_correlation"),
        (["--yield", "101"], "--yield"),
        (["--yield", "many"], "--yield"),
        (["--yield", "0.95"], "for a fraction of 0.95 write 95 %"),
        (["--level-limit", "0.1"], "it belongs to a plan"),
        (["--yield", "95", "--mismatch-limit", "wide"], "--mismatch-limit"),
        (["--yield", "95", "--samples", "reel.csv"], "--samples: received 'reel.csv'"),
        (["--samples", "none.csv"], "no such file"),
        (["--yield", "99.9", "--limit", "0.041"], "tightest grades"),
    ],
)
def test_spread_refuses_in_one_sentence(
    design_file: Path, capsys: pytest.CaptureFixture[str], options: list[str], message: str
) -> None:
    done = invoke(capsys, "spread", design_file, *options)
    assert done.code == 2 and done.out == ""
    assert message in done.err and len(done.err.splitlines()) == 1


def test_check_without_values_analyses_again(
    design_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    done = invoke(capsys, "check", design_file, "--json")
    assert done.code == 0
    content = _json(done)
    assert content["error"]["centred_db"] == pytest.approx(content["as_built"]["centred_db"])
    assert content["as_built"]["not_measured"] == list(PICKED.topology.refs)
    assert content["spread"]["builds"] == 500
    shown = invoke(capsys, "check", design_file)
    for word in ("Design error", "Subtract", "uncertainty", "Over temperature", "Losses"):
        assert word in shown.out


def test_check_gives_the_correction_of_this_build(
    design_file: Path, measured: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "build"
    done = invoke(capsys, "check", design_file, "--measured", measured, "-o", folder)
    assert done.code == 0 and "Not measured" in done.out and "R2, R3, R4" in done.out
    with (folder / "correction.csv").open() as file:
        rows = [{k: float(v) for k, v in row.items()} for row in csv.DictReader(file)]
    frequency = np.array([r["frequency_hz"] for r in rows])
    values = {p.element.ref: p.value for p in PICKED.positions}
    values |= {"C1": 7.28e-9, "C2": 2.02e-9, "R1": 452e3}
    cards = [(p.element.ref, *p.element.nodes, values[p.element.ref]) for p in PICKED.positions]
    cards += [("RSOURCE", "drive", "in", 50.0), ("RLOAD", "out", "0", 47e3)]
    cards += [("CLOAD", "out", "0", 150e-12)]
    gain = np.abs(solve_cards(cards, frequency) / response(named_curve("disc"), frequency))
    expected = 20 * np.log10(gain / gain[frequency == 1000.0])
    np.testing.assert_allclose([r["correction_db"] for r in rows], expected, atol=1e-9)
    assert all(r["expanded_uncertainty_db"] >= 0 for r in rows)
    assert (folder / "response.csv").exists()
    content = _json(invoke(capsys, "check", design_file, "--measured", measured, "--json"))
    fitted = {e["ref"]: e["value"] for e in content["network"]["elements"]}
    assert fitted == pytest.approx(values)


def test_a_better_meter_and_another_technology_show(
    design_file: Path, measured: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The technology of the capacitors and their meter: neither counts for what the other does."""

    def checked(*options: str) -> tuple[float, dict[str, Any]]:
        content = _json(
            invoke(capsys, "check", design_file, "--measured", measured, "--json", *options)
        )
        correction = content["as_built"]["correction"]
        return max(r["expanded_uncertainty_db"] for r in correction), content

    coarse, other = checked("--meter-capacitance", "2 %", "--capacitor-type", "polyester")
    fine, plain = checked("--meter-capacitance", "0.1")
    assert coarse > fine
    assert other["losses"]["largest_db"] > 10 * plain["losses"]["largest_db"]
    assert "polyester" in other["drift"]["technologies"]


def test_check_takes_the_data_of_the_parts_in_hand(
    design_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    content = _json(
        invoke(
            capsys, "check", design_file, "--json", "--temperatures", "0:60",
            "--reference-temperature", "30", "--coefficient", "resistors=0",
            "--coefficient", "capacitors=0", "--loss", "C1=0.02",
        )
    )  # fmt: skip
    rows = content["drift"]["rows"]
    assert [r["temperature_c"] for r in rows] == [0, 10, 20, 30, 40, 50, 60]
    assert content["drift"]["reference_c"] == 30
    assert all(r["level_shift_db"] == pytest.approx(0.0, abs=1e-12) for r in rows)
    assert all(r["worst_centred_db"] == pytest.approx(rows[0]["centred_db"]) for r in rows)
    plain = _json(invoke(capsys, "check", design_file, "--json"))
    assert content["losses"]["largest_db"] > 20 * plain["losses"]["largest_db"]
    shown = invoke(capsys, "check", design_file, "--coefficient", "C1a=-120", "--loss", "C1a=0")
    assert "at all frequencies at once" in shown.out and "-0.000 " not in shown.out


@pytest.mark.sweep(4)
@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--temperatures", "40:10"], "the lower first"),
        (["--temperatures", "warm"], "the lower first"),
        (["--temperatures", "-300:20"], "temperature: received -300.0"),
        (["--reference-temperature", "nan"], "reference_c: received nan"),
        (["--coefficient", "C1"], "--coefficient"),
        (["--coefficient", "C9=5"], "given for one of R1, C1a"),
        (["--loss", "C1=-1"], "0 or greater"),
        (["--loss", "R1=0.1"], "a resistor has none"),
        (["--resistor-type", "polyester"], "'metal film', 'metal film, 25 ppm/K'"),
    ],
)
def test_check_refuses_in_one_sentence(
    design_file: Path, capsys: pytest.CaptureFixture[str], options: list[str], message: str
) -> None:
    done = invoke(capsys, "check", design_file, *options)
    assert done.code == 2 and done.out == ""
    assert message in done.err and len(done.err.splitlines()) == 1
    assert "'polypropylene'" not in done.err


def test_check_exits_1_when_the_build_misses_its_limit(
    tmp_path: Path, measured: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = _design_file(tmp_path, target={"error_limit_db": 0.06})
    assert invoke(capsys, "check", path).code == 0
    done = invoke(capsys, "check", path, "--measured", measured)
    assert done.code == 1
    assert "misses the limit of 0.06 dB" in done.err and "Subtract" in done.out


def test_trim_advises_and_improves(
    design_file: Path, measured: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    done = invoke(capsys, "trim", design_file, "--measured", measured, "--most-changes", 1)
    assert done.code == 0 and "Advised" in done.out and "leave it as it is" in done.out
    content = _json(invoke(capsys, "trim", design_file, "--measured", measured, "--json"))
    assert content["advised"]["centred_db"] < content["before"]["centred_db"]
    assert all(
        (c["ref"] in ("C1", "C2", "R1")) == (c["action"].startswith("add") or bool(c["unsolder"]))
        for p in content["proposals"]
        for c in p["changes"]
    )
    # Parts that are soldered in are no longer open: they stay, get company or come out.
    soldered = ["--soldered", "R2", "--soldered", "R3", "--most-changes", "1"]
    one = _json(invoke(capsys, "trim", design_file, "--measured", measured, *soldered, "--json"))
    assert all(len(p["changes"]) == 1 for p in one["proposals"])
    assert all(
        c["action"].startswith("add") or c["unsolder"]
        for p in one["proposals"]
        for c in p["changes"]
    )
    wrong = invoke(capsys, "trim", design_file, "--measured", measured, "--soldered", "R9")
    assert wrong.code == 2 and "'R9'" in wrong.err and len(wrong.err.splitlines()) == 1


def test_trim_exits_1_when_no_change_reaches_the_limit(
    tmp_path: Path, measured: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = _design_file(tmp_path, target={"error_limit_db": 0.01, "level_tolerance_db": 2.0})
    done = invoke(capsys, "trim", path, "--measured", measured, "--most-changes", "1")
    assert done.code == 1 and "even so" in done.err


@pytest.mark.parametrize("command", ["check", "trim"])
@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("ref,value\nC9,1n\n", "line 2"),
        ("ref,value\nR1,45k\n", "factor of three off"),
        ("value\n1\n", "names the columns"),
    ],
)
def test_bad_values_are_refused_in_one_sentence(
    design_file: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    command: str,
    content: str,
    message: str,
) -> None:
    path = tmp_path / "bad.csv"
    path.write_text(content)
    done = invoke(capsys, command, design_file, "--measured", path)
    assert done.code == 2 and done.out == ""
    assert message in done.err and len(done.err.splitlines()) == 1


@pytest.mark.parametrize("option", ["--meter-resistance", "--meter-capacitance"])
def test_bad_meters_are_refused(
    design_file: Path, measured: Path, capsys: pytest.CaptureFixture[str], option: str
) -> None:
    for text in ("fine", "-1", "100 %"):
        done = invoke(capsys, "check", design_file, "--measured", measured, option, text)
        assert done.code == 2 and len(done.err.splitlines()) == 1
