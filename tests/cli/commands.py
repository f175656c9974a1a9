"""Run a command line in this process and keep what it prints."""

from __future__ import annotations

from dataclasses import dataclass

import pytest

from antecurve.cli.main import run


@dataclass(frozen=True, slots=True)
class Outcome:
    code: int
    out: str
    err: str


def invoke(capsys: pytest.CaptureFixture[str], *arguments: str) -> Outcome:
    capsys.readouterr()
    with pytest.raises(SystemExit) as stopped:
        run([str(a) for a in arguments])
    captured = capsys.readouterr()
    code = stopped.value.code
    return Outcome(code if isinstance(code, int) else 0, captured.out, captured.err)
