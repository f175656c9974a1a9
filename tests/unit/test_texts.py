"""Texts and names from outside reach neither terminal nor netlist with characters that act."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from antecurve.errors import FileFormatError, InputError
from antecurve.files.design_file import read_design
from antecurve.files.drawer import read_drawer
from antecurve.files.job_file import parse_job
from antecurve.networks.balanced import balanced_topology
from antecurve.networks.topology import Element, ElementKind, Topology
from antecurve.pipeline import Design
from antecurve.texts import check_text, printable

# Unicode: general categories Cc, Cs, Zl and Zp; U+202E and U+2066 of the explicit directions
# in Unicode Standard Annex 9, table 1 (from memory).
ACTING = ["\x1b[2J", "\x07", "\n", "\x9b31m", "\u202e", "\u2066", "\u2028", "\ud800"]
PLAIN = ["Bench 2, 47 kΩ", "10 µF", "Prüfplatz", "=1+1", "卓", "a\u00a0b"]


@pytest.mark.parametrize("text", ACTING)
def test_characters_that_act_are_refused_and_replaced(text: str) -> None:
    with pytest.raises(InputError, match=r"title: .*U\+") as caught:
        check_text(f"a{text}", field="title")
    assert printable(str(caught.value)) == str(caught.value)
    assert printable(text)[0] == "?"
    with pytest.raises(InputError, match="title"):
        parse_job({"title": f"a{text}", "curve": {"name": "disc"}})


@pytest.mark.parametrize("text", PLAIN)
def test_other_texts_pass(text: str) -> None:
    check_text(text, field="title")
    assert printable(text) == text


def test_descriptions_of_a_drawer_are_checked(tmp_path: Path) -> None:
    path = tmp_path / "drawer.csv"
    path.write_text("kind,value,description\nresistor,1k,reel\x1b]0;x\x07\n", encoding="utf-8")
    with pytest.raises(FileFormatError, match=r"line 2, column description.*U\+001B"):
        read_drawer(path)


@pytest.mark.parametrize(
    ("node", "words"),
    [
        ("n9\n.include x", r"U\+000A"),
        ("n9;", "no name of a node"),
        ("IN", "did you mean in where you wrote IN"),
        ("gnd", "did you mean 0 where you wrote gnd"),
        ("drive", "the node drive is the generator"),
    ],
)
def test_nodes_of_a_design_are_checked(
    default_design: Design, tmp_path: Path, node: str, words: str
) -> None:
    content = default_design.to_dict()
    for element in content["network"]["elements"]:
        element["nodes"] = [node if n not in ("in", "out", "0") else n for n in element["nodes"]]
    path = tmp_path / "design.json"
    path.write_text(json.dumps(content), encoding="utf-8")
    with pytest.raises(FileFormatError, match=words):
        read_design(path)


@pytest.mark.parametrize(
    "elements",
    [
        ["R1 in IN", "R2 IN out", "R3 out 0"],
        ["R1 in out", "R2 out GND"],
        ["RSOURCE in out", "R2 out 0"],
        ["R1 in a$", "R2 a$ out", "R3 out 0"],
    ],
)
def test_names_that_a_netlist_mixes_up_are_refused(elements: list[str]) -> None:
    raw = {"curve": {"name": "disc"}, "network": {"elements": elements}}
    with pytest.raises(InputError, match=r"network\.elements"):
        parse_job(raw)


def test_a_balanced_network_keeps_names_apart() -> None:
    kind = ElementKind.RESISTOR
    first = Element("R1", kind, ("in", "a"))
    across = (Element("R3", kind, ("out", "0")),)
    clash = Topology("own", (first, Element("R1P", kind, ("a", "0")), *across))
    with pytest.raises(InputError, match="R1P is used twice"):
        balanced_topology(clash)
    legs = (replace(first, nodes=("in", "a-")), Element("R2", kind, ("a-", "a")))
    clash = Topology("own", (*legs, Element("R4", kind, ("a", "out")), *across))
    with pytest.raises(InputError, match="the return leg has a node a- of its own"):
        balanced_topology(clash)
