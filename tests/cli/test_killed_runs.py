"""Runs that are killed, and runs at the same time into one place, leave whole files of one run."""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import time
from pathlib import Path

import pytest

from antecurve.errors import OutputExistsError
from antecurve.files.output_folder import write_file, write_folder
from loaded_process import LoadedProcess

HANG_S = 120
JOB = """
[curve]
name = "disc"
ultrasonic_poles = ["50 kHz"]
[source]
resistance = "{source} ohm"
[network]
forms = ["foster-1"]
[resistors]
series = "E24"
[capacitors]
parts_per_position = 1
[spread]
builds = 100
[pick]
budget_seconds = 0.2
"""
PROGRAM = "from antecurve.cli.main import run; run()"
FILES = {"board.svg", "design.json", "network.cir", "parts.csv", "report.html", "response.csv"}
WRITER = """
import itertools, sys
from antecurve.files.output_folder import write_file, write_folder
place, kind, mark = sys.argv[1:]
for turn in itertools.count():
    text = f"{mark} {turn} ".encode() * 20000
    if kind == "folder":
        write_folder(place, {f"{name}.txt": text for name in "abcdef"}, force=True)
    else:
        write_file(place, text, force=True)
    if turn == 0:
        print("begun", flush=True)
"""


def _design(job: Path, folder: Path, *more: str) -> LoadedProcess:
    return LoadedProcess(PROGRAM, "design", job, "-o", folder, *more)


def _job(path: Path, source_ohm: int) -> Path:
    path.write_text(JOB.format(source=source_ohm))
    return path


def _source(folder: Path) -> float:
    """The source resistance that every file of a design's folder is for."""
    assert {p.name for p in folder.iterdir()} >= FILES
    design = json.loads((folder / "design.json").read_text())
    source = float(design["job"]["source"]["resistance_ohm"])
    assert f"RSOURCE drive in {source:.1f}" in (folder / "network.cir").read_text()
    assert "</html>" in (folder / "report.html").read_text()
    return source


def _marks(folder: Path) -> set[bytes]:
    """What the files of a folder begin with, each of them whole."""
    marks = set()
    for path in folder.glob("*.txt"):
        content = path.read_bytes()
        mark = b" ".join(content.split(b" ", 2)[:2])
        assert content == (mark + b" ") * 20000
        marks.add(mark)
    return marks


@pytest.mark.parametrize("kind", ["folder", "file"])
@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM, signal.SIGINT])
def test_a_writer_killed_at_any_moment_leaves_whole_files(
    tmp_path: Path, how: signal.Signals, kind: str
) -> None:
    rng = random.Random(int(how))
    output = tmp_path / "out"
    for turn in range(4):
        writer = LoadedProcess(WRITER, output, kind, f"run{turn}")
        assert writer.stdout.readline() == "begun\n"
        time.sleep(rng.uniform(0.0, 0.05))
        writer.send_signal(how)
        writer.communicate(timeout=HANG_S)
        if kind == "folder":
            _marks(output)  # each file is whole
            with pytest.raises(OutputExistsError):  # and the next run completes the set
                write_folder(output, {})
            assert len(list(output.iterdir())) == 6
            assert len(_marks(output)) == 1
        else:
            mark = b" ".join(output.read_bytes().split(b" ", 2)[:2])
            assert output.read_bytes() == (mark + b" ") * 20000
        # What a killed run leaves beside the place does not pile up.
        assert len(list(tmp_path.iterdir())) <= 2
    if kind == "folder":
        write_folder(output, {"a.txt": b"last"}, force=True)
        assert len(list(output.iterdir())) == 6
    else:
        write_file(output, b"last", force=True)
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


@pytest.fixture(scope="module")
def old_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("old")
    run = _design(_job(folder / "one.toml", 100), folder / "out")
    run.communicate(timeout=HANG_S)
    assert run.returncode == 0
    return folder / "out"


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM, signal.SIGINT])
def test_a_design_killed_while_it_writes_leaves_the_old_folder_whole(
    tmp_path: Path, old_folder: Path, how: signal.Signals
) -> None:
    folder = tmp_path / "out"
    shutil.copytree(old_folder, folder)
    (folder / "notes.txt").write_text("mine")
    run = _design(_job(tmp_path / "two.toml", 300), folder, "--force")
    end = time.monotonic() + HANG_S
    while run.poll() is None and time.monotonic() < end:
        if any(".antecurve-" in name for name in os.listdir(folder)):
            break
        time.sleep(0.0002)
    time.sleep(random.Random(int(how)).uniform(0.0, 0.002))
    run.send_signal(how)
    _, said = run.communicate(timeout=HANG_S)
    assert "Traceback" not in said
    if how is not signal.SIGKILL:
        # Nothing written, or everything; and the message says which.
        assert run.returncode in (0, 128 + how)
        assert _source(folder) == (300.0 if run.returncode == 0 else 100.0)
        assert ("nothing was written" in said) == (run.returncode != 0)
        assert not any(name.startswith(".") for name in os.listdir(folder))
    with pytest.raises(OutputExistsError):
        write_folder(folder, {})
    assert _source(folder) in (100.0, 300.0)
    assert (folder / "notes.txt").read_text() == "mine"
    write_folder(folder, {"more.txt": b"more"}, force=True)
    assert {p.name for p in tmp_path.iterdir()} == {"out", "two.toml"}


@pytest.mark.parametrize(
    ("before", "more"),
    [("old", ("--force",)), ("old", ()), ("nothing", ())],
)
def test_designs_at_the_same_time_into_one_folder_do_not_mix(
    tmp_path: Path, before: str, more: tuple[str, ...]
) -> None:
    folder = tmp_path / "out"
    if before == "old":
        folder.mkdir()
        (folder / "notes.txt").write_text("mine")
    sources = (100, 300)
    runs = [_design(_job(tmp_path / f"{s}.toml", s), folder, *more) for s in sources]
    said = [run.communicate(timeout=HANG_S)[1] for run in runs]
    codes = [run.returncode for run in runs]
    for code, text in zip(codes, said, strict=True):
        assert code in (0, 2)
        if code == 2:
            assert text.startswith("antecurve: ")
            assert "exists already" in text
            assert text.count("\n") == 1
    if more:
        assert codes == [0, 0]
    elif before == "old":
        assert codes == [2, 2]
        assert [p.name for p in folder.iterdir()] == ["notes.txt"]
    else:
        assert sorted(codes) == [0, 2]
        assert _source(folder) == sources[codes.index(0)]
    if more:
        assert _source(folder) in sources
        if before == "old":
            assert (folder / "notes.txt").read_text() == "mine"
    assert not [p for p in tmp_path.iterdir() if ".antecurve-" in p.name]


@pytest.mark.parametrize("kind", ["folder", "file"])
def test_many_writers_at_once_leave_the_files_of_one(tmp_path: Path, kind: str) -> None:
    output = tmp_path / "out"
    writers = [LoadedProcess(WRITER, output, kind, f"run{k}") for k in range(4)]
    for writer in writers:
        assert writer.stdout.readline() == "begun\n"
    time.sleep(0.3)
    for writer in writers:
        writer.send_signal(signal.SIGKILL)
        writer.communicate(timeout=HANG_S)
    if kind == "folder":
        with pytest.raises(OutputExistsError):
            write_folder(output, {})
        assert len(_marks(output)) == 1
    else:
        content = output.read_bytes()
        assert content == (b" ".join(content.split(b" ", 2)[:2]) + b" ") * 20000


@pytest.mark.parametrize("command", [("job",), ("parts", "design.json")])
def test_files_written_at_the_same_time_without_force_have_one_winner(
    tmp_path: Path, command: tuple[str, ...], request: pytest.FixtureRequest
) -> None:
    if "design.json" in command:
        from antecurve.files.design_file import design_json

        design = request.getfixturevalue("default_design")
        (tmp_path / "design.json").write_bytes(design_json(design))
        command = ("parts", str(tmp_path / "design.json"))
    target = tmp_path / "made.csv"
    runs = [LoadedProcess(PROGRAM, *command, "-o", target) for _ in range(3)]
    said = [run.communicate(timeout=HANG_S)[1] for run in runs]
    assert sorted(run.returncode for run in runs) == [0, 2, 2]
    for run, text in zip(runs, said, strict=True):
        assert (run.returncode == 0) == (text == "")
        assert text.count("\n") <= 1
    assert target.stat().st_size > 100
