"""A box as it is built: every part in it, contacts with their resistance and capacitance."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from antecurve.networks.topology import Element, ElementKind, Network, Topology
from antecurve.switched.box import Box
from antecurve.switched.switch import SwitchContact
from antecurve.switched.throws import thrown

__all__ = ["built_network", "stay_values", "wiper_state"]


@dataclass(frozen=True, slots=True)
class _Fitted:
    """Elements with their values, as they are put together."""

    elements: list[Element]
    values: list[float]

    def add(self, ref: str, nodes: tuple[str, str], value: float) -> None:
        """Put an element between two nodes; its letter says what it is."""
        kind = ElementKind.RESISTOR if ref[0] == "R" else ElementKind.CAPACITOR
        self.elements.append(Element(ref, kind, nodes))
        self.values.append(value)


def stay_values(box: Box) -> dict[str, float]:
    """Read off the values of the positions that are not switched.

    Parameters
    ----------
    box : Box
        The box.

    Returns
    -------
    dict of str to float
        Value [ohm or F] by reference.
    """
    return {
        p.element.ref: p.value
        for design in box.designs
        for p in design.picked.positions
        if p.element.ref in box.switch.shared
    }


def wiper_state(contacts: Sequence[SwitchContact]) -> tuple[str, float]:
    """Work out what a wiper is joined to that touches one contact, several, or none.

    Parameters
    ----------
    contacts : sequence of SwitchContact
        The contacts of one pole that it touches.

    Returns
    -------
    state : str
        ``open``, ``short`` or ``fitted``.
    value : float
        Of what is fitted [ohm or F], the parts of several contacts in parallel; else 0.
    """
    if any(c.state == "short" for c in contacts):
        return "short", 0.0
    parts = {c.part: c.value for c in contacts if c.value is not None}
    if not parts:
        return "open", 0.0
    values = np.array(list(parts.values()))
    resistor = contacts[0].ref[0] == "R"
    return "fitted", float(1.0 / np.sum(1.0 / values) if resistor else np.sum(values))


def built_network(
    box: Box,
    states: Mapping[str, tuple[str, float]],
    *,
    contact_resistance: float = 0.0,
    stray_capacitance: float = 0.0,
) -> Network | None:
    """Put a box together with the wipers in given states.

    Parameters
    ----------
    box : Box
        The box.
    states : mapping of str to tuple
        For each switched position what its wiper is joined to, as `wiper_state` says.
    contact_resistance : float, optional
        In series with whatever a wiper is joined to [ohm].
    stray_capacitance : float, optional
        Between a wiper and each contact it does not touch [F].  The parts behind those contacts
        only lessen its effect and are left out.

    Returns
    -------
    Network or None
        The network; ``None`` where nothing leads from the input to the output.
    """
    made = _Fitted([], [])
    nodes = {e.ref: e.nodes for e in box.topology.elements}
    for ref, value in stay_values(box).items():
        made.add(ref, nodes[ref], value)
    shorted: dict[str, str] = {}
    for ref in box.switch.switched:
        state, value = states[ref]
        start, end = nodes[ref]
        if state == "short":
            made.add(f"R_{ref}", (start, end), contact_resistance or 1.0)
            if not contact_resistance:
                shorted[f"R_{ref}"] = "short"
            continue
        if state == "fitted" and contact_resistance:
            made.add(f"R_{ref}", (start, f"wiper-{ref}"), contact_resistance)
            made.add(ref, (f"wiper-{ref}", end), value)
        elif state == "fitted":
            made.add(ref, (start, end), value)
        others = sum(c.ref == ref and c.state in ("fitted", "short") for c in box.switch.contacts)
        open_contacts = others - (state == "fitted")
        if stray_capacitance and open_contacts > 0:
            made.add(f"C_{ref}", (start, end), stray_capacitance * open_contacts)
    left_over = thrown(Topology("built", tuple(made.elements)), shorted)
    if left_over is None:
        return None
    value_of = dict(zip((e.ref for e in made.elements), made.values, strict=True))
    values = np.array([value_of[ref] for ref in left_over.topology.refs])
    return Network(left_over.topology, values)
