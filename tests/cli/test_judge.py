"""The commands judge and calibrate: contract, files, exit codes, bad input."""

from __future__ import annotations

import csv
import json
import re
import sys
from pathlib import Path

import numpy as np
import pytest
from commands import invoke
from playback_units import Unit, steady_state

from antecurve.files.design_file import design_json
from antecurve.networks.compiled import transfer_coefficients
from antecurve.pipeline import Design

NAMES = ["bass_shelf_s", "turnover_s", "treble_s", "low_corner_hz", "high_corner_hz"]


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory, default_design: Design) -> Path:
    folder = tmp_path_factory.mktemp("judge")
    (folder / "design.json").write_bytes(design_json(default_design))
    write_square(folder / "good.csv", default_design, Unit(low_corner_hz=1.0))
    write_square(folder / "good-23.csv", default_design, Unit(low_corner_hz=1.0), 23.0)
    time = np.arange(2000) * 1e-5
    write(folder / "sine.csv", ("time_s", "volts"), time, np.sin(2 * np.pi * 200 * time))
    write_sweep(folder / "network.csv", default_design)
    write_sweep(folder / "good-sweep.csv", default_design, Unit(low_corner_hz=1.0))
    write_sweep(folder / "bad-sweep.csv", default_design, Unit(treble_s=60e-6))
    return folder


def write(path: Path, header: tuple[str, str], *columns: np.ndarray) -> None:
    with path.open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(header)
        writer.writerows(np.column_stack(columns).tolist())


def polynomials(design: Design) -> tuple[np.ndarray, np.ndarray]:
    load = design.job.loading
    transfer_function = transfer_coefficients(
        design.network.topology,
        design.network.values,
        source_resistance=load.source_resistance,
        load_resistance=load.load_resistance,
        load_capacitance=load.load_capacitance,
    )
    return transfer_function.numerator[::-1], transfer_function.denominator[::-1]


def write_square(path: Path, design: Design, unit: Unit, frequency: float = 200.0) -> None:
    top, bottom = polynomials(design)
    unit_top, unit_bottom = unit.polynomials()
    time = np.arange(5000) * 3.4 / frequency / 5000
    volts = steady_state(
        np.polymul(top, unit_top), np.polymul(bottom, unit_bottom), time + 1.3e-3, frequency
    )
    volts = volts + 0.002 * np.ptp(volts) * np.random.default_rng(1).standard_normal(5000)
    step = np.ptp(volts) / 200
    write(path, ("time_s", "volts"), time, np.round(volts / step) * step)


def write_sweep(path: Path, design: Design, unit: Unit | None = None) -> None:
    """Of the network, or of a unit behind it: judged in a fifth of the time of a square wave."""
    top, bottom = polynomials(design)
    if unit is not None:
        top, bottom = (
            np.polymul(a, b) for a, b in zip((top, bottom), unit.polynomials(), strict=True)
        )
    frequency = np.geomspace(20, 20e3, 41)
    s = 2j * np.pi * frequency
    level = 20 * np.log10(np.abs(np.polyval(top, s) / np.polyval(bottom, s)))
    write(path, ("frequency_hz", "level_db"), frequency, np.round(level + 46.0, 3))


def test_pass_and_fail(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    design = str(bench / "design.json")
    good = invoke(capsys, "judge", str(bench / "good-sweep.csv"), "--design", design)
    assert good.code == 0
    assert good.out.startswith("PASS") and "Every time constant agrees" in good.out
    bad = invoke(capsys, "judge", str(bench / "bad-sweep.csv"), "--design", design, "--json")
    assert bad.code == 1
    record = json.loads(bad.out)
    assert record["format"] == "antecurve-verdict-1" and record["verdict"] == "fail"
    assert record["limit_db"] == 0.5 and record["band_hz"] == [20.0, 20000.0]
    assert [f["name"] for f in record["fitted"]] == NAMES
    assert {f["unit"] for f in record["fitted"]} == {"s", "Hz"}
    assert record["findings"][0].startswith("Treble time constant ") and record["notes"] == []
    truth = np.max(np.abs(Unit(treble_s=60e-6).deviation_db(np.geomspace(20, 20e3, 99))))
    assert record["deviation_db"] == pytest.approx(truth, abs=record["expanded_uncertainty_db"])


def test_files_and_the_other_channel(
    bench: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    arguments = [
        "judge",
        str(bench / "good.csv"),
        str(bench / "good-23.csv"),
        "--design",
        str(bench / "design.json"),
        "--other-channel",
        str(bench / "bad-sweep.csv"),
        "--serial",
        "A-17 <b>",
        "--date",
        "25 November",
        "-o",
        str(tmp_path / "unit"),
    ]
    done = invoke(capsys, *arguments)
    assert done.code == 1 and "Match of the channels" in done.out
    assert "PASS" in done.out and "Every time constant agrees" in done.out
    assert "at the output then shows. Compression before a coupling capacitor changes" in done.out
    page = (tmp_path / "unit" / "test-report.html").read_text(encoding="utf-8")
    assert "A-17 &lt;b&gt;" in page and "25 November" in page and "PASS" in page
    assert page.count('<figure class="plot"') == 3 and "tweeters" in page
    # Names of the page's own languages and, in a comment, of the library that draws its charts.
    known = ("http://www.w3.org", "http-equiv", "https://github.com/leeoniya/uPlot")
    for name in known:
        page = page.replace(name, "")
    assert "http" not in page
    assert len(page.encode()) < 300_000
    record = json.loads((tmp_path / "unit" / "verdict-other.json").read_text())
    assert record["verdict"] == "fail"
    assert (tmp_path / "unit" / "deviation.csv").read_text().startswith("frequency_hz,")
    again = invoke(capsys, *arguments)
    assert again.code == 2 and "--force" in again.err
    quick = ("judge", str(bench / "bad-sweep.csv"), *arguments[3:5], *arguments[-2:])
    assert invoke(capsys, *quick, "--force").code == 1


def test_batch(bench: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "units"
    (folder / "joint").mkdir(parents=True)
    for name, target in (
        ("good", "one"),
        ("bad-sweep", "two"),
        ("sine", "three"),
        ("good-sweep", "joint/a"),
        ("good-sweep", "joint/b"),
    ):
        (folder / f"{target}.csv").write_bytes((bench / f"{name}.csv").read_bytes())
    # The same record given twice is refused; another sweep has another row.
    other = folder / "joint" / "b.csv"
    other.write_text("".join(other.read_text().splitlines(keepends=True)[:-1]))
    done = invoke(
        capsys,
        "judge",
        str(folder),
        "--design",
        str(bench / "design.json"),
        "--workers",
        "1",
        "-o",
        str(tmp_path / "out"),
    )
    assert done.code == 1
    with (tmp_path / "out" / "batch.csv").open() as file:
        rows = list(csv.DictReader(file))
    assert [(r["unit"], r["verdict"]) for r in rows] == [
        ("joint", "pass"),
        ("one", "undecided"),
        ("three", "none"),
        ("two", "fail"),
    ]
    assert "without edges" in rows[2]["finding"]
    (note,) = json.loads((tmp_path / "out" / "joint.json").read_text())["notes"]
    assert "Square waves of one low frequency at two levels" in note  # sweeps alone hold none
    assert {p.name for p in (tmp_path / "out").iterdir()} == {
        "batch.csv", "joint.html", "joint.json", "one.html", "one.json", "two.html", "two.json",
    }  # fmt: skip


def test_calibrate_then_judge(
    bench: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    design = str(bench / "design.json")
    done = invoke(
        capsys,
        "calibrate",
        design,
        "--sweep",
        str(bench / "network.csv"),
        "-o",
        str(tmp_path / "cal"),
    )
    assert done.code == 0 and "dB rms" in done.out
    record = json.loads((tmp_path / "cal" / "calibration.json").read_text())
    assert record["consistent"] is True
    judged = invoke(
        capsys,
        "judge",
        str(bench / "good-sweep.csv"),
        "--design",
        design,
        "--measured",
        str(tmp_path / "cal" / "values.csv"),
        "--mask",
        "20:100:1",
        "--mask",
        "100 Hz:20 kHz:0.3",
        "--json",
    )
    assert judged.code == 0
    assert [b["verdict"] for b in json.loads(judged.out)["bands"]] == ["pass", "pass"]
    wrong = invoke(capsys, "calibrate", design, "--sweep", str(bench / "good.csv"))
    assert wrong.code == 2 and "calibrated by a sweep" in wrong.err


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["sine.csv"], "without edges"),
        (["missing.csv"], "no such file"),
        (["good.csv", "--limit", "0"], "--limit"),
        (["good.csv", "--mask", "20:50"], "LOW:HIGH:DB"),
        (["good.csv", "--playback", "flat"], "published"),
        (["good.csv", "--band", "20 kHz", "20 Hz"], "ascend"),
        (["good.csv", "--chain-low", "0"], "--chain-low"),
        (["good.csv", "."], "give one folder"),
    ],
)
def test_bad_input(
    bench: Path,
    capsys: pytest.CaptureFixture[str],
    arguments: list[str],
    says: str,
) -> None:
    given = [str(bench / a) if a.endswith(".csv") or a == "." else a for a in arguments]
    done = invoke(capsys, "judge", *given, "--design", str(bench / "design.json"))
    assert done.code == 2
    assert says in done.err and done.err.count("\n") == 1 and done.out == ""


def test_calibrate_reads_a_sweep_as_the_analyser_wrote_it(
    bench: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Metadata, units, decimal commas and two level columns: as the plain file with --channel."""
    design, plain = str(bench / "design.json"), bench / "network.csv"
    rows = [line.split(",") for line in plain.read_text().splitlines()[1:]]
    lines = ["Analyser export", "Date;28.11.2026", "Frequency;Channel 1;Channel 2", "Hz;dBV;dBV"]
    lines += [f"{f};0,00;{level}".replace(".", ",") for f, level, *_ in rows]
    export = tmp_path / "export.csv"
    export.write_text("\n".join(lines) + "\n")
    open_question = invoke(capsys, "calibrate", design, "--sweep", str(export))
    assert open_question.code == 2 and "--channel 1 to 2" in open_question.err
    command = ("calibrate", design, "--sweep", str(export), "--channel", "2", "--json")
    chosen = invoke(capsys, *command)
    assert "level in dB from column 3" in chosen.err
    with pytest.MonkeyPatch.context() as terminal:
        terminal.setattr(sys.stderr, "isatty", lambda: True)
        terminal.setenv("COLUMNS", "40")
        narrow = invoke(capsys, *command).err
    lines = re.sub(r"\x1b\[[?0-9;]*[a-zA-Z]", "", narrow).splitlines()
    assert max(map(len, lines)) <= 40 and " ".join(lines[:2]) == chosen.err.rstrip()
    wanted = invoke(capsys, "calibrate", design, "--sweep", str(plain), "--json")
    assert json.loads(chosen.out)["elements"] == json.loads(wanted.out)["elements"]
    # The file tells its mark: another that is stated, for files beside it, changes nothing.
    pointed = invoke(capsys, *command, "--decimal", "point")
    assert json.loads(pointed.out)["elements"] == json.loads(wanted.out)["elements"]


@pytest.mark.seldom
def test_the_curve_of_a_unit_is_guessed(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    swept = (str(bench / "good-sweep.csv"), "--design", str(bench / "design.json"))
    guess = invoke(capsys, "judge", *swept, "--unit-curve", "guess", "--json")
    record = json.loads(guess.out)
    assert (guess.code, record["unit_curve"]) == (0, "disc")
    assert record["findings"][0].startswith("set to disc with a probability of over 99.9 %. Next")
    times = ("--unit-zeros", "3180 us, 75 us", "--unit-poles", "318 us")
    same = invoke(capsys, "judge", *swept, *times, "--json")
    assert same.code == 0


def test_a_unit_set_to_another_curve(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    design = str(bench / "design.json")
    swept = (str(bench / "good-sweep.csv"), "--design", design)
    stated = ("--unit-turnover", "700 Hz", "--unit-cut", "13.7", "--unit-shelf", "50 Hz")
    other = invoke(capsys, "judge", *swept, *stated, "--json")
    assert other.code == 1
    assert json.loads(other.out)["unit_curve"] == "turnover 700 Hz, cut 13.7 dB, shelf 50 Hz"
    for command in ("sheet", "scope"):
        shown = invoke(capsys, command, design, "--unit-curve", "disc-nab-1949")
        assert "Unit set to disc-nab-1949 (unverified): " in shown.out
    assert "'after playback' is right for a correct unit" in shown.out
    sheet = invoke(capsys, "sheet", design, "--unit-curve", "disc-aes-1951", "--json")
    assert json.loads(sheet.out)["sheet"]["unit_curve"] == "disc-aes-1951"


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("--unit-curve", "nosuch"), "the catalogue has disc"),
        (("--unit-curve", "nosuch"), "tape-4.76-type-2, flat"),
        (("--unit-curve", "disc", "--unit-cut", "12"), "give exactly one of --unit-curve, "),
        (("--unit-turnover", "700", "--unit-cut", "-16"), "--unit-cut: received '-16'; the cut"),
        (("--unit-zeros", "3180 us, x"), "--unit-zeros"),
        (("--unit-shelf", "50 Hz"), "a bass shelf needs a turnover"),
        (("--unit-curve", "guess", "--unit-cut", "12"), "--unit-curve"),
    ],
)
def test_a_curve_that_cannot_be_used_is_refused(
    bench: Path, capsys: pytest.CaptureFixture[str], options: tuple[str, ...], says: str
) -> None:
    design, capture = str(bench / "design.json"), str(bench / "good.csv")
    refused = invoke(capsys, "judge", capture, "--design", design, *options)
    assert refused.code == 2 and says in refused.err and refused.err.count("\n") <= 2
