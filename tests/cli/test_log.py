"""The log on the command line: what judge writes there, and what is asked of it."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import pytest
from commands import invoke

from antecurve.files.design_file import design_json
from antecurve.log.bench_log import open_log
from antecurve.log.listing import list_verdicts, verdict_text
from antecurve.pipeline import Design
from logged_units import LOW_TREBLE, small_log, verdict_content

DATA = Path(__file__).parents[2] / "data"
SQUARE = str(DATA / "unit-b-200hz.csv")


@pytest.fixture(scope="module")
def units(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Only read."""
    return small_log(tmp_path_factory.mktemp("bench")).folder


@pytest.fixture(scope="module")
def design(tmp_path_factory: pytest.TempPathFactory, default_design: Design) -> Path:
    path = tmp_path_factory.mktemp("design") / "design.json"
    path.write_bytes(design_json(default_design))
    return path


def test_judge_logs_what_it_writes(
    design: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bench = tmp_path / "bench"
    done = invoke(
        capsys, "judge", SQUARE, "--other-channel", SQUARE, "--design", str(design),
        "--serial", "B", "--date", "2026-05-04", "--operator", "Ida", "--network-serial", "N1",
        "--log", str(bench), "-o", str(bench / "b"), "--json",
    )  # fmt: skip
    assert done.code == 1
    assert done.err.endswith("Logged as verdict 1 on unit B.\nLogged as verdict 2 on unit B.\n")
    assert json.loads(done.out)["serial"] == "B"
    log = open_log(bench)
    assert verdict_text(log, 1) == (bench / "b" / "verdict.json").read_bytes()
    assert verdict_text(log, 2) == (bench / "b" / "verdict-other.json").read_bytes()
    other, verdict = list_verdicts(log).verdicts
    content = json.loads(verdict_text(log, 1))
    assert [c.sha256 for c in verdict.captures] == [c["sha256"] for c in content["captures"]]
    assert [v.reports[0].path for v in (verdict, other)] == [
        "b/test-report.html", "b/test-report-other.html",
    ]  # fmt: skip
    assert (verdict.operator, verdict.network_serial, verdict.date) == ("Ida", "N1", "2026-05-04")
    assert (verdict.channel, other.channel) == ("first", "other")
    assert verdict.decision == content["verdict"] == "fail"
    printed = json.loads(invoke(capsys, "log", str(bench / "log.sqlite"), "--json").out)
    assert printed["format"] == "antecurve-log-1"
    assert [v["number"] for v in printed["units"][0]["verdicts"]] == [2, 1]


def test_judge_logs_a_batch_by_the_names_of_its_files(
    design: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    batch = tmp_path / "batch"
    batch.mkdir()
    (batch / "B7.csv").write_bytes(Path(SQUARE).read_bytes())
    (batch / "broken.csv").write_text("nothing\n")
    command = ("judge", str(batch), "--design", str(design), "--workers", "1", "--log")
    assert invoke(capsys, *command, str(tmp_path / "bench")).code == 1
    (verdict,) = list_verdicts(open_log(tmp_path / "bench")).verdicts
    assert (verdict.serial, verdict.captures[0].name) == ("B7", "B7.csv")


def test_nothing_is_judged_where_the_log_would_refuse_it(
    design: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    command = ("judge", SQUARE, "--design", str(design), "--log")
    nameless = invoke(capsys, *command, str(tmp_path / "bench"))
    assert nameless.code == 2 and "name the unit" in nameless.err
    (tmp_path / "log.sqlite").write_bytes(b"no log")
    damaged = invoke(capsys, *command, str(tmp_path), "--serial", "B", "-o", str(tmp_path / "b"))
    assert damaged.code == 2 and "no log, or a damaged one" in damaged.err
    assert damaged.err.count("\n") == 1
    assert [p.name for p in tmp_path.iterdir()] == ["log.sqlite"]


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ((), "Ω 12   undecided"),
        (("--most", "1"), "1 of 2 units; --most 0 lists all."),
        (("--search", "zzz"), "No unit in the log matches."),
        (("--unit", "A-7"), "Unit A-7: 2 verdicts, 0 repairs."),
        (("--show", "1"), f"- {LOW_TREBLE}"),
        (("--findings",), "Treble time constant …, … low"),
        (
            ("--outcomes", "year"),
            "50 %     7 % to 93 %",
        ),
        (
            ("--chart", "treble"),
            "Treble: mean 72 µs, control limits 60 µs and 84 µs. 0 values of 4 outside.",
        ),
        (("--builds",), "serial number"),
        (("--deleted",), "number   unit"),
    ],
)
def test_views_say_what_the_log_has(
    units: Path, options: tuple[str, ...], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    done = invoke(capsys, "log", str(units), *options)
    assert done.code == 0 and said in done.out
    printed = json.loads(invoke(capsys, "log", str(units), *options, "--json").out)
    assert isinstance(printed, dict)


def test_show_prints_the_very_verdict(units: Path, capsys: pytest.CaptureFixture[str]) -> None:
    done = invoke(capsys, "log", str(units), "--show", "1", "--json")
    assert json.loads(done.out) == json.loads(verdict_content())


def test_what_is_asked_for_is_written(
    units: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for options, name in (
        ((), "units.csv"),
        ((), "units.xlsx"),
        (("--chart", "treble"), "treble.svg"),
        (("--chart", "treble"), "treble.csv"),
        (("--findings",), "findings.xlsx"),
        (("--show", "1"), "verdict.json"),
    ):
        done = invoke(capsys, "log", str(units), *options, "-o", str(tmp_path / name))
        assert (done.code, done.out) == (0, f"Wrote {tmp_path / name}\n")
    rows = list(csv.DictReader(io.StringIO((tmp_path / "units.csv").read_text("utf-8"))))
    assert [row["serial"] for row in rows] == ["Ω 12", "Ω 12", "A-7", "A-7"]
    assert (tmp_path / "verdict.json").read_bytes() == verdict_content()
    assert "control limits" in (tmp_path / "treble.svg").read_text("utf-8")
    assert invoke(capsys, "log", str(units), "-o", str(tmp_path / "units.csv")).code == 2


def test_repairs_deletions_and_backups(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    bench = str(small_log(tmp_path / "bench").folder)
    repair = ("--unit", "A-7", "--repaired", "C1 replaced", "--date", "2026-05-06")
    assert invoke(capsys, "log", bench, *repair).out == "Logged a repair of unit A-7.\n"
    history = invoke(capsys, "log", bench, "--unit", "A-7").out
    assert "Before: fail (verdict 1). After: pass (verdict 2)." in history
    assert invoke(capsys, "log", bench, "--backup", str(tmp_path / "copy.sqlite")).code == 0
    for answer, code, said in (
        ("no\n", 1, "Nothing was deleted."),
        ("", 2, ""),
        ("yes\n", 0, "Deleted verdict 3 on unit Ω 12."),
    ):
        monkeypatch.setattr("sys.stdin", io.StringIO(answer))
        done = invoke(capsys, "log", bench, "--delete", "3")
        assert (done.code, done.out.strip()) == (code, said)
    assert invoke(capsys, "log", bench, "--delete", "4", "--yes").code == 0
    assert "Ω 12" not in invoke(capsys, "log", bench).out
    assert "Ω 12" in invoke(capsys, "log", str(tmp_path / "copy.sqlite")).out


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--show", "1", "--findings"), "--show and --findings'; ask for one of these at a time"),
        (("--repaired", "cleaned"), "name the unit with --unit"),
        (("--unit", "Z"), "the log has no such unit"),
        (("--show", "99"), "name one that the log has"),
        (("--chart", "bass"), "the log has: high_corner_hz, treble_s"),
        (("--outcomes", "week"), "it must be day, month, year"),
        (("--verdict", "good"), "it must be pass or fail or undecided"),
        (("-o", "units.pdf"), "its name must end in .csv or .xlsx"),
    ],
)
def test_what_cannot_be_shown_is_refused_in_one_sentence(
    units: Path, options: tuple[str, ...], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    done = invoke(capsys, "log", str(units), *options)
    assert done.code == 2 and said in done.err and done.err.count("\n") == 1 and not done.out
