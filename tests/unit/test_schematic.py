"""What a schematic is drawn from, and that every element is on it."""

from __future__ import annotations

import re

import pytest
from bench_networks import bench_network

from antecurve.curves.catalogue import named_curve
from antecurve.curves.construct import with_limits
from antecurve.files.netlist import netlist
from antecurve.networks.balanced import balanced_network, balanced_topology
from antecurve.networks.series_parallel import branches_of
from antecurve.networks.topology import Element, ElementKind, Loading, Network, Topology
from antecurve.networks.tree import leaves
from antecurve.pick.structure import ladder_of
from antecurve.report.schematic import drawn_schematic, soldered_parts, value_labels
from antecurve.report.tables import wiring_rows
from antecurve.synthesis.exact import exact_network, form_names

LOADING = Loading(50.0, 47e3, 150e-12)


@pytest.mark.parametrize("form", form_names())
@pytest.mark.parametrize("balanced", [False, True])
def test_every_element_is_drawn_once(form: str, balanced: bool) -> None:
    # A capacitor across the output is for a second ultrasonic pole.
    poles = (50e3, 200e3) if form.startswith("output-capacitor") else (50e3,)
    curve = with_limits(named_curve("disc"), ultrasonic_poles_hz=poles)
    exact = exact_network(form, curve, loading=LOADING, gain=1e-3, shunt_resistance=300.0)
    network = balanced_network(exact.network) if balanced else exact.network
    refs = [r for arm in branches_of(network.topology) for r in leaves(arm.tree)]
    assert sorted(refs) == sorted(network.topology.refs)
    labels = {ref: f"<{ref}>" for ref in network.topology.refs}
    for downwards in (False, True):
        drawing = drawn_schematic(network, loading=LOADING, labels=labels, downwards=downwards)
        text = drawing.svg()
        assert text.startswith("<svg") and text.rstrip().endswith("</svg>")
        for ref in network.topology.refs:
            assert len(re.findall(f"&lt;{ref}&gt;", text)) == 1


@pytest.mark.parametrize("form", form_names())
def test_a_narrow_drawing_is_legible_on_a_telephone(form: str) -> None:
    """328 px are left of 360: text of 15 px stays at 9 px or more, the least of the page's own."""
    poles = (50e3, 200e3) if form.startswith("output-capacitor") else (50e3,)
    curve = with_limits(named_curve("disc"), ultrasonic_poles_hz=poles)
    exact = exact_network(form, curve, loading=LOADING, gain=1e-3, shunt_resistance=300.0)
    labels = {ref: f"{ref}\n348.2 kΩ" for ref in exact.network.topology.refs}
    text = drawn_schematic(exact.network, loading=LOADING, labels=labels, downwards=True).svg()
    box = re.search(r'viewBox="0 0 (\d+) ', text)
    assert box is not None and 15.0 * min(1.0, 328.0 / float(box[1])) >= 9.0


@pytest.mark.parametrize("form", form_names())
def test_the_tree_that_travels_with_a_network_is_the_one_its_nodes_make(form: str) -> None:
    poles = (50e3, 200e3) if form.startswith("output-capacitor") else (50e3,)
    curve = with_limits(named_curve("disc"), ultrasonic_poles_hz=poles)
    exact = exact_network(form, curve, loading=LOADING, gain=1e-3, shunt_resistance=300.0)
    laid_out = exact.network.topology
    assert laid_out.arms
    assert [r for arm in laid_out.arms for r in leaves(arm.tree)] == list(laid_out.refs)
    # Elements between nodes alone, joined two by two: another path to the same tree.
    assert branches_of(laid_out) == branches_of(Topology(form, laid_out.elements))
    assert ladder_of(laid_out) == ladder_of(Topology(form, laid_out.elements))
    both_legs = balanced_topology(laid_out)
    bare = Topology(form, both_legs.elements, both_legs.output)
    assert both_legs.arms
    assert sorted(map(str, branches_of(both_legs))) == sorted(map(str, branches_of(bare)))


def test_a_network_with_bridges_is_drawn_with_source_and_load() -> None:
    """No ladder: every element by itself, its nodes named, so are generator and unit."""
    ends = {"R1": ("in", "a"), "R2": ("in", "b"), "R3": ("a", "b"), "R4": ("a", "out"),
            "R5": ("b", "out"), "R6": ("out", "0")}  # fmt: skip
    elements = tuple(Element(ref, ElementKind.RESISTOR, nodes) for ref, nodes in ends.items())
    network = Network(Topology("own", elements), (1e3,) * 6)
    assert len(branches_of(network.topology)) == 6
    labels = {r: f"<{r}>" for r in ends}
    drawing = drawn_schematic(network, loading=LOADING, labels=labels).svg()
    words = re.findall(r">([^<>]+)</t", drawing)
    for ref, nodes in ends.items():
        assert words.count(f"&lt;{ref}&gt;") == 1
        assert set(nodes) <= set(words)
    for text in ("source", "50 Ω", "unit", "47 kΩ", "150 pF", "generator"):
        assert text in words


def test_nodes_of_the_table_are_on_the_drawing() -> None:
    curve = with_limits(named_curve("disc"), ultrasonic_poles_hz=(50e3,))
    exact = exact_network("cauer-2", curve, loading=LOADING, gain=1e-3, shunt_resistance=300.0)
    labels = {ref: ref for ref in exact.network.topology.refs}
    drawing = drawn_schematic(exact.network, loading=LOADING, labels=labels).svg()
    words = re.findall(r">([^<>]+)</t", drawing)
    for node in {n for e in exact.network.topology.elements for n in e.nodes}:
        assert words.count(node) == 1


def test_joined_parts_stand_apart_everywhere() -> None:
    """Schematic, wiring table and netlist name C1a and C1b, and how they are joined."""
    picked = bench_network()
    labels = value_labels(picked)
    assert labels["C1"] == "C1a ∥ C1b\n7.07 nF"
    drawing = drawn_schematic(
        picked.network, loading=LOADING, labels=labels, joined=soldered_parts(picked)
    ).svg()
    words = re.findall(r">([^<>]+)</t", drawing)
    assert words.count("C1a") == words.count("C1b") == words.count("6.8 nF") == 1
    assert "C1a ∥ C1b" not in words
    made = {row[0]: row[-1] for row in wiring_rows(picked).rows}
    assert made["C1"] == "C1a 6.8 nF + C1b 270 pF in parallel"
    assert made["R1"] == "453 kΩ"
    cards = netlist(picked.network, loading=LOADING, picked=picked).splitlines()
    assert "* C1: C1a 6.8e-09, C1b 2.7e-10 in parallel" in cards
    assert not any(line.startswith("* R1") for line in cards)
