"""Readers of files never fail but with the package's own one-sentence error."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from antecurve.errors import AntecurveError
from antecurve.files.captures import read_capture
from antecurve.files.curve_table import read_curve_table
from antecurve.files.design_file import read_design
from antecurve.files.drawer import read_drawer
from antecurve.files.job_file import parse_job, read_job
from antecurve.files.starter_job import starter_job
from antecurve.pipeline import Design
from long_form import few

SETTINGS = settings(
    max_examples=few(25, of=75),
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
SCALARS = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=12)
    | st.sampled_from(["47k", "disc", "E96", "1 %", "R1 in out", "50 kHz", "all", "foster-1"])
)
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner),
    max_leaves=8,
)
KEYS = {
    "curve": ["name", "zeros", "poles", "turnover", "cut_at_10k", "shelf", "ultrasonic_poles"],
    "source": ["resistance", "level"],
    "load": ["resistance", "capacitance"],
    "target": ["level", "band", "error_limit_db", "level_tolerance_db"],
    "network": ["forms", "elements", "output_resistance_max", "balanced"],
    "resistors": ["series", "tolerance", "range", "parts_per_position", "join", "grades"],
    "spread": ["builds", "seed", "distribution"],
    "pick": ["pick_by", "sets", "budget_seconds"],
}
SECTIONS = st.fixed_dictionaries(
    {"curve": st.just({"name": "disc"}) | st.dictionaries(st.sampled_from(KEYS["curve"]), VALUES)},
    optional={
        name: st.dictionaries(st.sampled_from(keys), VALUES)
        for name, keys in KEYS.items()
        if name != "curve"
    },
)


def _one_sentence(error: AntecurveError) -> None:
    assert "\n" not in str(error)
    assert len(str(error)) < 1000


@SETTINGS
@given(raw=SECTIONS)
def test_any_job_is_read_or_refused(raw: dict[str, object]) -> None:
    try:
        parse_job(raw)
    except AntecurveError as error:
        _one_sentence(error)


@SETTINGS
@given(data=st.binary(max_size=300) | st.text(max_size=300).map(str.encode))
def test_any_bytes_are_read_or_refused(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "any"
    path.write_bytes(data)
    for reader in (read_job, read_design, read_drawer, read_capture, read_curve_table):
        try:
            reader(path)
        except AntecurveError as error:
            _one_sentence(error)


CELLS = st.sampled_from(
    ["resistor", "capacitor", "4k7", "10n", "-1", "0", "nan", "inf", "1e400", "1 %", "", "=1", "x"]
) | st.text(max_size=6)
HEADERS = st.sampled_from(
    [
        "kind,value,measured,tolerance,quantity,description",
        "kind,value",
        "frequency_hz,level_db",
        "frequency_hz,ratio,phase_deg",
        "time_s,volts",
        "volts,time_s",
        "",
    ]
)


@SETTINGS
@given(header=HEADERS, rows=st.lists(st.lists(CELLS, max_size=7), max_size=12))
def test_any_table_is_read_or_refused(tmp_path: Path, header: str, rows: list[list[str]]) -> None:
    path = tmp_path / "table.csv"
    path.write_text("\n".join([header, *(",".join(row) for row in rows)]))
    for reader in (read_drawer, read_capture, read_curve_table):
        try:
            reader(path)
        except AntecurveError as error:
            _one_sentence(error)


@SETTINGS
@given(position=st.integers(0, 2000), data=st.binary(min_size=1, max_size=6))
def test_a_damaged_job_is_read_or_refused(tmp_path: Path, position: int, data: bytes) -> None:
    path = tmp_path / "job.toml"
    whole = starter_job().encode()
    at = position % len(whole)
    path.write_bytes(whole[:at] + data + whole[at + len(data) :])
    try:
        read_job(path)
    except AntecurveError as error:
        _one_sentence(error)


@pytest.fixture(scope="module")
def whole_design(default_design: Design) -> dict[str, object]:
    return json.loads(json.dumps(default_design.to_dict()))


def _places(content: object, trail: tuple[object, ...] = ()) -> list[tuple[object, ...]]:
    trails = [trail] if trail else []
    items = (
        content.items()
        if isinstance(content, dict)
        else enumerate(content)
        if isinstance(content, list)
        else ()
    )
    for key, value in items:
        trails += _places(value, (*trail, key))
    return trails


@SETTINGS
@given(data=st.data())
def test_a_damaged_design_is_read_or_refused(
    tmp_path: Path, whole_design: dict[str, object], data: st.DataObject
) -> None:
    content = json.loads(json.dumps(whole_design))
    needed = {k: content[k] for k in ("job", "network", "search", "shortlist")}
    trail = data.draw(st.sampled_from(_places(needed)))
    holder = content
    for key in trail[:-1]:
        holder = holder[key]
    holder[trail[-1]] = data.draw(VALUES)
    path = tmp_path / "design.json"
    path.write_text(json.dumps(content))
    try:
        read = read_design(path)
    except AntecurveError as error:
        _one_sentence(error)
    else:
        assert read.network.values.min() > 0
