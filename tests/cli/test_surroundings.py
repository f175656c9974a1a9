"""Streams, signals, endless input and faults: a sentence, and an exit code that says no verdict.

The codes 70 and 74 are those of ``sysexits.h``; 130 and 143 are 128 and the signal's number, as
POSIX shells report them.
"""

from __future__ import annotations

import os
import random
import re
import signal
import subprocess
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from commands import invoke

from antecurve.cli import main
from antecurve.files.design_file import design_json
from antecurve.pipeline import Design
from loaded_process import LoadedProcess
from long_form import few

PROGRAM = "from antecurve.cli.main import run; run()"
BEGUN = "from antecurve.cli.main import run; print('begun', flush=True); run()"
HANG_S = 120
LONG_DESIGN_S = 2.0  # processor time of a design and of loading what it takes, and some more
# Four are both signals at both kinds of moment; 200 are the whole study.
KILLS = few(4, of=200)
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


@dataclass(frozen=True)
class Ended:
    code: int
    out: str
    err: str


def _run(*words: object, program: str = PROGRAM, **more: Any) -> Ended:
    """Run a command in a process forked from one that has it loaded."""
    process = LoadedProcess(program, *words, **more)
    out, said = process.communicate(HANG_S)
    assert process.returncode is not None
    return Ended(process.returncode, out, said)


def _run_anew(command: str, shell: str = "", **environment: str) -> Ended:
    """Run a command in an interpreter of its own, begun by a shell."""
    run = f'"{sys.executable}" -c "{PROGRAM}" {command} {shell}'
    done = subprocess.run(
        ["bash", "-c", f"set -o pipefail; {run}"],
        capture_output=True,
        text=True,
        timeout=HANG_S,
        env={**os.environ, "NO_COLOR": "1", **environment},
    )
    return Ended(done.returncode, done.stdout, done.stderr)


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


def test_standard_input_and_pipes_are_files_like_others(
    tmp_path: Path, design_file: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plain = invoke(capsys, "parts", str(design_file))
    assert plain.code == 0
    for name in ("-", "/dev/stdin"):
        with design_file.open() as content:
            assert _run("parts", name, stdin=content).out == plain.out
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    writer = threading.Thread(target=lambda: pipe.write_bytes(design_file.read_bytes()))
    writer.start()
    assert invoke(capsys, "parts", str(pipe)).out == plain.out
    writer.join(HANG_S)


def _is_named(done: Ended, words: str) -> bool:
    said = done.err.startswith("antecurve: standard output: ") and words in done.err
    return said and done.code == 74 and done.err.count("\n") == 1


@pytest.mark.parametrize("arguments", ["curves disc --json", "--help"])
def test_output_that_goes_nowhere_is_named(arguments: str) -> None:
    assert _is_named(_run_anew(arguments, shell=">&-"), "it is closed")
    with open("/dev/full", "w") as full:
        assert _is_named(_run(*arguments.split(), stdout=full), "No space left")
    ours, theirs = os.pipe()
    os.close(ours)
    with open(theirs, "w") as pipe:
        assert _is_named(_run(*arguments.split(), stdout=pipe), "Broken pipe")


@pytest.mark.parametrize(
    ("arguments", "code"), [("curves disc", 0), ("curves nowhere", 2), ("curves --nothing", 2)]
)
def test_messages_that_go_nowhere_leave_the_exit_code(arguments: str, code: int) -> None:
    assert _run_anew(arguments, shell="2>&-").code == code
    with open("/dev/full", "w") as full:
        assert _run(*arguments.split(), stderr=full).code == code


@pytest.mark.parametrize("home", ["a file", "missing/below", ""])
def test_pictures_need_no_home(tmp_path: Path, design_file: Path, home: str) -> None:
    """A file in the place of a home takes no cache, whoever runs the tests."""
    (tmp_path / "a file").touch()
    folder = tmp_path / "scope"
    done = _run("scope", design_file, "-o", folder, HOME=str(tmp_path / home) if home else "")
    assert (done.code, done.err) == (0, "")
    assert (folder / "scope.png").is_file()


def _parts_are_printed(done: Ended, ohm: str) -> None:
    assert (done.code, done.err) == (0, "")
    assert f"k{ohm}" in done.out


@pytest.mark.parametrize(
    ("encoding", "ohm"), [("ascii", "ohm"), ("latin-1", "ohm"), ("utf-8", "Ω")]
)
def test_any_encoding_of_the_streams_will_do(design_file: Path, encoding: str, ohm: str) -> None:
    streams = f"sys.stdout.reconfigure(encoding='{encoding}')"
    done = _run("parts", design_file, program=f"import sys; {streams}; {PROGRAM}")
    _parts_are_printed(done, ohm)


def test_the_encoding_that_the_environment_asks_for_will_do(design_file: Path) -> None:
    _parts_are_printed(_run_anew(f"parts {design_file}", PYTHONIOENCODING="ascii"), "ohm")


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


@pytest.mark.sweep(5)
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
    done = _run(
        program="import signal, typer.core\n"
        "typer.core.TyperGroup.invoke = lambda *_: signal.raise_signal(signal.SIGINT)\n"
        "from antecurve.cli.main import run; run(['curves'])"
    )
    assert (done.code, done.err) == (130, "antecurve: interrupted; nothing was written\n")


def test_an_interrupt_while_modules_load_is_told() -> None:
    done = _run(
        program="import signal, sys; sys.modules.pop('antecurve.cli.main', None)\n"
        "class Interrupts:\n"
        "    def find_spec(self, name, *_):\n"
        "        if name == 'antecurve.cli.main':\n"
        "            signal.raise_signal(signal.SIGINT)\n"
        "sys.meta_path.insert(0, Interrupts())\n"
        "from antecurve.__main__ import main; main()"
    )
    assert (done.code, done.err) == (130, "antecurve: interrupted; nothing was written\n")


@pytest.mark.parametrize("number", SIGNALS, ids=lambda s: s.name)
def test_a_signal_while_the_interpreter_ends_changes_nothing(number: signal.Signals) -> None:
    done = _run(
        program="import atexit, os, signal\n"
        # Callbacks run last in, first out: this one after those of the command line.
        f"atexit.register(os.kill, os.getpid(), {int(number)})\n"
        "from antecurve.cli.main import run; run(['curves', 'disc'])"
    )
    assert (done.code, done.err) == (0, "")


def test_a_design_interrupted_while_its_report_is_drawn_is_printed(tmp_path: Path) -> None:
    job = tmp_path / "job.toml"
    job.write_text(JOB)
    done = _run(
        program="import signal, antecurve.report.page as page\n"
        "page.report_page = lambda *_, **__: signal.raise_signal(signal.SIGINT)\n"
        "from antecurve.cli.main import run\n"
        f"run(['design', {str(job)!r}, '-o', {str(tmp_path / 'out')!r}])"
    )
    assert done.code == 130
    assert done.err.endswith("interrupted; nothing was written, what was found is printed\n")
    assert re.search(r"^ R1 .*^ C1 ", done.out, re.MULTILINE | re.DOTALL)
    assert list(tmp_path.iterdir()) == [job]


@pytest.mark.parametrize("number", SIGNALS, ids=lambda s: s.name)
def test_a_signal_while_waiting_for_another_writer_leaves_no_folders(
    tmp_path: Path, number: signal.Signals
) -> None:
    done = _run(
        program="import signal, antecurve.files.locking as locking\n"
        f"locking._locked = lambda *_: signal.raise_signal({int(number)})\n"
        f"from antecurve.cli.main import run; run(['job', '-o', {str(tmp_path / 'a/b/c.toml')!r}])"
    )
    assert done.code == 128 + number
    assert not list(tmp_path.iterdir())


def _processor_seconds(process: int) -> float:
    """What a process has used, as proc(5) counts it."""
    fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _begun_design(folder: Path, *, anew: bool) -> LoadedProcess | subprocess.Popen[str]:
    """A design into a folder that exists, from the moment that the command line is loaded."""
    job = folder.with_suffix(".toml")
    job.write_text(JOB)
    folder.mkdir()
    words = ("design", str(job), "-o", str(folder), "--force")
    run: LoadedProcess | subprocess.Popen[str]
    if anew:
        run = subprocess.Popen(
            [sys.executable, "-c", BEGUN, *words],
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
    else:
        run = LoadedProcess(BEGUN, *words)
    assert run.stdout is not None
    assert run.stdout.readline() == "begun\n"
    return run


@pytest.mark.parametrize("turn", range(KILLS))
def test_a_run_stopped_at_any_moment_wrote_nothing_or_everything(tmp_path: Path, turn: int) -> None:
    """Signals while files are written, and at any moment from the start to past the end."""
    rng = random.Random(turn)
    how = (signal.SIGINT, signal.SIGTERM)[turn % 2]
    folder = tmp_path / "out"
    writing = turn % 3 == 0
    run = _begun_design(folder, anew=not writing)
    moment = _processor_seconds(run.pid) + rng.uniform(0.0, LONG_DESIGN_S)
    end = time.monotonic() + HANG_S
    while run.poll() is None and time.monotonic() < end:
        if writing and os.listdir(folder):
            time.sleep(rng.uniform(0.0, 0.003))
            break
        if not writing and _processor_seconds(run.pid) > moment:
            break
        # Files take milliseconds to write; any other moment is as good as the next.
        time.sleep(0.0002 if writing else 0.01)
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
        printed = ", what was found is printed" if out and how is signal.SIGINT else ""
        assert said == f"antecurve: {SIGNALS[how]}; nothing was written{printed}\n"


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
    assert _run(program=program).code == 0
    assert (tmp_path / "out" / "report.html").is_file()
