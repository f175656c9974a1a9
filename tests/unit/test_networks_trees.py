"""Spanning trees: counts that are known in closed form."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from antecurve.networks.forests import forest_plan


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
