"""What a throw of the switch does to a position: it fits a value, opens it or shorts it.

Elements that then have no effect, such as a capacitor across a shorted resistor, are *idle*: they
may stay as they are.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from itertools import combinations, pairwise, product

from antecurve.networks.topology import Element, ElementKind, Topology
from antecurve.pick.structure import same_networks

__all__ = [
    "MOST_THROWN",
    "OPEN",
    "SHORT",
    "ThrownNetwork",
    "flat_networks",
    "matching_networks",
    "thrown",
]

OPEN, SHORT = "open", "short"
MOST_THROWN = 3
"""Positions opened or shorted at once: a flat network of two zeros needs two, a spare is enough."""
_ENDS = ("in", "out", "0")


@dataclass(frozen=True, slots=True)
class ThrownNetwork:
    """What is left of a network when some of its positions are opened or shorted.

    Attributes
    ----------
    states : tuple of tuple of str
        References with ``open`` or ``short``.
    topology : Topology
        The elements that have an effect, under their own references.
    order : tuple of int
        For each of them its place in the topology of the exact formulas; empty where that is
        the topology itself, or there are none.
    """

    states: tuple[tuple[str, str], ...]
    topology: Topology
    order: tuple[int, ...] = ()

    @property
    def thrown_refs(self) -> frozenset[str]:
        """References of the positions that are opened or shorted."""
        return frozenset(ref for ref, _ in self.states)


def thrown(
    topology: Topology, states: Mapping[str, str], *, loaded: bool = False
) -> ThrownNetwork | None:
    """Open and short positions of a network.

    Parameters
    ----------
    topology : Topology
        The whole network.
    states : mapping of str to str
        ``open`` or ``short`` by reference.
    loaded : bool, optional
        Whether the load alone may be all that lies across the output.

    Returns
    -------
    ThrownNetwork or None
        What is left; ``None`` where input, output or ground come together or apart.
    """
    name = {node: node for e in topology.elements for node in e.nodes}
    for ref, state in states.items():
        if state != SHORT:
            continue
        one, other = (name[n] for n in topology.elements[topology.refs.index(ref)].nodes)
        if one in _ENDS and other in _ENDS and one != other:
            return None
        kept, gone = (one, other) if one in _ENDS else (other, one)
        name = {node: kept if now == gone else now for node, now in name.items()}
    elements = [
        Element(e.ref, e.kind, (name[e.nodes[0]], name[e.nodes[1]]))
        for e in topology.elements
        if e.ref not in states and name[e.nodes[0]] != name[e.nodes[1]]
    ]
    carrying = _carrying({frozenset(e.nodes) for e in elements})
    elements = [e for e in elements if frozenset(e.nodes) in carrying.links]
    if not (carrying.through and (carrying.across or loaded)):
        return None
    if len(elements) == len(topology.elements):
        return ThrownNetwork((), topology)
    return ThrownNetwork(
        tuple(sorted(states.items())), Topology(topology.form, tuple(elements), topology.output)
    )


@dataclass(slots=True)
class _Carrying:
    """Pairs of nodes between which current flows, and which ends are joined."""

    links: set[frozenset[str]]
    through: bool = False
    across: bool = False


def _carrying(links: set[frozenset[str]]) -> _Carrying:
    """Follow every simple path from one end to another; what lies on none carries no current."""
    carrying = _Carrying(set())

    def follow(path: tuple[str, ...]) -> None:
        for link in links:
            onward = link - {path[-1]}
            if path[-1] not in link or onward & set(path):
                continue
            (node,) = onward
            if node in _ENDS:
                carrying.links |= {frozenset(p) for p in pairwise((*path, node))}
                carrying.through |= {path[0], node} == {"in", "out"}
                carrying.across |= {path[0], node} == {"out", "0"}
            else:
                follow((*path, node))

    for end in _ENDS:
        follow((end,))
    return carrying


def _every_state(topology: Topology) -> Iterator[ThrownNetwork]:
    """What is left for all ways to throw up to a few positions, fewest first."""
    for count in range(MOST_THROWN + 1):
        for refs in combinations(topology.refs, count):
            for states in product((OPEN, SHORT), repeat=count):
                made = thrown(topology, dict(zip(refs, states, strict=True)))
                if made is not None:
                    yield made


def matching_networks(topology: Topology, exact: Topology) -> list[ThrownNetwork]:
    """List the ways to throw positions so that another network of the form is left.

    Parameters
    ----------
    topology : Topology
        The whole network.
    exact : Topology
        The network that the exact formulas make for a curve.

    Returns
    -------
    list of ThrownNetwork
        None of them throws a position in vain; each with all orders of the elements.
    """
    matching: list[ThrownNetwork] = []
    for made in _every_state(topology):
        if len(made.topology.elements) != len(exact.elements) or any(
            set(known.states) < set(made.states) for known in matching
        ):
            continue
        matching += [
            ThrownNetwork(made.states, made.topology, order)
            for order in same_networks(made.topology, exact)
        ]
    return matching


def flat_networks(topology: Topology) -> list[ThrownNetwork]:
    """List the ways to throw positions so that no capacitor has an effect.

    Parameters
    ----------
    topology : Topology
        The whole network.

    Returns
    -------
    list of ThrownNetwork
        None of them throws a position in vain.
    """
    flat: list[ThrownNetwork] = []
    for made in _every_state(topology):
        if any(e.kind is ElementKind.CAPACITOR for e in made.topology.elements):
            continue
        if not any(set(known.states) <= set(made.states) for known in flat):
            flat.append(made)
    return flat
