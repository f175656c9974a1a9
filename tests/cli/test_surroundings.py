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
BEGUN = "from antecurve.cli.main import run; print('begun', flush=True); run()"
HANG_S = 120
# Four are both signals at both kinds of moment; 200 are the whole study.
KILLS = int(os.environ.get("ANTECURVE_KILLS", "4"))
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
@pytest.mark.parametrize("arguments", ["curves disc --json", "--help"])
def test_output_that_goes_nowhere_is_named(arguments: str, shell: str, words: str) -> None:
    run = f'"{sys.executable}" -c "{PROGRAM}" {arguments}'
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


@pytest.mark.parametrize("shell", ["2>&-", "2> /dev/full"])
@pytest.mark.parametrize(
    ("arguments", "code"), [("curves disc", 0), ("curves nowhere", 2), ("curves --nothing", 2)]
)
def test_messages_that_go_nowhere_leave_the_exit_code(
    arguments: str, code: int, shell: str
) -> None:
    assert _run(arguments, shell=shell).returncode == code


@pytest.mark.parametrize("home", ["a file", "missing/below", ""])
def test_pictures_need_no_home(tmp_path: Path, design_file: Path, home: str) -> None:
    """A file in the place of a home takes no cache, whoever runs the tests."""
    (tmp_path / "a file").touch()
    folder = tmp_path / "scope"
    done = _run("scope", design_file, "-o", folder, HOME=str(tmp_path / home) if home else "")
    assert (done.returncode, done.stderr) == (0, "")
    assert (folder / "scope.png").is_file()


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "utf-8"])
def test_any_encoding_of_the_streams_will_do(design_file: Path, encoding: str) -> None:
    done = _run("parts", design_file, PYTHONIOENCODING=encoding)
    assert done.returncode == 0
    assert done.stderr == ""
    ohm = "Ω" if encoding == "utf-8" else "ohm"
    assert f"k{ohm}" in done.stdout


@pytest.mark.parametrize("columns", ["0", "", "-5", "wide"])
def test_a_width_that_is_none_is_passed_over(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, columns: str
) -> None:
    monkeypatch.setenv("COLUMNS", columns)
    done = invoke(capsys, "curves", "disc")
    assert (done.code, done.err) == (0, "")
    assert max(len(line) for line in done.out.splitlines()) > 20


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


WAIT_S = 600
STOPPED = {
    "in the command": """
def curve_names(*arguments):
    signal.raise_signal(number)
""",
    "in code made from text, of which the interpreter keeps account": """
def curve_names(*arguments):
    exec("signal.raise_signal(number)")
""",
    "in a destructor, where Python passes exceptions over": f"""
class Stops:
    def __del__(self):
        signal.raise_signal(number)
def curve_names(*arguments):
    Stops()
    time.sleep({WAIT_S})
""",
    "in a library that makes an error of its own of it": """
def curve_names(*arguments):
    try:
        signal.raise_signal(number)
    except BaseException:
        raise RuntimeError("import failed")
""",
}
SIGNALS = {signal.SIGINT: "interrupted", signal.SIGTERM: "terminated"}


def _python(program: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, timeout=HANG_S
    )


@pytest.mark.parametrize("number", SIGNALS, ids=lambda s: s.name)
@pytest.mark.parametrize("moment", STOPPED)
def test_a_signal_at_an_awkward_moment_stops_the_run(
    tmp_path: Path, moment: str, number: signal.Signals
) -> None:
    (tmp_path / "stopped.py").write_text(
        f"import signal, time; number = {int(number)}\n{STOPPED[moment]}\n"
        "import antecurve.curves.catalogue as home; home.catalogue = curve_names\n"
        "from antecurve.cli.main import run; run(['curves'])"
    )
    # As a module: of those that are one the interpreter decides on the exit code at its end.
    done = subprocess.run(
        [sys.executable, "-m", "stopped"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=WAIT_S / 2,  # what it waits for is cut short
    )
    assert done.stderr == f"antecurve: {SIGNALS[number]}; nothing was written\n"
    assert done.returncode == 128 + number


def test_an_interrupt_in_the_parser_is_told() -> None:
    done = _python(
        "import signal, typer.core\n"
        "typer.core.TyperGroup.invoke = lambda *_: signal.raise_signal(signal.SIGINT)\n"
        "from antecurve.cli.main import run; run(['curves'])"
    )
    assert (done.returncode, done.stderr) == (130, "antecurve: interrupted; nothing was written\n")


@pytest.mark.parametrize("number", SIGNALS, ids=lambda s: s.name)
def test_a_signal_while_the_interpreter_ends_changes_nothing(number: signal.Signals) -> None:
    done = _python(
        "import atexit, os, signal\n"
        # Callbacks run last in, first out: this one after those of the command line.
        f"atexit.register(os.kill, os.getpid(), {int(number)})\n"
        "from antecurve.cli.main import run; run(['curves', 'disc'])"
    )
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize("number", SIGNALS, ids=lambda s: s.name)
def test_a_signal_while_waiting_for_another_writer_leaves_no_folders(
    tmp_path: Path, number: signal.Signals
) -> None:
    done = _python(
        "import signal, antecurve.files.locking as locking\n"
        f"locking._locked = lambda *_: signal.raise_signal({int(number)})\n"
        f"from antecurve.cli.main import run; run(['job', '-o', {str(tmp_path / 'a/b/c.toml')!r}])"
    )
    assert done.returncode == 128 + number
    assert not list(tmp_path.iterdir())


def _begun_design(folder: Path) -> subprocess.Popen[str]:
    """A design into a folder that exists, from the moment that the command line is loaded."""
    job = folder.with_suffix(".toml")
    job.write_text(JOB)
    folder.mkdir()
    run = subprocess.Popen(
        [sys.executable, "-c", BEGUN, "design", str(job), "-o", str(folder), "--force"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert run.stdout is not None
    assert run.stdout.readline() == "begun\n"
    return run


@pytest.fixture(scope="module")
def design_seconds(tmp_path_factory: pytest.TempPathFactory) -> float:
    """How long a design takes, here and now."""
    run = _begun_design(tmp_path_factory.mktemp("whole") / "out")
    started = time.monotonic()
    run.communicate(timeout=HANG_S)
    return time.monotonic() - started


@pytest.mark.parametrize("turn", range(KILLS))
def test_a_run_stopped_at_any_moment_wrote_nothing_or_everything(
    tmp_path: Path, turn: int, design_seconds: float
) -> None:
    """Signals while files are written, and at any moment from the start to past the end."""
    rng = random.Random(turn)
    how = (signal.SIGINT, signal.SIGTERM)[turn % 2]
    folder = tmp_path / "out"
    run = _begun_design(folder)
    end = time.monotonic() + (HANG_S if turn % 3 == 0 else rng.uniform(0.0, 1.2) * design_seconds)
    while run.poll() is None and time.monotonic() < end:
        if turn % 3 == 0 and os.listdir(folder):  # it writes
            time.sleep(rng.uniform(0.0, 0.003))
            break
        # Files take milliseconds to write; any other moment is as good as the next.
        time.sleep(0.0002 if turn % 3 == 0 else 0.01)
    run.send_signal(how)
    out, said = run.communicate(timeout=HANG_S)
    names = set(os.listdir(folder))
    assert "Traceback" not in said
    assert not [name for name in names if name.startswith(".")]
    if run.returncode == 0:
        assert names == {
            "board.svg",
            "design.json",
            "network.cir",
            "parts.csv",
            "report.html",
            "response.csv",
        }
        assert "Written to" in out
        assert said == ""
    else:
        assert run.returncode == 128 + how
        assert not names
        assert said == f"antecurve: {SIGNALS[how]}; nothing was written\n"


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
