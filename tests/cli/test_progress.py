"""Progress of long work: a bar on stderr when that is a terminal, not a byte otherwise."""

from __future__ import annotations

import io
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from antecurve.cli.main import run
from antecurve.files.design_file import design_json
from antecurve.pipeline import Design

DATA = Path(__file__).parents[2] / "data"
SMALL = '[curve]\nname = "disc"\nultrasonic_poles = ["50 kHz"]\n[spread]\nbuilds = 30000\n'


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.fixture
def shown(monkeypatch: pytest.MonkeyPatch) -> Callable[..., str]:
    """What a command line shows on stderr, a terminal or not."""
    for name in ("NO_COLOR", "FORCE_COLOR", "TTY_COMPATIBLE", "TTY_INTERACTIVE"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("COLUMNS", "200")

    def invoke(*arguments: object, terminal: bool = True) -> str:
        stream = Terminal() if terminal else io.StringIO()
        with monkeypatch.context() as patch, pytest.raises(SystemExit):
            patch.setattr(sys, "stderr", stream)
            run([str(a) for a in arguments])
        return stream.getvalue()

    return invoke


@pytest.fixture
def design_file(tmp_path: Path, default_design: Design) -> Path:
    path = tmp_path / "design.json"
    path.write_bytes(design_json(default_design))
    return path


def test_design_shows_search_and_then_builds(shown: Callable[..., str], tmp_path: Path) -> None:
    job = tmp_path / "job.toml"
    job.write_text(SMALL)
    text = shown("design", job)
    assert "picking parts" in text
    assert "of 30,000" in text
    assert text.index("picking parts") < text.index("of 30,000")
    assert "100%" in text


@pytest.mark.sweep(3)
@pytest.mark.parametrize(
    ("arguments", "title"),
    [
        (("check", "DESIGN"), "builds"),
        (("loading", "DESIGN"), "loads and strays"),
        (("scope", "DESIGN"), "square waves"),
        (("sheet", "DESIGN"), "levels and limits"),
        (("trim", "DESIGN", "--measured", "VALUES"), "trying changes"),
        (("judge", DATA / "unit-a-200hz.csv", "--design", "DESIGN"), "judging the unit"),
        (("calibrate", "DESIGN", "--sweep", DATA / "build-1-sweep.csv"), "fitting the network"),
    ],
    ids=lambda value: str(value[0]) if isinstance(value, tuple) else "",
)
def test_long_work_shows_a_line_on_a_terminal_only(
    shown: Callable[..., str], design_file: Path, arguments: tuple[object, ...], title: str
) -> None:
    values = design_file.with_name("values.csv")
    values.write_text("ref,value\nR1,1000\n")
    names = {"DESIGN": design_file, "VALUES": values}
    filled = [names.get(str(a), a) for a in arguments]
    assert title in shown(*filled)
    assert title not in shown(*filled, terminal=False)
