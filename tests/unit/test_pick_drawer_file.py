"""Reading the drawer file, and what is wrong with a row."""

from __future__ import annotations

from pathlib import Path

import pytest

from antecurve.errors import FileFormatError
from antecurve.files.drawer import read_drawer
from antecurve.networks.topology import ElementKind

HEADER = "kind,value,measured,tolerance,quantity,description\n"


def _file(folder: Path, text: str) -> Path:
    path = folder / "drawer.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_rows_become_parts(tmp_path: Path) -> None:
    drawer = read_drawer(
        _file(
            tmp_path,
            HEADER
            + "resistor,4k7,,1 %,12,metal film\n"
            + "\n"
            + "capacitor,2n2,2.213n,0.2 %,,bag 7\n"
            + "C,10n,9.98n,,1,\n",
        )
    )
    first, second, third = drawer.entries
    assert (first.kind, first.part.value, first.part.tolerance) == (
        ElementKind.RESISTOR,
        4700.0,
        0.01,
    )
    assert (first.quantity, first.part.nominal, first.part.description) == (12, None, "metal film")
    assert (second.part.value, second.part.nominal, second.quantity) == (2.213e-9, 2.2e-9, 1)
    assert second.part.tolerance == 0.002
    assert third.part.tolerance == 0.0
    assert drawer.of_kind(ElementKind.CAPACITOR) == (second, third)
    assert drawer.name == "drawer.csv"


def test_columns_in_any_order_and_left_out(tmp_path: Path) -> None:
    drawer = read_drawer(_file(tmp_path, "tolerance,value,kind\n5 %,47n,capacitor\n"))
    assert drawer.entries[0].quantity == 1
    assert drawer.entries[0].part.tolerance == 0.05


@pytest.mark.parametrize(
    ("row", "at", "words"),
    [
        ("resistor,-4k7,,1 %,1,", "line 3, column value", "-4k7"),
        ("resistor,0,,1 %,1,", "line 3, column value", "from 1 mΩ to 1 TΩ"),
        ("resistor,,,1 %,1,", "line 3, column value", "resistance in ohms"),
        ("resistor,4k7,four,1 %,1,", "line 3, column measured", "four"),
        ("resistor,4k7,,,1,", "line 3, column tolerance", "tolerance"),
        ("resistor,4k7,,-1 %,1,", "line 3, column tolerance", "at least"),
        ("resistor,4k7,,1 %,0,", "line 3, column quantity", "1 or more"),
        ("resistor,4k7,,1 %,2.5,", "line 3, column quantity", "1 or more"),
        ("resistor,4k7,4701,1 %,2,", "line 3, column quantity", "row of its own"),
        ("coil,4k7,,1 %,1,", "line 3, column kind", "resistor or capacitor"),
        (",,,,,", "line 3", "empty row"),
        ("resistor,4k7,,1 %,1,,more", "line 3", "7 cells"),
        ("resistor,1k,,1 %,5,", "line 3", "repeats line 2"),
        ('resistor,"1k,,1 %,5,', "line 3", "CSV"),
    ],
)
def test_a_row_that_cannot_be_used_is_named(tmp_path: Path, row: str, at: str, words: str) -> None:
    path = _file(tmp_path, HEADER + "resistor,1k,,1 %,5,\n" + row + "\n")
    with pytest.raises(FileFormatError) as caught:
        read_drawer(path)
    assert at in str(caught.value)
    assert words in str(caught.value)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "kind, value"),
        (HEADER, "no row follows"),
        ("kind,value,colour\nresistor,1k,red\n", "colour"),
        ("kind,kind,value\nresistor,resistor,1k\n", "once"),
        ("value,quantity\n1k,1\n", "kind"),
    ],
)
def test_a_file_that_is_no_drawer(tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(FileFormatError, match=words):
        read_drawer(_file(tmp_path, text))


def test_no_such_file(tmp_path: Path) -> None:
    with pytest.raises(FileFormatError, match="no such file"):
        read_drawer(tmp_path / "missing.csv")
