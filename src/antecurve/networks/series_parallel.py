"""A network as series and parallel branches: what a schematic is drawn from."""

from __future__ import annotations

from antecurve.networks.topology import Arm, Branch, Topology

__all__ = ["Arm", "Branch", "branches_of", "turned"]


def turned(branch: Branch) -> Branch:
    """Reverse a branch: the same seen from its other end.

    Parameters
    ----------
    branch : Branch
        The branch.

    Returns
    -------
    Branch
        With the order of every series group reversed.
    """
    parts = tuple(turned(p) for p in branch.parts)
    return Branch(branch.joined, branch.ref, parts[::-1] if branch.joined == "series" else parts)


def _joined(joined: str, first: Branch, second: Branch) -> Branch:
    parts: tuple[Branch, ...] = ()
    for branch in (first, second):
        parts += branch.parts if branch.joined == joined else (branch,)
    return Branch(joined, "", parts)


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
    arms = list(topology.arms) or [
        Arm(e.nodes, Branch("element", e.ref)) for e in topology.elements
    ]
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
            branch = two.branch if one.nodes == two.nodes else turned(two.branch)
            return second, Arm(one.nodes, _joined("parallel", one.branch, branch))
    for second in range(len(arms)):
        two = arms[second]
        shared = set(one.nodes) & set(two.nodes) - terminals
        if second == first or len(shared) != 1:
            continue
        node = next(iter(shared))
        if sum(node in a.nodes for a in arms) != 2:
            continue
        head = one if one.nodes[1] == node else Arm(one.nodes[::-1], turned(one.branch))
        tail = two if two.nodes[0] == node else Arm(two.nodes[::-1], turned(two.branch))
        ends = (head.nodes[0], tail.nodes[1])
        return second, Arm(ends, _joined("series", head.branch, tail.branch))
    return None
