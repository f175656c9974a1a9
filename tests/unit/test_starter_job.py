"""The starter job explains every key that a job file may have."""

from __future__ import annotations

import re
import tomllib

import pytest

from antecurve.errors import InputError
from antecurve.files.job_file import parse_job
from antecurve.files.starter_job import starter_job
from antecurve.job import default_job

_DISC = {"name": "disc"}


def _allowed(raw: dict[str, object]) -> list[str]:
    """The keys that the job reader names when it meets one that does not exist."""
    with pytest.raises(InputError) as caught:
        parse_job(raw)
    return caught.value.rule.rpartition("allowed are ")[2].split(", ")


SECTIONS = [key for key in _allowed({"nonsense": 1}) if key != "title"]


def _lines(section: str) -> list[str]:
    """The lines of a section of the starter job, uncommented."""
    parts = re.split(r"^\[(\w+)\]", starter_job(), flags=re.MULTILINE)
    text = dict(zip(parts[1::2], parts[2::2], strict=True))[section]
    return [line.removeprefix("# ") for line in text.splitlines()]


def test_there_are_sections_to_be_explained() -> None:
    # The keys that the README's job shows are among them.
    assert {"curve", "source", "load", "target", "network"} <= set(SECTIONS)


@pytest.mark.parametrize("section", SECTIONS)
def test_every_key_the_reader_allows_stands_in_the_starter_job(section: str) -> None:
    given = {"curve": _DISC, section: {"nonsense": 1}}
    lines = _lines(section)
    for key in _allowed(given):
        pattern = re.compile(rf"{key} =|\[\[{section}\.{key}\]\]")
        assert any(pattern.match(line) for line in lines), key


@pytest.mark.parametrize("section", SECTIONS)
def test_every_commented_line_can_be_used(section: str) -> None:
    for line in _lines(section):
        if re.match(r"\w+ =", line):
            assert tomllib.loads(line)


def test_columns_of_the_drawer_and_keys_of_a_grade_are_explained() -> None:
    for word in ("kind", "value", "tolerance", "quantity", "measured", "description", "price"):
        assert re.search(rf"^ *# *.*\b{word}\b", starter_job(), flags=re.MULTILINE)


def test_it_is_the_default_job() -> None:
    assert parse_job(tomllib.loads(starter_job())) == default_job()
    assert max(map(len, starter_job().splitlines())) <= 100
