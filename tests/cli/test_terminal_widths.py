"""What every command prints at common widths, on a pseudo-terminal and piped."""

from __future__ import annotations

import importlib
import os
import pty
import re
import subprocess
import sys
from pathlib import Path

import pytest

from antecurve.cli.main import run
from antecurve.cli.show import show_design
from antecurve.files.design_file import design_json
from antecurve.pipeline import Design

DATA = Path(__file__).parents[2] / "data"
SECONDS = re.compile(r"\(\d+\.\d\s+s\)")  # how long a run took is not the same twice
COMMANDS = (
    "sheet DESIGN", "parts DESIGN", "loading DESIGN", "scope DESIGN", "curves", "curves disc",
    "formulas --design DESIGN", "check DESIGN",
    "calibrate DESIGN --sweep DATA/build-1-sweep.csv",
)  # fmt: skip


@pytest.fixture(scope="module")
def design_file(tmp_path_factory: pytest.TempPathFactory, default_design: Design) -> Path:
    path = tmp_path_factory.mktemp("widths") / "design.json"
    path.write_bytes(design_json(default_design))
    return path


def _printed(command: str, design_file: Path, capsys: pytest.CaptureFixture[str]) -> str:
    words = [
        word.replace("DESIGN", str(design_file)).replace("DATA", str(DATA))
        for word in command.split()
    ]
    capsys.readouterr()
    try:
        run(words)
    except SystemExit as ended:
        assert ended.code in (0, None, 1)
    return capsys.readouterr().out


@pytest.mark.parametrize("command", COMMANDS)
def test_every_word_is_whole_at_any_width(
    command: str,
    design_file: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    _whole_at_any_width(command, design_file, capsys, monkeypatch)


def test_every_word_of_a_diagnosis_is_whole_at_any_width(
    design_file: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    # Four prints of one diagnosis.
    results: dict[str, object] = {}

    def once(module: str, name: str) -> None:
        compute = getattr(importlib.import_module(module), name)
        monkeypatch.setattr(
            f"{module}.{name}",
            lambda *a, **k: results.get(name) or results.setdefault(name, compute(*a, **k)),
        )

    once("antecurve.diagnose.diagnosis", "diagnose_unit")
    once("antecurve.judge.verdicts", "judge_unit")
    command = "diagnose DATA/unit-b-200hz.csv --design DESIGN --unit DATA/unit-b.toml"
    _whole_at_any_width(command, design_file, capsys, monkeypatch)


def _whole_at_any_width(
    command: str,
    design_file: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """What is printed in full, unwrapped, holds every word and number that narrower prints hold."""
    monkeypatch.delenv("COLUMNS", raising=False)
    whole = {*SECONDS.sub("", _printed(command, design_file, capsys)).split()} - {"─"}
    for columns in (60, 80, 100, 160):
        monkeypatch.setenv("COLUMNS", str(columns))
        narrow = _printed(command, design_file, capsys)
        assert {w for w in SECONDS.sub("", narrow).split() if set(w) != {"─"}} == {
            w for w in whole if set(w) != {"─"}
        }
        if columns >= 80:
            longest = max((line.rstrip() for line in narrow.splitlines()), key=len)
            assert len(longest) <= columns, longest


def test_a_whole_design_is_printed_in_whole_words(
    default_design: Design, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    show_design(default_design)
    whole = {w for w in capsys.readouterr().out.split() if set(w) != {"─"}}
    monkeypatch.setenv("COLUMNS", "80")
    show_design(default_design)
    narrow = capsys.readouterr().out
    assert {w for w in narrow.split() if set(w) != {"─"}} == whole
    assert max(len(line.rstrip()) for line in narrow.splitlines()) <= 80


def test_a_terminal_is_measured(design_file: Path) -> None:
    """A pseudo-terminal of 80 columns, as the operating system tells it."""
    import fcntl
    import struct
    import termios

    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
    environment = {k: v for k, v in os.environ.items() if k != "COLUMNS"} | {"TERM": "xterm"}
    with subprocess.Popen(
        [sys.executable, "-m", "antecurve", "parts", str(design_file)],
        stdin=theirs, stdout=theirs, stderr=subprocess.DEVNULL, env=environment,
    ) as process:  # fmt: skip
        os.close(theirs)
        text = b""
        while True:
            try:
                more = os.read(ours, 65536)
            except OSError:  # the other end is closed
                break
            if not more:
                break
            text += more
        process.wait(60)
    os.close(ours)
    lines = re.sub(r"\x1b\[[0-9;]*m", "", text.decode()).splitlines()
    assert lines
    assert max(len(line.rstrip()) for line in lines) <= 80
