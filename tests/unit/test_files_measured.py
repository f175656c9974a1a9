"""Measured values of parts: what is read, and one sentence for what can't be."""

from __future__ import annotations

from pathlib import Path

import pytest
from bench_networks import bench_network

from antecurve.errors import FileFormatError
from antecurve.files.measured import read_measured, read_samples

PICKED = bench_network()


def _file(folder: Path, content: str) -> Path:
    path = folder / "values.csv"
    path.write_text(content, encoding="utf-8")
    return path


def test_values_as_the_trade_writes_them(tmp_path: Path) -> None:
    path = _file(tmp_path, "ref,value\nR1,453k2\nC1, 7.07 nF\n\n# by hand\nC2a,1.81e-9\nR4,499\n")
    values = read_measured(path, PICKED)
    assert values == pytest.approx({"R1": 453.2e3, "C1": 7.07e-9, "C2a": 1.81e-9, "R4": 499.0})


@pytest.mark.parametrize("mark", [";", "\t"])
def test_other_marks_between_cells(tmp_path: Path, mark: str) -> None:
    path = _file(tmp_path, f"\ufeffref{mark}value\r\nR1{mark}452k\r\n")
    assert read_measured(path, PICKED) == {"R1": 452e3}


def test_columns_in_any_order(tmp_path: Path) -> None:
    assert read_measured(_file(tmp_path, "Value,Ref\n452k,R1\n"), PICKED) == {"R1": 452e3}


def test_several_values_of_one_reel(tmp_path: Path) -> None:
    path = _file(tmp_path, "ref,value\nC1a,6.7n\nC1a,6.9n\nR1,450k\n")
    values = read_samples(path, PICKED)
    assert list(values) == ["C1a", "R1"]
    assert values["C1a"] == pytest.approx([6.7e-9, 6.9e-9]) and values["R1"] == [450e3]
    with pytest.raises(FileFormatError, match=r"line 3.*measured once"):
        read_measured(path, PICKED)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("", "an empty file"),
        ("ref,value\n", "received 'ref, value'; no row follows"),
        ("ref\nR1\n", "needs a column value"),
        ("ref,value,ref\nR1,1,2\n", "names the columns"),
        ("ref,value,colour\nR1,1,red\n", "colour"),
        ("ref,value\nR9,1k\n", "line 2.*the design has R1, C1, R2"),
        ("ref,value\nR1,-5\n", "line 2.*greater than 0"),
        ("ref,value\nR1,\n", "line 2.*a resistance"),
        ("ref,value\nC1,7 kohm\n", "line 2.*a capacitance"),
        ("ref,value\nR1,nan\n", "line 2"),
        ("ref,value\n# a remark\n\nR1,nan\n", "line 4"),
        ('ref,value\nR1,1k\nR2,"1k\n', "line 3.*it must be CSV"),
        (f"ref,value\nR1,{'1' * 200_000}\n", "line 2.*it must be CSV"),
        ("ref,value\nR1,1k,2k\n", "line 2.*2 columns"),
        ("ref,value\nR1,4,7k\n", "line 2.*2 columns"),
    ],
)
def test_what_cannot_be_read_is_named(tmp_path: Path, content: str, message: str) -> None:
    with pytest.raises(FileFormatError, match=message):
        read_measured(_file(tmp_path, content), PICKED)


def test_missing_files_and_folders_are_named(tmp_path: Path) -> None:
    with pytest.raises(FileFormatError, match="no such file"):
        read_measured(tmp_path / "none.csv", PICKED)
    with pytest.raises(FileFormatError, match="a folder"):
        read_measured(tmp_path, PICKED)
