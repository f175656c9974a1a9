"""The log of a bench: what is written is found again, whatever happens to the program."""

from __future__ import annotations

import csv
import io
import json
import math
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
from datetime import date, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from openpyxl import load_workbook

from antecurve.errors import FileFormatError, InputError, OutputExistsError
from antecurve.log.backup import back_up
from antecurve.log.bench_log import BenchLog, log_path, open_log
from antecurve.log.builds import list_positions
from antecurve.log.deletion import delete_verdicts, list_tombstones
from antecurve.log.export import verdicts_csv, verdicts_workbook
from antecurve.log.history import log_content, unit_history
from antecurve.log.listing import list_units, list_verdicts, logged_verdict, verdict_text
from antecurve.log.log_filter import LogFilter
from antecurve.log.outcomes import finding_counts, outcome_shares
from antecurve.log.recording import NewVerdict, record_repair, record_verdicts
from antecurve.log.run_chart import control_limits, run_chart
from antecurve.log.schema import VERSION, finding_kind
from antecurve.report.log_tables import comparison_text, run_chart_rows, run_chart_text
from logged_units import DATA, LOW_TREBLE, SOUND, dumped, small_log, verdict_content
from long_form import few


@pytest.fixture(scope="module")
def units(tmp_path_factory: pytest.TempPathFactory) -> BenchLog:
    """Only read."""
    return small_log(tmp_path_factory.mktemp("bench"))


@pytest.fixture
def log(tmp_path: Path) -> BenchLog:
    """To be written."""
    return small_log(tmp_path / "bench")


def test_a_verdict_is_kept_to_the_byte(units: BenchLog) -> None:
    assert verdict_text(units, 1) == verdict_content()
    verdict = logged_verdict(units, 1)
    assert (verdict.serial, verdict.decision, verdict.findings) == ("A-7", "fail", (LOW_TREBLE,))
    assert verdict.fitted[0].value == 61.73e-6
    assert verdict.fitted[1].high == math.inf  # which JSON has as null
    assert verdict.captures[0].sha256 == "fa" * 32
    assert verdict.to_dict()["design"] == {
        "title": "Archive bench, disc", "form": "foster-1", "digest": "06" * 32, "position": "",
        "path": None,
    }  # fmt: skip


def test_networks_builds_and_units_are_kept_once(units: BenchLog) -> None:
    with units.reading() as connection:
        counts = {
            table: connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
            for table in ("networks", "builds", "units", "verdicts")
        }
        measured = connection.execute("SELECT measured FROM builds ORDER BY id").fetchall()
    # One network; its build with measured values and without.
    assert counts == {"networks": 1, "builds": 2, "units": 2, "verdicts": 4}
    assert [json.loads(row[0]) for row in measured] == [{"R1": 383e3, "C1": 8.3e-9}, {}]


@pytest.mark.parametrize(
    ("wanted", "numbers"),
    [
        (LogFilter(), [4, 3, 2, 1]),
        (LogFilter(words="TREBLE low"), [1]),
        (LogFilter(words="ω 12"), [4, 3]),
        (LogFilter(words="ida"), [2]),
        (LogFilter(words="100%"), []),
        (LogFilter(words="_"), []),
        (LogFilter(serial="A-7"), [2, 1]),
        (LogFilter(decision="pass"), [3, 2]),
        (LogFilter(since="2026-05-11", until="2026-05-11"), [2]),
        (LogFilter(since="2026-06"), [4, 3]),
        (LogFilter(until="2026-05"), [2, 1]),
        (LogFilter(finding=finding_kind(LOW_TREBLE)), [1]),
        (LogFilter(title="Archive bench, disc", decision="fail"), [1]),
        (LogFilter(title="Archive bench"), []),
    ],
)
def test_searches_find_what_they_ask_for(
    units: BenchLog, wanted: LogFilter, numbers: list[int]
) -> None:
    listed = list_verdicts(units, wanted)
    assert [v.number for v in listed.verdicts] == numbers
    assert listed.total == len(numbers)
    assert list_units(units, wanted).total == len({v.serial for v in listed.verdicts})


def test_lists_come_in_pieces(units: BenchLog) -> None:
    piece = list_verdicts(units, limit=1, offset=1)
    assert ([v.number for v in piece.verdicts], piece.total) == ([3], 4)
    last, first = list_units(units).units
    assert (last.serial, last.verdicts, last.decision) == ("Ω 12", 2, "undecided")
    assert (first.serial, first.verdicts, first.number, first.decision) == ("A-7", 2, 2, "pass")


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"decision": "good"}, "decision: received 'good'; it must be pass or fail or undecided"),
        ({"since": "4 May"}, "since: received '4 May'; write it as YYYY-MM-DD, YYYY-MM or YYYY"),
        ({"until": "2026-13"}, "until: received '2026-13'; write it as"),
    ],
)
def test_a_filter_refuses_what_it_is_not_about(fields: dict[str, str], said: str) -> None:
    with pytest.raises(InputError) as refused:
        LogFilter(**fields)
    assert str(refused.value).startswith(said)


def test_the_content_has_the_shape_of_its_format(units: BenchLog) -> None:
    content = log_content(units).to_dict()
    assert content["format"] == "antecurve-log-1"
    assert [unit["serial"] for unit in content["units"]] == ["Ω 12", "A-7"]
    verdict = content["units"][1]["verdicts"][1]
    assert (verdict["date"], verdict["verdict"], verdict["deviation_db"]) == (
        "2026-05-04", "fail", 1.4,
    )  # fmt: skip
    assert verdict["captures"] == [{"name": "unit-200hz.csv", "sha256": "fa" * 32, "path": None}]


def test_files_inside_the_folder_move_with_it(tmp_path: Path) -> None:
    bench = tmp_path / "bench"
    log = open_log(bench, make=True)
    (bench / "A-7").mkdir()
    inside, report, outside = bench / "A-7" / "c.csv", bench / "A-7" / "r.html", tmp_path / "o.csv"
    for path in (inside, report, outside):
        path.write_bytes(b"abc")
    captures = [{"name": p.name, "kind": "square", "signal": "square", "sha256": None}
                for p in (inside, outside)]  # fmt: skip
    content = verdict_content(captures=captures)
    record_verdicts(
        log, [NewVerdict(content, "A-7", captures=(inside, outside), reports=(report,))]
    )
    moved = bench.rename(tmp_path / "moved")
    verdict = logged_verdict(open_log(moved), 1)
    assert [capture.path for capture in verdict.captures] == ["A-7/c.csv", None]
    # FIPS 180-4, the example of SHA-256 with one block
    assert verdict.reports[0].sha256 == (
        "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    )
    assert (moved / str(verdict.reports[0].path)).is_file()


def test_a_repair_stands_between_two_verdicts(log: BenchLog) -> None:
    record_repair(log, "A-7", "C1 replaced", date="2026-05-06", operator="Ida")
    history = unit_history(log, "A-7")
    (pair,) = history.comparisons
    assert pair.before is not None and pair.after is not None
    assert (pair.before.number, pair.after.number) == (1, 2)
    treble = pair.constants[0]
    assert (treble.before.name, treble.after.name) == ("treble_s", "treble_s")
    assert (treble.before.value, treble.after.value) == (61.73e-6, 74.9e-6)


def test_a_repair_of_the_same_day_stands_where_it_was_logged(log: BenchLog) -> None:
    record_repair(log, "Ω 12", "regulator replaced", date="2026-06-02")
    content = verdict_content(decision="pass", date="2026-06-02")
    (number,) = record_verdicts(log, [NewVerdict(content, "Ω 12", "right")])
    left, right = unit_history(log, "Ω 12").comparisons
    assert left.before is not None and left.before.number == 3 and left.after is None
    assert right.before is not None and right.after is not None
    assert (right.before.number, right.after.number) == (4, number)
    with pytest.raises(InputError, match="the log has no such unit"):
        record_repair(log, "B", "cleaned")


def test_a_date_with_a_zone_is_of_the_day_at_the_bench(log: BenchLog) -> None:
    stated = verdict_content(date="2026-08-01T00:30+02:00")  # in UTC still July
    before = datetime.now().date()
    _, unstated = record_verdicts(
        log, [NewVerdict(stated, "Z"), NewVerdict(verdict_content(date=None), "Z")]
    )
    assert list_verdicts(log, LogFilter(since="2026-08-01", until="2026-08-01")).total == 1
    recorded = date.fromisoformat(logged_verdict(log, unstated).date)
    assert before <= recorded <= datetime.now().date()


def test_control_limits_are_those_of_the_handbook() -> None:
    """NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2, flow rates of ten batches.

    It has centre 50.81 and limits 45.8159 and 55.8041, all with the last digit printed.
    """
    rates = np.array([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    centre, low, high = control_limits(rates)
    assert centre == pytest.approx(50.81, abs=0.005, rel=0)
    assert low == pytest.approx(45.8159, abs=0.00005, rel=0)
    assert high == pytest.approx(55.8041, abs=0.00005, rel=0)


def test_a_run_chart_follows_a_constant(log: BenchLog) -> None:
    steady = [verdict_content(treble_s=(75 + 0.1 * (k % 2)) * 1e-6, date=f"2026-07-{k + 1:02d}")
              for k in range(20)]  # fmt: skip
    record_verdicts(log, [NewVerdict(content, f"S{k}") for k, content in enumerate(steady)])
    chart = run_chart(log, "treble_s", LogFilter(since="2026-05"))
    assert len(chart.values) == 24 and chart.nominal == 75e-6 and chart.unit == "s"
    assert [chart.serials[k] for k in np.flatnonzero(chart.outside)] == ["A-7"]
    assert chart.numbers[int(np.flatnonzero(chart.outside)[0])] == 1
    assert len(chart.to_frame()) == 24
    latest = run_chart(log, "treble_s", limit=20)
    assert (latest.earlier, latest.serials[0], latest.serials[-1]) == (4, "S0", "S19")
    assert not latest.outside.any()
    with pytest.raises(InputError, match="the log has: high_corner_hz, treble_s"):
        run_chart(log, "bass")
    with pytest.raises(InputError, match="tells its value"):
        run_chart(log, "high_corner_hz")


def test_outcomes_and_findings_are_counted(units: BenchLog) -> None:
    may, june = outcome_shares(units).periods
    assert (may.period, may.passed, may.failed, may.undecided) == ("2026-05", 1, 1, 0)
    assert (june.period, june.passed, june.failed, june.undecided) == ("2026-06", 1, 0, 1)
    # Clopper and Pearson of one in two: the quantiles of beta distributions with integers,
    # 1 - sqrt(0.975) and sqrt(0.975).
    assert may.pass_share.low == pytest.approx(1 - math.sqrt(0.975), abs=1e-12)
    assert [p.period for p in outcome_shares(units, period="year").periods] == ["2026"]
    counts = finding_counts(units)
    assert [(f.kind, f.verdicts, f.units) for f in counts.findings] == [
        ("Every time constant agrees with its nominal value", 3, 2),
        ("Treble time constant …, … low", 1, 1),
    ]
    assert counts.findings[1].example == LOW_TREBLE
    assert counts.findings[1].last_date == "2026-05-04"


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("left 1.csv: hum of 50 Hz at 3 ± 1 mV; taken out", "hum of … at … ± …"),
        ("C1 is at 0.8 of its value", "C1 is at … of its value"),
        ("The top rings at 1.2 MHz, a Q of 3. Capture again", "The top rings at …, a Q of …"),
        ("Level −40.5 dB, 3 % off", "Level …, … off"),
    ],
)
def test_findings_that_differ_in_numbers_are_of_one_kind(text: str, kind: str) -> None:
    assert finding_kind(text) == kind


def test_what_is_deleted_leaves_a_tombstone_and_nothing_else(log: BenchLog) -> None:
    secret = "a sentence that stands nowhere else"
    (number,) = record_verdicts(log, [NewVerdict(verdict_content(findings=(secret,)), "B", "left")])
    (stone,) = delete_verdicts(log, [number], reason="wrong unit", who="Ida").deleted
    assert (stone.serial, stone.decision, stone.who) == ("B", "fail", "Ida")
    assert list_tombstones(log).deleted == (stone,)
    assert list_units(log, LogFilter(serial="B")).total == 0
    with pytest.raises(InputError, match="it was deleted on 2"):
        logged_verdict(log, number)
    assert secret.encode() not in log.path.read_bytes()
    # Its number is not used again.
    assert record_verdicts(log, [NewVerdict(verdict_content(), "B")]) == (number + 1,)
    with pytest.raises(InputError, match="name one that the log has"):
        delete_verdicts(log, [1, 99])
    assert logged_verdict(log, 1).serial == "A-7"


def test_a_text_that_is_no_verdict_is_refused_and_none_is_written(log: BenchLog) -> None:
    good = NewVerdict(verdict_content(), "C")
    for entry, said in (
        (NewVerdict(b"{}", "C"), "as judge writes it"),
        (NewVerdict(verdict_content(), " "), "name the unit"),
        (NewVerdict(verdict_content(verdict="perhaps"), "C"), "as judge writes it"),
        (NewVerdict(verdict_content(fitted=[{"name": "x"}]), "C"), "as judge writes it"),
    ):
        with pytest.raises(InputError, match=said):
            record_verdicts(log, [good, entry])
    assert list_units(log).total == 2


def test_exports_hold_what_the_log_holds(units: BenchLog) -> None:
    verdicts = list_verdicts(units).verdicts
    lines = list(csv.reader(io.StringIO(verdicts_csv(verdicts).decode())))
    header = lines[0]
    assert len(lines) == 5 and {"treble_s_value", "high_corner_hz_low"} <= set(header)
    assert lines[4][header.index("treble_s_value")] == repr(61.73e-6)
    book = load_workbook(io.BytesIO(verdicts_workbook(verdicts)))
    assert book.sheetnames == ["verdicts", "findings", "captures"]
    rows = list(book["verdicts"].iter_rows(values_only=True))
    assert rows[0] == tuple(header)
    assert rows[4][header.index("treble_s_value")] == 61.73e-6
    assert [row[2] for row in book["findings"].iter_rows(values_only=True)][1:] == [
        SOUND, SOUND, SOUND, LOW_TREBLE,
    ]  # fmt: skip


def test_a_backup_is_a_log(log: BenchLog, tmp_path: Path) -> None:
    target = tmp_path / "copy.sqlite"
    with log.writing() as connection:  # while another change is not finished
        connection.execute("DELETE FROM findings")
        back_up(log, target)
        connection.execute("ROLLBACK")
        connection.execute("BEGIN")
    assert log_content(open_log(target)) == log_content(log)
    with pytest.raises(OutputExistsError):
        back_up(log, target)
    with pytest.raises(InputError, match="name another file"):
        back_up(log, log.path, force=True)
    back_up(log, target, force=True)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["bench", "copy.sqlite"]


@pytest.mark.parametrize("version", range(1, VERSION))
def test_logs_of_earlier_versions_are_migrated(version: int, tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite"
    connection = sqlite3.connect(path)
    connection.executescript((DATA / f"log-{version}.sql").read_text("utf-8"))
    connection.close()
    migrated, made = open_log(path), small_log(tmp_path / "new")

    def tables(log: BenchLog) -> dict[str, list[str]]:
        with log.reading() as reading:
            names = reading.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")
            return {
                n: [c["name"] for c in reading.execute(f"PRAGMA table_info({n})")] for (n,) in names
            }

    assert tables(migrated) == tables(made)
    contents = [log_content(log).to_dict() for log in (migrated, made)]
    for content in contents:
        for unit in content["units"]:
            for verdict in unit["verdicts"]:
                del verdict["recorded"], verdict["who"]
    assert contents[0] == contents[1]
    assert finding_counts(migrated) == finding_counts(made)
    assert f"user_version = {VERSION};" in dumped(path)


def box_verdict(position: str, **record: Any) -> bytes:
    """A verdict through a box at a position of its switch."""
    made = {"title": f"Archive bench, {position}", "form": "foster-1", "digest": "b0" * 32}
    return verdict_content(design=made | {"position": position}, **record)


def test_positions_of_earlier_logs_are_found_by_the_file_they_share(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite"
    connection = sqlite3.connect(path)
    connection.executescript((DATA / "log-2.sql").read_text("utf-8"))
    networks = [
        ("Tape, bench, flat 2", "b0"), ("Tape, bench, disc", "b0"), ("Alone, disc", "c1"),
        ("Piped, disc", ""), ("Piped, flat", ""),
    ]  # fmt: skip
    connection.executemany(
        "INSERT INTO networks (title, form, digest, recorded, who)"
        " VALUES (?, 'foster-1', ?, '', '')",
        networks,
    )
    connection.commit()
    connection.close()
    log = open_log(path)
    with log.reading() as reading:
        positions = dict(
            reading.execute("SELECT title, position FROM networks WHERE position <> ''")
        )
    assert positions == {"Tape, bench, flat 2": "flat 2", "Tape, bench, disc": "disc"}
    assert list_positions(log) == ("disc", "flat 2")


def test_verdicts_through_a_box_are_told_apart_by_the_position_of_its_switch(
    tmp_path: Path,
) -> None:
    log = small_log(tmp_path)
    assert list_positions(log) == ()
    for content in (
        box_verdict("disc", treble_s=75e-6), box_verdict("disc", treble_s=76e-6),
        box_verdict("older", treble_s=50e-6).replace(b'"nominal": 7.5e-05', b'"nominal": 5e-05'),
    ):  # fmt: skip
        record_verdicts(log, [NewVerdict(content, "Box 1")])
    assert list_positions(log) == ("disc", "older")
    of_disc = list_verdicts(log, LogFilter(position="DISC")).verdicts
    assert [v.position for v in of_disc] == ["disc", "disc"]
    assert of_disc[0].to_dict()["design"]["position"] == "disc"
    assert b",position," in verdicts_csv(of_disc)
    chart = run_chart(log, "treble", LogFilter(position="disc"))
    assert chart.positions == ("disc", "disc") and chart.values.tolist() == [75e-6, 76e-6]
    assert "several curves" not in run_chart_text(chart)
    rows = run_chart_rows(chart)
    assert rows.header[-1] == "position" and [r[-1] for r in rows.rows] == ["disc", "disc"]
    assert "search for one position" in run_chart_text(run_chart(log, "treble"))
    # A position that a later text of the same network does not name stays known.
    unnamed = box_verdict("disc").replace(b'"position": "disc"', b'"position": null')
    record_verdicts(log, [NewVerdict(unnamed, "Box 2")])
    assert list_verdicts(log, LogFilter(serial="Box 2")).verdicts[0].position == "disc"


def test_repairs_compare_verdicts_of_one_position(tmp_path: Path) -> None:
    log = open_log(tmp_path, make=True)
    record_verdicts(log, [NewVerdict(box_verdict("disc"), "Box 1")])
    record_repair(log, "Box 1", "C1 replaced", date="2026-05-05")
    for position in ("older", "disc"):
        passed = box_verdict(position, decision="pass", date="2026-05-06")
        record_verdicts(log, [NewVerdict(passed, "Box 1")])
    disc, older = unit_history(log, "Box 1").comparisons
    assert (disc.before.number, disc.after.number) == (1, 3)
    assert older.before is None and older.after.number == 2
    assert ", position disc: C1 replaced." in comparison_text(disc)


def test_a_migration_that_fails_changes_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "log.sqlite"
    connection = sqlite3.connect(path)
    connection.executescript((DATA / "log-1.sql").read_text("utf-8"))
    connection.close()
    before = dumped(path)

    def fail(text: str) -> str:
        raise ValueError(text)

    with monkeypatch.context() as patched:
        patched.setattr("antecurve.log.schema.finding_kind", fail)
        with pytest.raises(sqlite3.OperationalError):
            open_log(path)
    assert dumped(path) == before
    assert list_units(open_log(path)).total == 2


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (
            lambda path: path.write_bytes(b"not a database at all" * 99),
            "no log, or a damaged one; name a log",
        ),
        (
            lambda path: _overwrite(path, 4096 * 3, b"\xa5" * 8192),
            "it is damaged; restore a backup of it",
        ),
        (
            lambda path: path.write_bytes(path.read_bytes()[: 4096 * 5]),
            "it is damaged; restore a backup of it",
        ),
        (lambda path: _execute(path, "PRAGMA user_version = 99"), "install a newer antecurve"),
        (lambda path: _execute(path, "PRAGMA application_id = 1"), "a database of another program"),
        (lambda path: path.unlink(), "there is no log; judge a unit with --log to begin one"),
    ],
)
def test_what_is_no_log_is_refused_in_one_sentence(log: BenchLog, spoil: object, said: str) -> None:
    spoil(log.path)  # type: ignore[operator]
    before = log.path.read_bytes() if log.path.exists() else b""
    with pytest.raises(FileFormatError) as refused:
        open_log(log.path)
    assert said in str(refused.value) and "\n" not in str(refused.value)
    assert before == (log.path.read_bytes() if log.path.exists() else b"")


def _overwrite(path: Path, start: int, content: bytes) -> None:
    with path.open("r+b") as file:
        file.seek(start)
        file.write(content)


def _execute(path: Path, statement: str) -> None:
    connection = sqlite3.connect(path)
    connection.execute(statement)
    connection.commit()
    connection.close()


def test_a_folder_or_its_file_names_a_log(tmp_path: Path) -> None:
    (tmp_path / "old").write_bytes(b"")
    assert log_path(tmp_path) == tmp_path / "log.sqlite"
    assert log_path(tmp_path / "old") == tmp_path / "old"
    assert log_path(tmp_path / "other.sqlite") == tmp_path / "other.sqlite"
    log = open_log(tmp_path / "made" / "of new", make=True)
    assert list_units(log).total == 0 and log.path.name == "log.sqlite"


READ_ONLY = """
import os, pwd, sys
from antecurve.errors import InputError
from antecurve.log.bench_log import open_log
from antecurve.log.listing import list_units
from antecurve.log.recording import NewVerdict, record_repair
os.setuid(65534)  # whoever that is, not the owner
log = open_log(sys.argv[1])
print(list_units(log).total)
for refused in (lambda: record_repair(log, "A-7", "none"), lambda: open_log(sys.argv[2])):
    try:
        refused()
    except InputError as error:
        print(error)
"""


def test_a_log_in_a_folder_that_may_not_be_written_can_be_read(log: BenchLog) -> None:
    code = READ_ONLY
    if os.geteuid() != 0:
        code = code.replace("os.setuid(65534)", "pass")
    root = Path(tempfile.mkdtemp(dir="/tmp"))  # another user gets as far as there
    clean, unfinished = root / "clean", root / "unfinished"
    shutil.copytree(log.folder, clean)
    # Copied while it was in use, and not completely: the last verdicts stand in a file beside it.
    with log.reading() as connection:
        connection.execute("SELECT count(*) FROM units").fetchone()
        record_verdicts(log, [NewVerdict(verdict_content(), "B")])
        shutil.copytree(log.folder, unfinished, ignore=shutil.ignore_patterns("*-shm"))
    try:
        root.chmod(0o755)
        for folder in (clean, unfinished):
            for path in folder.iterdir():
                path.chmod(0o444)
            folder.chmod(0o555)
        done = subprocess.run(
            [sys.executable, "-c", code, str(clean), str(unfinished)],
            capture_output=True, text=True, check=True,
        )  # fmt: skip
        assert [p.name for p in clean.iterdir()] == ["log.sqlite"]
    finally:
        for folder in (clean, unfinished):
            folder.chmod(0o755)
        shutil.rmtree(root)
    total, written, opened = done.stdout.splitlines()
    assert total == "2"
    assert "allow writing to the file and its folder" in written
    assert "allow reading and writing in its folder" in opened


WRITER = """
import sys
from antecurve.report.log_tables import comparison_text, run_chart_rows, run_chart_text
from logged_units import verdict_content
from antecurve.log.bench_log import open_log
from antecurve.log.recording import NewVerdict, record_verdicts
log = open_log(sys.argv[1], make=True)
for number in range(int(sys.argv[3])):
    serial = f"{sys.argv[2]}-{number}"
    record_verdicts(log, [NewVerdict(verdict_content(), serial)])
    print(serial, flush=True)
"""


def _writer(folder: Path, name: str, count: int) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", WRITER, str(folder), name, str(count)],
        env=os.environ | {"PYTHONPATH": os.pathsep.join(sys.path)},
        stdout=subprocess.PIPE,
        text=True,
    )


@pytest.mark.parametrize("trial", range(few(1, of=200)))
def test_two_write_at_once_and_a_kill_loses_nothing_acknowledged(
    tmp_path: Path, trial: int
) -> None:
    """Both begin the log, too; one of them is killed in the middle of its many verdicts."""
    killed, other = _writer(tmp_path, "killed", 100_000), _writer(tmp_path, "other", 30)
    assert killed.stdout is not None
    acknowledged = [killed.stdout.readline() for _ in range(12 + 5 * trial)]
    killed.send_signal(signal.SIGKILL)
    acknowledged += killed.stdout.readlines()
    killed.stdout.close()
    killed.wait()
    out, _ = other.communicate()
    assert other.returncode == 0
    wanted = {line.strip() for line in acknowledged if line.endswith("\n")} | set(out.split())
    log = open_log(tmp_path)  # which checks that it is whole
    serials = {unit.serial for unit in list_units(log).units}
    assert len(wanted) >= 42 and wanted <= serials
    # At most the one that was being written when the signal came.
    assert len(serials - wanted) <= 1
