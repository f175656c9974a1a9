"""Boards: the netlist read back from the drawing is the network's, and nothing overlaps."""

from __future__ import annotations

import random
import re
from itertools import combinations, product

import pytest

from antecurve.analysis.part_outlines import PITCH_MM, part_outline
from antecurve.analysis.strip_board import StripBoard, strip_board
from antecurve.curves.catalogue import named_curve
from antecurve.curves.construct import with_limits
from antecurve.networks.balanced import balanced_topology
from antecurve.networks.topology import Element, ElementKind, Loading, Topology
from antecurve.parts.position import Part, PickedNetwork, Position
from antecurve.parts.scatter import part_references
from antecurve.report.board_drawing import board_caption, board_steps, board_svg
from antecurve.synthesis.exact import exact_network_or_none, form_names
from board_copper import Copper

CURVES = [
    with_limits(named_curve("disc"), ultrasonic_poles_hz=poles) for poles in ([50e3], [50e3, 200e3])
]
PACKAGES = {
    "resistor": ["metal film resistor, axial 0207", "metal film resistor, axial 0411"],
    "capacitor": [
        "C0G capacitor, leads at 2.5 or 5 mm", "film capacitor, leads at 5 mm",
        "film capacitor, leads at 10 to 15 mm", "film capacitor, leads at 22.5 mm or more",
        "film capacitor, leads at 27.5 mm",
    ],
}  # fmt: skip


def _own(*lines: str) -> Topology:
    cards = [line.split() for line in lines]
    kinds = {"R": ElementKind.RESISTOR, "C": ElementKind.CAPACITOR}
    return Topology("own", tuple(Element(ref, kinds[ref[0]], (a, b)) for ref, a, b in cards))


def _topologies() -> dict[str, Topology]:
    shapes = {}
    for form, curve in product(form_names(), CURVES):
        made = exact_network_or_none(
            form, curve, loading=Loading(50.0, 47e3, 0.0), gain=1e-2, shunt_resistance=300.0
        )
        if made is not None:
            shapes[form] = made.network.topology
    assert shapes.keys() == set(form_names())
    bridge = _own("R1 in a", "R2 in b", "C1 a b", "R3 a out", "C2 b out", "R4 out 0", "C3 in 0")
    balanced = {f"{name} balanced": balanced_topology(t) for name, t in shapes.items()}
    return shapes | balanced | {"bridge": bridge, "bridge balanced": balanced_topology(bridge)}


TOPOLOGIES = _topologies()


def _picked(topology: Topology, seed: int) -> PickedNetwork:
    """A network whose positions have one to three parts, joined either way."""
    draw = random.Random(seed)
    positions = []
    for element in topology.elements:
        count = draw.choice((1, 1, 2, 3))
        joined = "single" if count == 1 else draw.choice(("series", "parallel"))
        value = 1e3 if element.kind is ElementKind.RESISTOR else 1e-9
        positions.append(Position(element, (Part(value, 0.01),) * count, joined))
    return PickedNetwork(topology, tuple(positions))


def _laid_out(picked: PickedNetwork, seed: int) -> StripBoard:
    draw = random.Random(seed)
    outlines = {}
    for position in picked.positions:
        for ref in part_references(position):
            kind = position.element.kind.value
            outline = part_outline(kind, draw.choice(PACKAGES[kind]))
            assert outline is not None
            outlines[ref] = outline
    return strip_board(picked, outlines)


def _expected(picked: PickedNetwork) -> dict[str, tuple[str, str]]:
    """Every part between its nodes, those in series one after the other."""
    parts = {}
    for position in picked.positions:
        (a, b), refs = position.element.nodes, part_references(position)
        inner = [f"{position.element.ref}|{k}" for k in range(len(refs) - 1)]
        chain = [a, *inner, b]
        for k, ref in enumerate(refs):
            parts[ref] = (chain[k], chain[k + 1]) if position.joined == "series" else (a, b)
    return parts


@pytest.mark.parametrize("name", TOPOLOGIES)
def test_netlist_read_back_from_the_drawing(name: str) -> None:
    for seed in range(3):
        picked = _picked(TOPOLOGIES[name], seed)
        svg = board_svg(_laid_out(picked, seed), upright=seed == 1)
        copper = Copper(svg)
        drawn = {
            ref: (copper.piece(a), copper.piece(b))
            for ref, a, b in re.findall(r'data-part="(\w+)" data-holes="(\w+) (\w+)"', svg)
        }
        expected = _expected(picked)
        assert drawn.keys() == expected.keys()
        pieces: dict[str, tuple[int, int]] = {}
        for node, hole in set(re.findall(r'data-node="([^"]+)" data-hole="(\w+)"', svg)):
            assert pieces.setdefault(node, copper.piece(hole)) == copper.piece(hole)
        assert pieces.keys() == {"in", "0", *picked.topology.output}
        # From the connectors on, each part carries the names of nodes to the next piece.
        pending = dict(expected)
        while pending:
            known = [r for r, ends in pending.items() if set(ends) & pieces.keys()]
            assert known, "a part hangs in the air"
            for ref in known:
                nodes = pending.pop(ref)
                both = sorted(drawn[ref])
                for node in nodes:
                    if node in pieces:
                        assert pieces[node] in both
                        both.remove(pieces[node])
                for node in nodes:
                    if node not in pieces:
                        pieces[node] = both.pop()
        assert len(set(pieces.values())) == len(pieces), "two nodes on one piece of copper"


@pytest.mark.parametrize("name", TOPOLOGIES)
def test_nothing_overlaps(name: str) -> None:
    board = _laid_out(_picked(TOPOLOGIES[name], 7), 7)
    bodies = []
    for part in board.parts:
        middle = (part.start.row + part.end.row) / 2 * PITCH_MM
        x, wide, high = part.start.column * PITCH_MM, part.outline.width_mm, part.outline.length_mm
        bodies.append((x - wide / 2, x + wide / 2, middle - high / 2, middle + high / 2))
        span = abs(part.end.row - part.start.row)
        assert span == part.outline.holes or (part.outline.axial and span > part.outline.holes)
    for a, b in combinations(bodies, 2):
        assert a[1] <= b[0] or b[1] <= a[0] or a[3] <= b[2] or b[3] <= a[2]
    for link in board.links:
        x = link.start.column * PITCH_MM
        high, low = sorted(hole.row * PITCH_MM for hole in (link.start, link.end))
        assert link.start.column == link.end.column
        assert not any(
            left < x < right and high < bottom and top < low for left, right, top, bottom in bodies
        )
    for a, b in combinations(board.links, 2):
        rows = [sorted((link.start.row, link.end.row)) for link in (a, b)]
        apart = rows[0][1] < rows[1][0] or rows[1][1] < rows[0][0]
        assert a.start.column != b.start.column or apart
    soldered = [h for p in board.parts for h in (p.start, p.end)]
    soldered += [h for x in board.links for h in (x.start, x.end)]
    soldered += [t.hole for t in board.terminals]
    assert len(set(soldered)) == len(soldered), "two leads in one hole"
    assert not set(soldered) & set(board.cuts)
    for hole in (*soldered, *board.cuts):
        assert 0 <= hole.row < board.rows and 0 <= hole.column < board.columns


def test_steps_name_every_hole_once_in_the_order_of_soldering() -> None:
    board = _laid_out(_picked(TOPOLOGIES["foster-1"], 1), 1)
    steps = board_steps(board)
    text = "\n".join(steps)
    for hole in board.cuts:
        assert hole.name in steps[1]
    order = [text.index(f"Solder {p.ref},") for p in board.parts if p.kind == "resistor"]
    assert max(order) < min(
        text.index(f"Solder {p.ref},") for p in board.parts if p.kind != "resistor"
    )
    assert "common practice, no source" in board_caption(board)


def test_a_part_on_a_heat_sink_has_no_outline() -> None:
    assert part_outline("resistor", "wirewound resistor, metal case on a heat sink") is None
