"""``network.cir``: one card a line, ``REF NODE NODE VALUE``, source and load included."""

from __future__ import annotations

from antecurve.networks.topology import ElementKind, Loading, Network

__all__ = ["netlist"]


def netlist(network: Network, *, loading: Loading, title: str = "") -> str:
    """Return the cards of a network between its source and load.

    Parameters
    ----------
    network : Network
        The network; one card a position, joined parts as one value.
    loading : Loading
        Source and load, as cards RSOURCE, RLOAD and CLOAD, present even when zero.
    title : str, optional
        Title for the first comment line.

    Returns
    -------
    str
        Lines; comments begin with ``*``; numbers with full precision.
    """
    topology = network.topology
    plain = " ".join(title.split())
    lines = [
        f"* {plain}",
        f"* form {topology.form}; ohm and farad; EMF between drive and 0",
        f"RSOURCE drive in {loading.source_resistance!r}",
    ]
    for kind in (ElementKind.RESISTOR, ElementKind.CAPACITOR):
        lines += [
            f"{element.ref} {element.nodes[0]} {element.nodes[1]} {float(value)!r}"
            for element, value in zip(topology.elements, network.values, strict=True)
            if element.kind is kind
        ]
    plus, minus = topology.output
    lines += [
        f"RLOAD {plus} {minus} {loading.load_resistance!r}",
        f"CLOAD {plus} {minus} {loading.load_capacitance!r}",
    ]
    return "\n".join(lines) + "\n"
