"""What the parser refuses is said as any other refusal: one sentence, exit code 2."""

from __future__ import annotations

import pytest
from commands import invoke

REFUSED = {
    "design --foo": "--foo: no option of antecurve design; did you mean --force?",
    "judge": "CAPTURE: missing; name it, as in antecurve judge CAPTURE",
    "judge x.csv": "--design: missing; add --design DESIGN.json",
    "desing": "command: received 'desing'; did you mean design?",
    "check d.json --temperatures": "--temperatures: its value is missing; antecurve check --help",
    "design --all=3": "--all: takes no value; leave it out; antecurve design --help",
    "spread d.json --builds abc": "--builds: received 'abc'; it must be a whole number",
    "spread d.json --builds=abc": "--builds: received 'abc'; it must be a whole number",
    "parts d.json --sets 0": "--sets: received '0'; it must be 1 or more",
    "scope d.json --fault --unit-turnover 700": "--fault: its value is missing before --unit-turn",
    "loading d.json extra": "antecurve loading: received 'extra' beyond what it takes",
}


@pytest.mark.parametrize("line", REFUSED)
def test_a_command_line_is_refused_in_a_sentence(
    capsys: pytest.CaptureFixture[str], line: str
) -> None:
    done = invoke(capsys, *line.split())
    assert (done.code, done.out) == (2, "")
    assert done.err.startswith(f"antecurve: {REFUSED[line]}")
    assert len(done.err.splitlines()) == 1


def test_nothing_asked_prints_the_help(capsys: pytest.CaptureFixture[str]) -> None:
    done = invoke(capsys)
    assert done.code == 2
    assert "Usage:" in done.err and "judge" in done.err
