"""Spanning trees and their sums: counts and networks that are known in closed form."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from antecurve.networks.forests import forest_plan
from antecurve.networks.poles_and_zeros import network_zero_pole_gain
from antecurve.networks.symbolic import solve
from antecurve.networks.topology import Element, ElementKind, Loading, Network, Topology


def spanning_trees(edges: list[tuple[int, int]]) -> list[int]:
    """Every spanning tree, as a bit mask of edges, by the steps of a plan."""
    plan = forest_plan(edges, [0], wanted=lambda groups: len(groups) == 1)
    held = [[0]]
    for step in plan.steps:
        following: list[list[int]] = [[] for _ in range(step.states)]
        for move in step.moves:
            bit = 1 << step.edge if move.taken else 0
            following[move.end] += [tree | bit for tree in held[move.start]]
        held = following
    return [tree for trees in held for tree in trees]


@pytest.mark.parametrize("nodes", [2, 3, 4, 5, 6])
def test_complete_graphs_have_as_many_trees_as_cayley_says(nodes: int) -> None:
    # Cayley's formula: n ** (n - 2).
    trees = spanning_trees(list(itertools.combinations(range(nodes), 2)))
    assert len(trees) == len(set(trees)) == nodes ** (nodes - 2)
    assert all(bin(tree).count("1") == nodes - 1 for tree in trees)


@pytest.mark.parametrize("seed", range(20))
def test_the_number_of_trees_is_kirchhoffs_determinant(seed: int) -> None:
    rng = np.random.default_rng(seed)
    nodes = int(rng.integers(2, 7))
    edges = [(int(a), int(b)) for a, b in rng.integers(0, nodes, (int(rng.integers(1, 12)), 2))]
    edges += [(nodes - 1, 0)]
    used = sorted({n for edge in edges for n in edge})
    laplacian = np.zeros((nodes, nodes))
    for a, b in edges:
        if a != b:
            laplacian[[a, b], [a, b]] += 1
            laplacian[[a, b], [b, a]] -= 1
    inner = laplacian[np.ix_(used[1:], used[1:])]
    assert len(spanning_trees(edges)) == round(float(np.linalg.det(inner)))


def test_a_node_between_capacitors_leaves_no_pole_at_zero_frequency() -> None:
    """Two capacitors in series are one: C = 1 / (1/C1 + 1/C2)."""
    two = Topology(
        "own",
        (
            Element("C1", ElementKind.CAPACITOR, ("in", "a")),
            Element("C2", ElementKind.CAPACITOR, ("a", "out")),
            Element("R1", ElementKind.RESISTOR, ("out", "0")),
        ),
    )
    one = Topology("own", (Element("C1", ElementKind.CAPACITOR, ("in", "out")), two.elements[2]))
    loading = Loading(600.0, 47e3, 1e-10)
    joined = network_zero_pole_gain(Network(two, np.array([1e-8, 3e-8, 1e4])), loading=loading)
    single = network_zero_pole_gain(Network(one, np.array([7.5e-9, 1e4])), loading=loading)
    assert joined.zeros_at_origin == single.zeros_at_origin == 1
    # Both are roots of a polynomial of second order: good to some roundings.
    assert np.real(joined.poles_s) == pytest.approx(np.real(single.poles_s), rel=1e-12)
    assert joined.zeros_s == single.zeros_s == ()
    assert solve(two).transfer_denominator[0] != 0


def test_a_numerator_with_a_negative_end_has_its_roots() -> None:
    """A bridge across which the voltage changes its sign: N(s) = R2 - R1 + s C1 R1 R2 ..."""
    elements = (
        Element("R1", ElementKind.RESISTOR, ("in", "a")),
        Element("R2", ElementKind.RESISTOR, ("a", "0")),
        Element("C1", ElementKind.CAPACITOR, ("in", "b")),
        Element("R3", ElementKind.RESISTOR, ("b", "0")),
    )
    network = Network(Topology("own", elements, ("a", "b")), np.array([1e3, 3e3, 1e-8, 2e3]))
    zeros = network_zero_pole_gain(network, loading=Loading(0.0, 1e12, 0.0)).zeros_s
    # Without load Va - Vb = R2/(R1+R2) - s C1 R3/(1 + s C1 R3): zero at s = R2/(R1 C1 R3) > 0.
    assert [z.real for z in zeros] == pytest.approx([-1e3 * 1e-8 * 2e3 / 3e3], rel=1e-6)
