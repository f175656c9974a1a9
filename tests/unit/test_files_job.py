"""The job file: what is read, and one sentence for whatever is wrong."""

from __future__ import annotations

from pathlib import Path

import pytest

from antecurve.errors import AntecurveError, FileFormatError, InputError
from antecurve.files.job_file import parse_job, read_job
from antecurve.files.starter_job import starter_job
from antecurve.job import SpreadRequest, default_job


def test_the_starter_job_is_the_default_job(tmp_path: Path) -> None:
    path = tmp_path / "job.toml"
    path.write_text(starter_job())
    assert read_job(path) == default_job()


def test_only_the_curve_is_required_and_a_limit_left_out_is_no_limit() -> None:
    job = parse_job({"curve": {"name": "disc"}})
    assert job.target.error_limit_db is None
    assert job.network.output_resistance_max is None
    assert job.network.input_impedance_min is None
    assert job.curve.ultrasonic_poles_s == ()
    assert job.loading == default_job().loading


def test_quantities_as_the_trade_writes_them() -> None:
    job = parse_job(
        {
            "title": "Low output",
            "curve": {"zeros": ["3180 us", 75e-6], "poles": ["318 us"]},
            "source": {"resistance": 0, "level": "0.5 V"},
            "load": {"resistance": "4k7", "capacitance": 0},
            "target": {"level": "0.5 mV", "band": ["20 Hz", "20 kHz"]},
            "resistors": {"series": "E24", "tolerance": "5 %", "range": [10, "1M"]},
            "capacitors": {"range": ["1n", "u47"], "join": ["parallel", "series"]},
            "network": {"elements": ["R1 in out", "C1 in out", "R2 out 0"]},
        }
    )
    assert job.curve.zeros_s == (3180e-6, 75e-6)
    assert job.loading.source_resistance == 0
    assert job.loading.load_resistance == 4700
    assert job.target.level_v == 0.5e-3
    assert job.resistors.tolerance == 0.05
    assert job.capacitors.value_range == pytest.approx((1e-9, 0.47e-6), rel=1e-14)
    assert [e.ref for e in job.network.elements or ()] == ["R1", "C1", "R2"]


def test_turnover_and_cut() -> None:
    job = parse_job({"curve": {"turnover": "500 Hz", "cut_at_10k": 13.7, "shelf": "50 Hz"}})
    assert job.curve.zeros_s[0] == pytest.approx(1 / (2 * 3.141592653589793 * 50), rel=1e-12)
    assert job.curve.zeros_at_origin == 0
    without = parse_job({"curve": {"turnover": 500, "cut_at_10k": "12 dB"}})
    assert without.curve.zeros_at_origin == 1


def test_grades_and_how_to_pick() -> None:
    job = parse_job(
        {
            "curve": {"name": "disc"},
            "resistors": {
                "grades": [
                    {"tolerance": "1 %", "price": 0.03},
                    {"tolerance": "0.1 %", "price": 0.4},
                ]
            },
            "pick": {"pick_by": "build", "sets": 2, "budget_seconds": 5},
        }
    )
    assert [g.tolerance for g in job.resistors.grades] == [0.01, 0.001]
    assert job.pick.pick_by == "build"
    assert job.pick.sets == 2


BAD = {
    "grade without price": ({"resistors": {"grades": [{"tolerance": 0.01}]}}, "price"),
    "grades no list": ({"resistors": {"grades": 1}}, r"\[\[resistors.grades\]\]"),
    "no such pick": ({"pick": {"pick_by": "luck"}}, "nominal, build"),
    "unknown section": ({"curv": {}}, "did you mean 'curve'"),
    "unknown key": ({"load": {"capacity": 1}}, "load.capacity.*capacitance"),
    "no curve": ({"curve": {}}, "exactly one of"),
    "two ways": ({"curve": {"name": "disc", "turnover": 500}}, "exactly one of"),
    "no such curve": ({"curve": {"name": "disk"}}, "disc"),
    "wrong unit": ({"load": {"resistance": "47 kHz"}}, "load.resistance.*ohm"),
    "negative": ({"load": {"capacitance": -1e-12}}, "load.capacitance.*at least 0"),
    "nan": ({"source": {"level": float("nan")}}, "source.level.*finite"),
    "zero load": ({"load": {"resistance": 0}}, "load.resistance.*from 1 mΩ to 1 TΩ"),
    "zero level": ({"target": {"level": "0 V"}}, "target.level.*from 1 pV to 1 MV"),
    "empty range": ({"resistors": {"range": ["1M", 10]}}, "resistors.range.*low end"),
    "no such series": ({"resistors": {"series": "E42"}}, "resistors.series.*E96"),
    "band": ({"target": {"band": ["20 kHz", "20 Hz"]}}, "target.band.*low end"),
    "band of three": ({"target": {"band": [1, 2, 3]}}, "target.band.*list of 2"),
    "no such form": ({"network": {"forms": ["pi"]}}, r"network.forms\[0\].*foster-1"),
    "forms empty": ({"network": {"forms": []}}, "network.forms"),
    "text for list": ({"network": {"forms": "foster-1"}}, "network.forms.*list"),
    "element": ({"network": {"elements": ["X1 in out"]}}, r"network.elements\[0\]"),
    "same reference": ({"network": {"elements": ["R1 in out", "R1 out 0"]}}, "taken"),
    "three parts": ({"capacitors": {"parts_per_position": 3}}, "from 1 to 2"),
    "half a build": ({"spread": {"builds": 0.5}}, "spread.builds.*whole number"),
    "no builds": ({"spread": {"builds": 0}}, "spread.builds"),
    "distribution": ({"spread": {"distribution": "triangle"}}, "uniform, normal"),
    "not a section": ({"load": 3}, "load.*section"),
    "negative limit": ({"target": {"error_limit_db": -1}}, "error_limit_db"),
    "bound without rise": ({"curve": {"name": "disc", "low_end_bound": 2}}, "does not rise"),
    "shelf above turnover": (
        {"curve": {"turnover": 500, "cut_at_10k": 12, "shelf": 600}},
        "below the turnover",
    ),
    "tolerance": ({"resistors": {"tolerance": "150 %"}}, "tolerance"),
    "title": ({"title": 3}, "title"),
}


@pytest.mark.parametrize("name", BAD)
def test_bad_input_is_one_sentence(name: str) -> None:
    raw, pattern = BAD[name]
    if not {"curve", "curv"} & raw.keys():
        raw = {"curve": {"name": "disc"}, **raw}
    with pytest.raises(InputError, match=pattern) as caught:
        parse_job(raw)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("content", "pattern"),
    [
        (b"\x00\x01\x02", "binary"),
        (b"title = '\xff\xfe'", "UTF-8"),
        (b"[curve\nname='disc'", "TOML"),
        (b"", "required"),
        (b"a=" + b"[" * 5000, "TOML"),
    ],
)
def test_unreadable_files(tmp_path: Path, content: bytes, pattern: str) -> None:
    path = tmp_path / "job.toml"
    path.write_bytes(content)
    with pytest.raises(AntecurveError, match=pattern):
        read_job(path)


def test_missing_file_and_folder(tmp_path: Path) -> None:
    with pytest.raises(FileFormatError, match="no such file"):
        read_job(tmp_path / "none.toml")
    with pytest.raises(FileFormatError, match="folder"):
        read_job(tmp_path)


def test_a_job_far_too_large_is_refused_before_it_is_parsed(tmp_path: Path) -> None:
    path = tmp_path / "job.toml"
    path.write_text("[" + "a." * 400_000 + "a]\n")
    with pytest.raises(FileFormatError, match=r"more than 65,536 bytes.*up to 64 KiB"):
        read_job(path)


def test_a_job_nested_too_deeply_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "job.toml"
    for text in ("x = " + "[" * 20_000, "[" + "a." * 20_000 + "a]\n"):
        path.write_text(text)
        with pytest.raises(FileFormatError, match="nested too deeply"):
            read_job(path)


@pytest.mark.parametrize("builds", [0, 10**9 + 1, 10**400])
def test_no_more_builds_than_end_in_some_minutes(builds: int) -> None:
    with pytest.raises(InputError, match="from 1 to 1000000000"):
        SpreadRequest(builds=builds)
