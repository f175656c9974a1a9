"""Each wiring fault is named."""

from __future__ import annotations

import pytest

from antecurve.errors import WiringError
from antecurve.networks.balanced import balanced_topology
from antecurve.networks.topology import Element, ElementKind, Topology
from antecurve.networks.wiring import check_wiring

R, C = ElementKind.RESISTOR, ElementKind.CAPACITOR


def _topology(text: str, output: tuple[str, str] = ("out", "0")) -> Topology:
    elements = []
    for card in filter(None, (c.strip() for c in text.split(","))):
        ref, first, second = card.split()
        elements.append(Element(ref, C if ref.startswith("C") else R, (first, second)))
    return Topology("own", tuple(elements), output)


GOOD = [
    "R1 in out, R2 out 0",
    "R1 in a, C1 in a, R2 a b, C2 a b, R3 b out, R4 out 0",
    "R1 in a, C1 in a, R2 a out, C2 a out, R3 in out, R4 a 0, R5 out 0",
    "R1 in out, R2 out 0, R3 in 0",
]

FAULTS = [
    ("", "there is no element"),
    ("R1 in out, R1 out 0", "the reference R1 is used twice"),
    ("RL in out, R2 out 0", "the reference RL is taken"),
    ("R-1 in out, R2 out 0", "'R-1' is no reference"),
    ("R1 in out, R2 out 0, C1 out out", "C1 has both ends at the node out, so it is shorted"),
    (
        "R1 in Out, R2 Out 0",
        "out and Out differ by case alone: did you mean out where you wrote Out",
    ),
    ("R1 in out, R2 out gnd", "gnd is the common return .* did you mean 0 where you wrote gnd"),
    ("R1 in out, R2 out earth", "touches the node 0 .* did you mean 0 where you wrote earth"),
    ("R1 in a, R2 a out, r2 out 0", "the reference r2 is used twice"),
    ("R1 in out, R2 out 0, X1 out 0", "a resistor must begin with R: rename X1"),
    ("R1 in out, R2 out 0, CLOAD out 0", "the reference CLOAD is taken"),
    ("R1 in a, R2 a out, C1 A 0, R3 out 0", "a and A differ by case alone"),
    ("R1 in drive, R2 drive out, R3 out 0", "drive is the generator .* did you mean in"),
    ("R1 in a;b, R2 a;b out, R3 out 0", "'a;b' is no name of a node"),
    ("R1 in a+, R2 a+ out, R3 out 0", "'a[+]' is no name of a node"),
    ("R1 in a*, R2 a* out, R3 out 0", "'a[*]' is no name of a node"),
    ("R1 in $a, R2 $a out, R3 out 0", "'[$]a' is no name of a node"),
    ("R1 input out, R2 out 0", "touches the node in .* did you mean in where you wrote input"),
    ("R1 in out", "no element touches the node 0"),
    ("R1 in out, R2 out 0, R3 a b, C3 a b", "the node a floats: nothing joins R3, C3"),
    ("R1 in n1, C1 in n1, R2 nl out, R3 out 0", "the node n[1l] (has one element only|floats)"),
    ("R1 in a, R2 out 0", "the node a has one element only, so that R1 carries no current"),
    ("R1 in 0, R2 out 0", "there is no path from in to out but through ground"),
    (
        "R1 in out, R2 out 0, R3 out a, C1 a b, R4 a b",
        "(R3|C1|R4).* hang from the node (out|a) only",
    ),
]


@pytest.mark.parametrize("text", GOOD)
def test_good_networks_pass(text: str) -> None:
    check_wiring(_topology(text))
    check_wiring(balanced_topology(_topology(text)))


@pytest.mark.parametrize(("text", "words"), FAULTS)
def test_fault_is_named(text: str, words: str) -> None:
    with pytest.raises(WiringError, match=words) as caught:
        check_wiring(_topology(text))
    assert caught.value.field == "network.elements"


def test_output_shorted_and_output_without_return() -> None:
    with pytest.raises(WiringError, match="the output is shorted"):
        check_wiring(_topology("R1 in out, R2 out 0", ("out", "out")))
    with pytest.raises(WiringError, match="the output has no path to out-"):
        check_wiring(_topology("R1 in out, R2 0 out-, R3 in out", ("out", "out-")))
