"""A box as its board carries it: every part once, and wires to the contacts of the switch."""

from __future__ import annotations

from dataclasses import dataclass, replace

from antecurve.networks.topology import Topology
from antecurve.parts.position import PickedNetwork
from antecurve.switched.box import Box, box_positions

__all__ = ["BoardWiring", "board_wiring"]


@dataclass(frozen=True, slots=True)
class BoardWiring:
    """What goes on the board of a box, and what leads off it.

    Attributes
    ----------
    picked : PickedNetwork
        Every part between nodes of the board; behind a contact lies a node of its name, ``A1``.
    wires : tuple of tuple
        Node and goal of each wire to the switch: ``wiper A`` or ``contact A1``.
    """

    picked: PickedNetwork
    wires: tuple[tuple[str, str], ...]


def board_wiring(box: Box) -> BoardWiring:
    """Lay out which part of a box lies between which nodes, the switch being off the board.

    Parameters
    ----------
    box : Box
        The box.

    Returns
    -------
    BoardWiring
        Parts and wires; an open contact and one without effect have none.
    """
    behind: dict[str, tuple[str, str]] = {}
    wires = []
    for contact in box.switch.contacts:
        wires.append((contact.nodes[0], f"wiper {contact.contact[0]}"))
        if contact.state == "fitted":
            nodes = behind.setdefault(contact.part, (contact.contact, contact.nodes[1]))
            wires.append((nodes[0], f"contact {contact.contact}"))
        elif contact.state == "short":
            wires.append((contact.nodes[1], f"contact {contact.contact}"))
    for addition in box.switch.added:
        if addition.joined == "series":
            start, _ = box.topology.elements[box.topology.refs.index(addition.ref)].nodes
            behind[addition.ref] = (start, f"{addition.ref}-end")
    positions = tuple(
        replace(p, element=replace(p.element, nodes=behind.get(p.element.ref, p.element.nodes)))
        for p in box_positions(box).positions
    )
    topology = Topology(box.switch.form, tuple(p.element for p in positions), box.topology.output)
    return BoardWiring(PickedNetwork(topology, positions), tuple(dict.fromkeys(wires)))
