"""The README shows what the commands print: each of its outputs is compared with a real run."""

from __future__ import annotations

import re
import shlex
import shutil
from pathlib import Path

import pytest
from commands import invoke

from antecurve.cli.main import command_line

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
BLOCKS = re.findall(r"```text\n\$ antecurve (.*?)\n(.*?)\n```", README, flags=re.S)
SECONDS = re.compile(r"\(\d+\.\d s\)")


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("bench")
    shutil.copytree(ROOT / "data", folder / "data")
    return folder


def test_every_command_is_named_by_its_task() -> None:
    named = set(re.findall(r"^\| `antecurve (\w+)", README, flags=re.M))
    assert named == {command.name for command in command_line().registered_commands}
    assert BLOCKS[0][0].startswith("design data/bench.toml -o bench-network")
    assert {"design", "judge"} <= {command.split()[0] for command, _ in BLOCKS}


def test_the_page_of_help_says_what_the_commands_say_of_themselves() -> None:
    """It is shown without loading them, so that both texts stand in the source."""
    listed = {c.name: c.help for c in command_line([]).registered_commands}
    commands = command_line().registered_commands
    own = {c.name: (c.callback.__doc__ or "").partition("\n")[0] for c in commands if c.callback}
    assert listed == own


def test_the_readme_is_short() -> None:
    assert len(README.splitlines()) < 250


@pytest.mark.parametrize(("command", "text"), BLOCKS, ids=[c.split()[0] for c, _ in BLOCKS])
def test_output_shown_is_what_the_command_prints(
    command: str,
    text: str,
    bench: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(bench)
    monkeypatch.setenv("NO_COLOR", "1")
    if "bench-network/" in command and not Path("bench-network").exists():
        invoke(capsys, "design", "data/bench.toml", "-o", "bench-network")
    elif Path("bench-network").exists() and command.startswith("design"):
        shutil.rmtree("bench-network")
    done = invoke(capsys, *shlex.split(command))
    assert done.code in (0, 1), done.err
    printed = iter(SECONDS.sub("(a while)", line.rstrip()) for line in done.out.splitlines())
    for line in text.splitlines():
        if line != "...":
            # Lines are cut at 150 characters, and blank ones and rules left out.
            wanted = SECONDS.sub("(a while)", line)
            assert any(other.startswith(wanted) for other in printed), line
