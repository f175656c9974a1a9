"""What is wrong with the wiring of a network, in words.

A network is solvable and useful when ``in``, the output nodes and ``0`` are joined by elements,
nothing floats, and every element can carry current.  The checks go from the plain slips of the
pen (a node written two ways) to whole branches that hang in the air.
"""

from __future__ import annotations

from difflib import get_close_matches

from antecurve.checked import checked
from antecurve.errors import WiringError
from antecurve.networks.symbolic import MOST_ELEMENTS, refuse_large
from antecurve.networks.topology import Element, Topology, check_names

__all__ = ["check_wiring"]

_MOST_ELEMENTS = MOST_ELEMENTS // 2
"""A balanced network has most of them twice."""
_FIELD = "network.elements"


@checked
def check_wiring(topology: Topology) -> None:
    """Raise when elements don't make a network between input, output and ground.

    Parameters
    ----------
    topology : Topology
        The network.

    Raises
    ------
    WiringError
        Naming the likely fault: a reference used twice, an element across one node, an unknown
        node, a floating node, a node with one element, no path from input to output, no path
        to ground, an output shorted, an element that carries no current, more elements and nodes
        than H(s) can be written out for.

    Examples
    --------
    >>> from antecurve.networks.topology import ElementKind
    >>> elements = (
    ...     Element("R1", ElementKind.RESISTOR, ("in", "out")),
    ...     Element("R2", ElementKind.RESISTOR, ("out", "earth")),
    ... )
    >>> check_wiring(Topology("own", elements))
    Traceback (most recent call last):
        ...
    antecurve.errors.WiringError: network.elements: received 'R1 in out, R2 out earth'; no element \
touches the node 0 (the common return): did you mean 0 where you wrote earth?
    """
    count = len(topology.elements)
    if count > _MOST_ELEMENTS:
        raise WiringError(_FIELD, f"{count:,} elements", f"use {_MOST_ELEMENTS} or fewer")
    _check_elements(topology)
    refuse_large(topology)
    links = _links(topology.elements)
    terminals = ("in", *topology.output, "0")
    if len(set(topology.output)) == 1:
        raise _fault(topology, f"the output is shorted: both its nodes are {topology.output[0]}")
    for node in dict.fromkeys(terminals):
        if node not in links:
            raise _fault(topology, _missing(node, [n for n in links if n not in terminals]))
    _check_paths(topology, links, terminals)


def _fault(topology: Topology, rule: str) -> WiringError:
    shown = ", ".join(f"{e.ref} {e.nodes[0]} {e.nodes[1]}" for e in topology.elements)
    return WiringError(_FIELD, shown, rule)


def _check_elements(topology: Topology) -> None:
    if not topology.elements:
        raise _fault(topology, "there is no element: give at least two")
    check_names(topology.elements)
    for element in topology.elements:
        if element.nodes[0] == element.nodes[1]:
            raise _fault(
                topology,
                f"{element.ref} has both ends at the node {element.nodes[0]}, so it is shorted: "
                "check its nodes",
            )


def _links(elements: tuple[Element, ...]) -> dict[str, list[Element]]:
    links: dict[str, list[Element]] = {}
    for element in elements:
        for node in element.nodes:
            links.setdefault(node, []).append(element)
    return links


_NAMES = {"in": "the input", "out": "the output", "0": "the common return"}
_ALIASES = {
    "in": ("input", "src", "source", "drive"),
    "out": ("output", "load", "unit"),
    "0": ("gnd", "ground", "earth", "com", "common", "return", "o"),
}


def _missing(node: str, others: list[str]) -> str:
    what = f" ({_NAMES[node]})" if node in _NAMES else ""
    rule = f"no element touches the node {node}{what}"
    for other in others:
        if other.lower() == node or other.lower() in _ALIASES.get(node, ()):
            return f"{rule}: did you mean {node} where you wrote {other}?"
    close = get_close_matches(node, others, n=1)
    if close:
        return f"{rule}: did you mean {node} where you wrote {close[0]}?"
    return f"{rule}: connect one"


def _reached(links: dict[str, list[Element]], start: str, closed: tuple[str, ...]) -> set[str]:
    """Nodes reached from a start without going on through the closed ones."""
    reached, pending = {start}, [start]
    while pending:
        node = pending.pop()
        if node in closed and node != start:
            continue
        for element in links[node]:
            for other in element.nodes:
                if other not in reached:
                    reached.add(other)
                    pending.append(other)
    return reached


def _check_paths(
    topology: Topology, links: dict[str, list[Element]], terminals: tuple[str, ...]
) -> None:
    output, back = topology.output
    joined: set[str] = set()
    for node in terminals:
        joined |= _reached(links, node, ())
    floating = [n for n in links if n not in joined]
    if floating:
        raise _fault(
            topology,
            f"the node {floating[0]} floats: nothing joins {_refs(links[floating[0]])} to the "
            "input, the output or ground",
        )
    for node, elements in links.items():
        if len(elements) == 1 and node not in terminals:
            raise _fault(topology, _lonely(node, elements[0], list(links)))
    if output not in _reached(links, "in", ("0",)):
        raise _fault(
            topology, f"there is no path from in to {output} but through ground: join them"
        )
    if back not in _reached(links, output, ()) or "0" not in _reached(links, "in", ()):
        raise _fault(
            topology,
            f"the output has no path to {'ground' if back == '0' else back}: put an element "
            f"between {output} and {back}",
        )
    for cut in links:
        _check_hanging(topology, links, terminals, cut)


def _lonely(node: str, element: Element, names: list[str]) -> str:
    rule = f"the node {node} has one element only, so that {element.ref} carries no current"
    close = get_close_matches(node, [n for n in names if n != node], n=1)
    return f"{rule}: did you mean {close[0]}?" if close else f"{rule}: connect its other end"


def _check_hanging(
    topology: Topology, links: dict[str, list[Element]], terminals: tuple[str, ...], cut: str
) -> None:
    """Refuse a branch that hangs from one node only: no current can flow in it."""
    for node in links:
        if node == cut or node in terminals:
            continue
        beyond = _reached(links, node, (cut,))
        if not (beyond - {cut}) & set(terminals):
            inside = [e for n in beyond - {cut} for e in links[n]]
            raise _fault(
                topology,
                f"{_refs(inside)} hang from the node {cut} only, so that no current flows in "
                "them: connect them elsewhere too",
            )


def _refs(elements: list[Element]) -> str:
    return ", ".join(dict.fromkeys(e.ref for e in elements))
