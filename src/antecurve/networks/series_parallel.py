"""A network as series and parallel branches: what a schematic is drawn from."""

from __future__ import annotations

from antecurve.networks.topology import Arm, Topology
from antecurve.networks.tree import Leaf, join, turned

__all__ = ["branches_of"]


def branches_of(topology: Topology) -> tuple[Arm, ...]:
    """Join everything that is in series or in parallel between ports and junctions.

    Parameters
    ----------
    topology : Topology
        The network.

    Returns
    -------
    tuple of Arm
        For a half-section one arm from ``in`` to ``out`` and one across the output; for a
        network with bridges whatever can't be joined further.
    """
    arms = list(topology.arms) or [Arm(e.nodes, Leaf(e.ref)) for e in topology.elements]
    terminals = {"in", "0", *topology.output}
    while True:
        for first in range(len(arms)):
            pair = _partner(arms, first, terminals)
            if pair is not None:
                second, merged = pair
                arms = [a for k, a in enumerate(arms) if k not in (first, second)]
                arms.insert(first, merged)
                break
        else:
            return tuple(arms)


def _partner(arms: list[Arm], first: int, terminals: set[str]) -> tuple[int, Arm] | None:
    """Another arm that joins with the given one, in parallel or in series, and the result."""
    one = arms[first]
    for second in range(first + 1, len(arms)):
        two = arms[second]
        if set(one.nodes) == set(two.nodes):
            tree = two.tree if one.nodes == two.nodes else turned(two.tree)
            return second, Arm(one.nodes, join("parallel", one.tree, tree))
    for second in range(len(arms)):
        two = arms[second]
        shared = set(one.nodes) & set(two.nodes) - terminals
        if second == first or len(shared) != 1:
            continue
        node = next(iter(shared))
        if sum(node in a.nodes for a in arms) != 2:
            continue
        head = one if one.nodes[1] == node else Arm(one.nodes[::-1], turned(one.tree))
        tail = two if two.nodes[0] == node else Arm(two.nodes[::-1], turned(two.tree))
        ends = (head.nodes[0], tail.nodes[1])
        return second, Arm(ends, join("series", head.tree, tail.tree))
    return None
