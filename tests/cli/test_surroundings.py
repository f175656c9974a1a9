"""Streams, signals, endless input and faults: a sentence, and an exit code that says no verdict.

The codes 70 and 74 are those of ``sysexits.h``; 130 and 143 are 128 and the signal's number, as
POSIX shells report them.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
from commands import invoke

from antecurve.cli import main
from antecurve.files.design_file import design_json
from antecurve.pipeline import Design

PROGRAM = "from antecurve.cli.main import run; run()"
HANG_S = 120
KILLS = int(os.environ.get("ANTECURVE_KILLS", "6"))  # 200 for the whole study
JOB = """
[curve]
name = "disc"
ultrasonic_poles = ["50 kHz"]
[network]
forms = ["foster-1"]
[resistors]
series = "E24"
[capacitors]
parts_per_position = 1
[spread]
builds = 100
"""


def _run(
    *arguments: object, shell: str = "", **environment: str
) -> subprocess.CompletedProcess[str]:
    command = " ".join([f'"{sys.executable}" -c "{PROGRAM}"', *map(str, arguments), shell])
    return subprocess.run(
        ["bash", "-c", command],
        capture_output=True,
        text=True,
        errors="surrogateescape",
        timeout=HANG_S,
        env={**os.environ, "NO_COLOR": "1", **environment},
    )


@pytest.fixture
def design_file(tmp_path: Path, default_design: Design) -> Path:
    path = tmp_path / "design.json"
    path.write_bytes(design_json(default_design))
    return path


@pytest.mark.parametrize(
    "arguments",
    [("parts", "/dev/zero"), ("design", "/dev/zero"), ("parts", "/dev/urandom")],
    ids=" ".join,
)
@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="the system has no endless files")
def test_input_without_end_ends_in_a_sentence(
    capsys: pytest.CaptureFixture[str], arguments: tuple[str, ...]
) -> None:
    done = invoke(capsys, *arguments)
    assert done.code == 2
    assert "such files are read up to" in done.err
    assert done.err.count("\n") == 1


def test_standard_input_and_pipes_are_files_like_others(tmp_path: Path, design_file: Path) -> None:
    plain = _run("parts", design_file)
    assert plain.returncode == 0
    for name in ("-", "/dev/stdin"):
        assert _run("parts", name, shell=f"< {design_file}").stdout == plain.stdout
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    writer = threading.Thread(target=lambda: pipe.write_bytes(design_file.read_bytes()))
    writer.start()
    assert _run("parts", pipe).stdout == plain.stdout
    writer.join(HANG_S)


@pytest.mark.parametrize(
    ("shell", "words"),
    [(">&-", "it is closed"), ("> /dev/full", "No space left"), ("| true", "Broken pipe")],
)
def test_output_that_goes_nowhere_is_named(shell: str, words: str) -> None:
    run = f'"{sys.executable}" -c "{PROGRAM}" curves disc --json'
    done = subprocess.run(
        ["bash", "-c", f"set -o pipefail; {run} {shell}"],
        capture_output=True,
        text=True,
        timeout=HANG_S,
    )
    assert done.returncode == 74
    assert words in done.stderr
    assert done.stderr.startswith("antecurve: standard output: ")
    assert done.stderr.count("\n") == 1


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "utf-8"])
def test_any_encoding_of_the_streams_will_do(design_file: Path, encoding: str) -> None:
    done = _run("parts", design_file, PYTHONIOENCODING=encoding)
    assert done.returncode == 0
    assert done.stderr == ""
    ohm = "Ω" if encoding == "utf-8" else "ohm"
    assert f"k{ohm}" in done.stdout


@pytest.mark.parametrize("columns", ["0", "", "-5", "wide"])
def test_a_width_that_is_none_is_passed_over(columns: str) -> None:
    done = _run("curves", "disc", COLUMNS=columns)
    assert done.returncode == 0
    assert done.stderr == ""
    assert max(len(line) for line in done.stdout.splitlines()) > 20


def test_a_fault_of_ours_is_not_a_verdict(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def broken(*arguments: object) -> None:
        raise AttributeError("no attribute 'taps'")

    monkeypatch.setattr("antecurve.curves.catalogue.catalogue", broken)
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    done = invoke(capsys, "curves")
    assert done.code == 70
    assert done.err.startswith("antecurve: this is a fault of antecurve, not of what you gave it")
    assert done.err.count("\n") == 1
    (details,) = tmp_path.glob("antecurve-fault-*.txt")
    assert str(details) in done.err
    assert "no attribute 'taps'" in details.read_text(encoding="utf-8")


def test_a_fault_that_can_not_be_noted_is_told(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def broken(*arguments: object) -> None:
        raise KeyError("taps")

    monkeypatch.setattr("antecurve.curves.catalogue.catalogue", broken)
    monkeypatch.setattr("tempfile.tempdir", "/nowhere at all")
    done = invoke(capsys, "curves")
    assert done.code == 70
    assert "KeyError: 'taps'" in done.err


def test_every_command_is_guarded() -> None:
    assert all(hasattr(c.callback, "__wrapped__") for c in main.command_line().registered_commands)


@pytest.mark.parametrize("turn", range(KILLS))
def test_a_run_stopped_at_any_moment_wrote_nothing_or_everything(tmp_path: Path, turn: int) -> None:
    rng = random.Random(turn)
    how = (signal.SIGINT, signal.SIGTERM)[turn % 2]
    job = tmp_path / "job.toml"
    job.write_text(JOB)
    folder = tmp_path / "out"
    folder.mkdir()
    (folder / "notes.txt").write_text("mine")
    run = subprocess.Popen(
        [sys.executable, "-c", PROGRAM, "design", str(job), "-o", str(folder), "--force"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    if turn % 3 == 0:  # while it writes
        end = time.monotonic() + HANG_S
        while run.poll() is None and time.monotonic() < end and len(os.listdir(folder)) == 1:
            time.sleep(0.0002)
        time.sleep(rng.uniform(0.0, 0.003))
    else:  # from when Python has loaded to when it is done
        time.sleep(rng.uniform(0.5, 6.0))
    run.send_signal(how)
    out, said = run.communicate(timeout=HANG_S)
    names = set(os.listdir(folder))
    assert "Traceback" not in said
    assert not [name for name in names if name.startswith(".")]
    if run.returncode == 0:
        assert names > {"design.json", "network.cir", "parts.csv", "report.html", "response.csv"}
        assert "Written to" in out
    elif run.returncode == -how:  # before the program itself had begun
        assert names == {"notes.txt"}
    else:
        assert run.returncode == 128 + how
        assert names == {"notes.txt"}
        assert "nothing was written" in said


def test_a_command_called_in_a_process_leaves_its_signals_alone(tmp_path: Path) -> None:
    """What the process starts afterwards can still be stopped."""
    job = tmp_path / "job.toml"
    job.write_text(JOB)
    program = (
        "import signal; from antecurve.cli.main import run\n"
        f"try: run(['design', {str(job)!r}, '-o', {str(tmp_path / 'out')!r}])\n"
        "except SystemExit: pass\n"
        "assert signal.SIG_IGN not in map(signal.getsignal, (signal.SIGINT, signal.SIGTERM))\n"
    )
    subprocess.run([sys.executable, "-c", program], check=True, capture_output=True)
    assert (tmp_path / "out" / "report.html").is_file()
