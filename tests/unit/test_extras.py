"""What an extra of the installation brings is asked for in a sentence where it is missing."""

from __future__ import annotations

import sys
import tomllib
from pathlib import Path

import pytest
from commands import invoke

import antecurve
from antecurve.errors import MissingExtraError
from antecurve.extras import _EXTRAS, require_extra
from antecurve.files.design_file import design_json
from antecurve.pipeline import Design

PROJECT = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text("utf-8"))


@pytest.fixture
def core_installation(monkeypatch: pytest.MonkeyPatch) -> None:
    """An installation without any extra: the import system refuses what is `None` there."""
    for module, _ in _EXTRAS.values():
        for name in {module, module.partition(".")[0]}:
            monkeypatch.setitem(sys.modules, name, None)


def test_the_extras_are_those_of_the_project() -> None:
    extras = PROJECT["project"]["optional-dependencies"]
    assert set(_EXTRAS) == set(extras) - {"test", "fast"}  # the latter nothing asks for
    for extra, (module, _) in _EXTRAS.items():
        assert extras[extra][0].startswith(module.partition(".")[0])
        require_extra(extra)


@pytest.mark.usefixtures("core_installation")
@pytest.mark.parametrize(
    ("extra", "arguments"),
    [
        ("xlsx", ("parts", "design.json", "-o", "parts.xlsx")),
        ("plots", ("design", "-o", "network", "--plots")),
        ("plots", ("scope", "design.json", "-o", "scope")),
        ("sound", ("judge", "unit.wav", "--design", "design.json", "--stimulus", "1")),
    ],
)
def test_a_missing_extra_is_asked_for_and_nothing_is_written(
    extra: str,
    arguments: tuple[str, ...],
    default_design: Design,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("design.json").write_bytes(design_json(default_design))
    Path("unit.wav").write_bytes(b"RIFF")
    done = invoke(capsys, *arguments)
    assert done.code == 2
    assert done.err.endswith(f" need another package: pip install 'antecurve[{extra}]'\n")
    assert done.err.count("\n") == 1
    assert {p.name for p in tmp_path.iterdir()} == {"design.json", "unit.wav"}


@pytest.mark.usefixtures("core_installation")
def test_figures_are_asked_for_in_python_too(default_design: Design) -> None:
    with pytest.raises(MissingExtraError, match=r"antecurve\[plots\]"):
        default_design.plot()
    with pytest.raises(ImportError):
        antecurve.spread(default_design, builds=100).plot()
