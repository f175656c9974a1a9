"""The drawers that a job names."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from antecurve.errors import FileFormatError
from antecurve.files.job_drawer import read_job_drawer
from antecurve.job import default_job
from antecurve.networks.topology import ElementKind


def test_each_kind_comes_from_its_own_file(tmp_path: Path) -> None:
    (tmp_path / "r.csv").write_text("kind,value,tolerance\nresistor,1k,1 %\ncapacitor,1n,5 %\n")
    (tmp_path / "c.csv").write_text("kind,value,tolerance\nresistor,2k,1 %\ncapacitor,2n,5 %\n")
    job = default_job()
    assert read_job_drawer(job) is None
    job = replace(
        job,
        resistors=replace(job.resistors, drawer=str(tmp_path / "r.csv")),
        capacitors=replace(job.capacitors, drawer=str(tmp_path / "c.csv")),
    )
    drawer = read_job_drawer(job)
    assert drawer is not None
    values = {kind: [e.part.value for e in drawer.of_kind(kind)] for kind in ElementKind}
    assert values == {ElementKind.RESISTOR: [1e3], ElementKind.CAPACITOR: [2e-9]}
    assert drawer.name == "r.csv and c.csv"


def test_a_missing_file_is_named(tmp_path: Path) -> None:
    job = default_job()
    job = replace(job, resistors=replace(job.resistors, drawer=str(tmp_path / "none.csv")))
    with pytest.raises(FileFormatError, match="no such file"):
        read_job_drawer(job)
