"""Reading captures: what is good, and one clear sentence for what is not."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from antecurve.errors import AntecurveError, FileFormatError, InputError
from antecurve.files.captures import capture_units, read_capture
from antecurve.judge.square_wave import SquareWaveCapture
from antecurve.judge.sweep import MOST_FREQUENCIES, SweepCapture

SQUARE = [f"{k * 1e-5:.6g},{(-1) ** (k // 50)}" for k in range(400)]


def write(folder: Path, *lines: str) -> Path:
    path = folder / "capture.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_square_wave(tmp_path: Path) -> None:
    capture = read_capture(write(tmp_path, "# bench 2", "time_s,volts", *SQUARE))
    assert isinstance(capture, SquareWaveCapture)
    assert (capture.time_s.size, capture.volts[60], capture.name) == (400, -1.0, "capture.csv")
    assert not capture.volts.flags.writeable


def test_sweep_in_decibels_or_as_ratio(tmp_path: Path) -> None:
    rows = [f"{f};{level}" for f, level in ((20, 0), (50, 1), (100, 20), (1000, 3), (9000, 4))]
    capture = read_capture(write(tmp_path, "frequency_hz;level_db", *rows))
    assert isinstance(capture, SweepCapture)
    assert capture.phase_deg is None and capture.level_db[2] == 20
    ratio = [f"{f}\t10\t-90" for f in (20, 50, 100, 1000, 9000)]
    linear = read_capture(write(tmp_path, "Frequency_Hz\tratio\tphase_deg", *ratio))
    assert isinstance(linear, SweepCapture)
    assert np.allclose(linear.level_db, 20.0) and linear.phase_deg is not None


@pytest.mark.parametrize(
    ("lines", "says"),
    [
        (["time_s,volts"], "no row of numbers"),
        (["time_s,level_db", *SQUARE], "the first line names the columns"),
        (["time_s,volts", *SQUARE[:9], "0.9,nan", *SQUARE[9:]], "line 11, volts"),
        (["time_s,volts", *SQUARE[:9], "0.9,x"], "line 11, volts"),
        (["time_s;volts", "0,001;1,5", "0,002;1,5"], "at least 64"),
        (["time_s,volts", "0,001,1,5", "1,2,3,4"], "decimals with a point"),
        (["time_s,volts", *SQUARE[:30]], "at least 64"),
        (["time_s,volts", *SQUARE, *SQUARE], "must ascend"),
        (["time_s,volts", *(",".join(r.split(",")[::-1]) for r in SQUARE)], "look swapped"),
        (["time_s,volts", *(f"{k},1" for k in range(99))], "no signal"),
        (["frequency_hz,level_db", "0,1", "1,1", "2,1", "3,1", "4,1"], "above 0 Hz"),
        (["frequency_hz,level_db", "1,1", "2,1"], "at least 5"),
        (["frequency_hz,ratio", "1,1", "2,0", "3,1", "4,1", "5,1"], "above 0"),
    ],
)
def test_what_is_wrong_is_said(tmp_path: Path, lines: list[str], says: str) -> None:
    with pytest.raises(AntecurveError, match=says) as caught:
        read_capture(write(tmp_path, *lines))
    assert "\n" not in str(caught.value)


def test_phase_must_be_as_long() -> None:
    with pytest.raises(InputError, match="phase_deg must be of equal length"):
        SweepCapture(np.arange(1.0, 7.0), np.zeros(6), np.zeros(5))
    with pytest.raises(InputError, match="equal length"):
        SquareWaveCapture(np.arange(100.0), np.arange(99.0))
    with pytest.raises(InputError, match="one column"):
        SquareWaveCapture(np.ones((2, 2)), np.ones((2, 2)))


def test_units_of_a_folder(tmp_path: Path) -> None:
    (tmp_path / "b.csv").write_text("x")
    (tmp_path / "a").mkdir()
    for name in ("2.csv", "1.csv"):
        (tmp_path / "a" / name).write_text("x")
    (tmp_path / "notes.txt").write_text("x")
    units = capture_units(tmp_path)
    assert list(units) == ["a", "b"]
    assert [p.name for p in units["a"]] == ["1.csv", "2.csv"]
    with pytest.raises(FileFormatError, match="without captures"):
        (tmp_path / "empty").mkdir()
        capture_units(tmp_path / "empty")


def test_a_sweep_of_very_many_frequencies_is_refused_with_what_to_do(tmp_path: Path) -> None:
    path = tmp_path / "sweep.csv"
    rows = "\n".join(f"{20 + i},0" for i in range(MOST_FREQUENCIES + 1))
    path.write_text(f"frequency_hz,level_db\n{rows}\n")
    with pytest.raises(InputError, match=r"10,001 frequencies.*write every n-th"):
        read_capture(path)


def test_a_row_of_very_many_cells_is_refused_at_once(tmp_path: Path) -> None:
    path = tmp_path / "square.csv"
    path.write_text("time_s,volts\n0,1\n" + "1," * 500_000 + "\n")
    with pytest.raises(FileFormatError, match=r"line 3.*there are 2 columns"):
        read_capture(path)
