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
    position: str = "",
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
        Between a wiper and each contact it does not touch [F]; the parts behind those contacts
        are in series with it (see `_behind_open`).
    position : str, optional
        With a stray capacitance: the switch position in which the wipers rest.

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
    stays = {a.ref: a for a in box.switch.added}
    for ref in box.switch.switched:
        state, value = states[ref]
        start, end = nodes[ref]
        if ref in stays and stays[ref].joined == "series":
            made.add(f"{ref}_stays", (start, f"{ref}-end"), stays[ref].value)
            start = f"{ref}-end"
        elif ref in stays:
            made.add(f"{ref}_stays", (start, end), stays[ref].value)
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
        if stray_capacitance:
            _behind_open(made, box, ref, position, stray_capacitance)
    carrying = thrown(Topology("built", tuple(made.elements)), shorted, loaded=True)
    if carrying is None:
        return None
    value_of = dict(zip((e.ref for e in made.elements), made.values, strict=True))
    values = np.array([value_of[ref] for ref in carrying.topology.refs])
    return Network(carrying.topology, values)


def _behind_open(
    made: _Fitted, box: Box, ref: str, position: str, stray_capacitance: float
) -> None:
    """Put the stray capacitances of one pole and the parts behind its open contacts in place.

    A capacitor in series with a stray capacitance is one capacitance.  Branches of resistances
    R_k and capacitances C_k in parallel are, to second order in w R_k C_k, one branch of
    C = sum(C_k) and sum(R_k C_k^2)/C^2; in the audio band w R C is below 0.13 with 1 Mohm, 1 pF.
    """
    start, end = next(c.nodes for c in box.switch.contacts if c.ref == ref)
    of_pole = [c for c in box.switch.contacts if c.ref == ref and c.part]
    # What the wiper rests on is joined to it: no capacitance lies between.
    joined = {c.part for c in of_pole if c.position == position}
    behind = [c for c in of_pole if c.part not in joined]
    if not behind:
        return
    count = {c.part: float(sum(c.part == other.part for other in behind)) for c in behind}
    value = {c.part: c.value for c in behind}
    stray = np.array([stray_capacitance * count[part] for part in count])
    if ref[0] == "C":
        own = np.array([np.inf if v is None else v for v in value.values()])
        made.add(f"C_{ref}", (start, end), float(np.sum(stray / (1.0 + stray / own))))
        return
    own = np.array([v or 0.0 for v in value.values()])
    resistance = float(np.sum(own * stray**2) / np.sum(stray) ** 2)
    middle = f"open-{ref}" if resistance else end
    made.add(f"C_{ref}", (start, middle), float(np.sum(stray)))
    if resistance:
        made.add(f"R_{ref}_open", (middle, end), resistance)
