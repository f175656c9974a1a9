"""What every command prints at common widths of a pseudo-terminal, and piped."""

from __future__ import annotations

import os
import pty
import re
from pathlib import Path

import pytest
import terminal_session

from antecurve.cli.show import show_design
from antecurve.files.design_file import design_json
from antecurve.pipeline import Design
from loaded_process import LoadedProcess
from sentences import MOST_WORDS, whole_sentences, word_count

WIDTHS = (60, 80, 100, 160)
SESSION = "import runpy, sys; del sys.argv[0]; runpy.run_path(sys.argv[0], run_name='__main__')"
SECONDS = re.compile(r"\(\d+\.\d\s+s\)")  # how long a run took is not the same twice
_TABLE_OR_FORMULA = re.compile(r"\S {2}|·|\w = ")
COLOURS = re.compile(r"\x1b\[[0-9;]*m")


@pytest.fixture(scope="module")
def design_file(tmp_path_factory: pytest.TempPathFactory, default_design: Design) -> Path:
    path = tmp_path_factory.mktemp("widths") / "design.json"
    path.write_bytes(design_json(default_design))
    return path


@pytest.fixture(scope="module")
def prints(design_file: Path) -> dict[tuple[int, str], str]:
    """What a pipe (0) and a pseudo-terminal of each width show of each command: one process."""
    ours, theirs = pty.openpty()
    with os.fdopen(theirs, "r+b", buffering=0) as terminal:
        process = LoadedProcess(
            SESSION, terminal_session.__file__, design_file, *WIDTHS, stdin=terminal,
            stdout=terminal, TERM="xterm", NO_COLOR="",
        )  # fmt: skip
    text = b""
    while True:
        try:
            more = os.read(ours, 65536)
        except OSError:  # the other end is closed
            break
        if not more:
            break
        text += more
    os.close(ours)
    _, said = process.communicate(timeout=60)
    assert process.returncode == 0, said
    shown = {}
    for part in text.decode().split(terminal_session.BEGINS)[1:]:
        heading, _, content = part.partition("\n")
        columns, _, command = heading.strip().partition(" ")
        shown[int(columns), command] = content
    return shown


def long_sentences(text: str) -> list[str]:
    """Sentences of what was piped, put together as they are, that have too many words."""
    spoken = (x.strip() for x in text.splitlines() if not _TABLE_OR_FORMULA.search(x.strip()))
    return [s for x in spoken for s in whole_sentences(x) if word_count(s) > MOST_WORDS]


def _words(text: str) -> set[str]:
    return {w for w in SECONDS.sub("", COLOURS.sub("", text)).split() if set(w) != {"─"}}


@pytest.mark.parametrize("command", terminal_session.COMMANDS)
def test_every_word_is_whole_at_any_width(command: str, prints: dict[tuple[int, str], str]) -> None:
    """What is piped, unwrapped, holds every word and number that each terminal shows."""
    text = prints[0, command]
    assert long_sentences(text) == []
    piped = _words(text)
    assert len(piped) > 20
    for columns in WIDTHS:
        shown = prints[columns, command]
        assert _words(shown) == piped
        if columns >= 80:
            lines = COLOURS.sub("", shown).splitlines()
            longest = max((line.rstrip() for line in lines), key=len)
            assert len(longest) <= columns, longest


def test_a_long_sentence_is_noticed() -> None:
    assert long_sentences("One, or " * 12 + "two.\n R1  118 kΩ  " + "and so on " * 20) == [
        "One, or " * 12 + "two"
    ]


def test_a_word_in_two_is_noticed(prints: dict[tuple[int, str], str]) -> None:
    shown = prints[60, "parts DESIGN"]
    number = max((w for w in _words(shown) if w[:1].isdigit()), key=len)
    assert _words(shown.replace(number, f"{number[:1]}\n{number[1:]}")) != _words(shown)


def test_a_whole_design_is_printed_in_whole_words(
    default_design: Design, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    show_design(default_design)
    text = capsys.readouterr().out
    assert long_sentences(text) == []
    whole = _words(text)
    monkeypatch.setenv("COLUMNS", "80")
    show_design(default_design)
    narrow = capsys.readouterr().out
    assert _words(narrow) == whole
    assert max(len(line.rstrip()) for line in narrow.splitlines()) <= 80
