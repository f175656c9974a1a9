"""The switch of a box drawn with its contacts numbered, and the network that it belongs to."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

import numpy as np

from antecurve.networks.topology import Network
from antecurve.parts.scatter import part_references
from antecurve.quantities import format_quantity
from antecurve.report.schematic import in_both_widths, page_schematic, ticked
from antecurve.report.schematic_drawing import Drawing
from antecurve.switched.box import Box
from antecurve.switched.physical import stay_values
from antecurve.switched.switch import SwitchContact

__all__ = ["box_schematic_svg", "position_schematic_svg", "switch_svg"]

_ROW = 1.5  # between contacts: two lines of text fit
_WIDTH = 9.5  # of one pole with its labels
_COLUMNS = 2  # poles side by side: as wide as a page
_ARM = 1.6  # length of a wiper
_LEAD = 0.8  # from a contact to its part: the contact's number stands above it
_PART = 3.4  # length of a part with its leads: its label fits above it


def _poles(box: Box) -> list[tuple[str, str, list[SwitchContact]]]:
    """Letter, reference and contacts of each pole."""
    poles = []
    for ref in box.switch.switched:
        contacts = [c for c in box.switch.contacts if c.ref == ref]
        poles.append((contacts[0].contact[0], ref, contacts))
    return poles


def _whole(box: Box, fitted: Collection[str]) -> set[str]:
    """References of what is drawn as one part, once all that it is made of is soldered in."""
    whole = set()
    for number, design in enumerate(box.designs, start=1):
        for position in design.picked.positions:
            for ref, piece in box.pieces(position, number):
                named = replace(piece, element=replace(piece.element, ref=ref))
                if set(part_references(named)) <= set(fitted):
                    whole.add(ref)
    return whole


def box_schematic_svg(box: Box, *, fitted: Collection[str] = ()) -> str:
    """Draw the network of a box: shared parts by value, switched ones by the pole they hang on.

    Parameters
    ----------
    box : Box
        The box.
    fitted : collection of str, optional
        References of the parts that are soldered in, which are ticked.

    Returns
    -------
    str
        As `page_schematic` draws it.
    """
    kinds = {e.ref: e.kind for e in box.topology.elements}
    whole = _whole(box, fitted)
    labels = {
        ref: f"{ticked(ref, whole)}\n{format_quantity(value, kinds[ref].unit)}"
        for ref, value in stay_values(box).items()
    }
    labels |= {ref: f"{ref}\nswitch {letter}" for letter, ref, _ in _poles(box)}
    for addition in box.switch.added:
        value = format_quantity(addition.value, kinds[addition.ref].unit)
        name = ticked(addition.ref, whole)
        labels[addition.ref] = labels[addition.ref].replace(
            f"{addition.ref}\n", f"{name} {value}\n+ "
        )
    # Only the shape is drawn: the values stand in the labels.
    network = Network(box.topology, np.ones(len(box.topology.elements)))
    return page_schematic(network, loading=box.job.common.loading, labels=labels)


def position_schematic_svg(box: Box, number: int, *, fitted: Collection[str] = ()) -> str:
    """Draw what is in circuit in one position of the switch, with the contacts it goes through.

    Parameters
    ----------
    box : Box
        The box.
    number : int
        Number of the throw, from 1.
    fitted : collection of str, optional
        References of the parts that are soldered in, which are ticked.

    Returns
    -------
    str
        As `page_schematic` draws it.
    """
    design = box.designs[number - 1]
    through = {c.ref: c.contact for c in box.switch.contacts if c.position == box.names[number - 1]}
    labels, whole = {}, _whole(box, fitted)
    for position in design.picked.positions:
        ref = position.element.ref
        value = format_quantity(position.value, position.element.kind.unit)
        contact = f", {through[ref]}" if ref in through else ""
        names = " + ".join(ticked(r, whole) for r, _ in box.pieces(position, number))
        labels[ref] = f"{names}{contact}\n{value}"
    return page_schematic(design.network, loading=design.job.loading, labels=labels)


def switch_svg(box: Box, *, fitted: Collection[str] = ()) -> str:
    """Draw the poles of the switch, each wiper, contact and part with its number.

    Parameters
    ----------
    box : Box
        The box.
    fitted : collection of str, optional
        References of the parts that are soldered in, which are ticked.

    Returns
    -------
    str
        As `in_both_widths` writes it; the wipers rest on the first contacts. Empty where
        nothing is switched.
    """
    if not box.switch.switched:
        return ""
    whole = _whole(box, fitted)
    return in_both_widths(*(_drawn_poles(box, n, whole).svg() for n in (_COLUMNS, 1)))


def _drawn_poles(box: Box, columns: int, whole: set[str]) -> Drawing:
    """The poles in columns side by side."""
    drawing = Drawing()
    height = _ROW * (box.switch.throws + 1.5)
    for number, (letter, _, contacts) in enumerate(_poles(box)):
        row, column = divmod(number, columns)
        _draw_pole(drawing, box, (column * _WIDTH, -row * height), letter, contacts, whole)
    return drawing


def _draw_pole(
    drawing: Drawing,
    box: Box,
    at: tuple[float, float],
    letter: str,
    contacts: list[SwitchContact],
    whole: Collection[str],
) -> None:
    """One pole with all its throws."""
    kind = box.topology.elements[box.topology.refs.index(contacts[0].ref)].kind
    x, y = at
    start, end = contacts[0].nodes
    middle = y - _ROW * (len(contacts) - 1) / 2.0
    near, far = x + _ARM, x + _ARM + _LEAD + _PART
    drawing.dot((x, middle), start, "left", open_terminal=True)
    drawing.words((x, middle - 0.6), f"wiper {letter}", "middle")
    drawing.line((x, middle), (near - 0.15, y))
    drawn: dict[str, float] = {}
    for throw, contact in enumerate(contacts):
        height = y - _ROW * throw
        drawing.dot((near, height), contact.contact, "top", open_terminal=True)
        if contact.state == "short":
            drawing.line((near, height), (far, height))
            drawing.words((near + _LEAD + _PART / 2.0, height + 0.35), "wire", "middle")
        elif contact.value is None:
            drawing.words((near + 0.4, height), "open")
            continue
        elif contact.part in drawn:  # the same part: the contacts are joined
            drawing.line((near, height), (near + _LEAD / 2.0, height))
            drawing.line((near + _LEAD / 2.0, height), (near + _LEAD / 2.0, drawn[contact.part]))
            continue
        else:
            label = f"{ticked(contact.part, whole)}  {format_quantity(contact.value, kind.unit)}"
            drawing.line((near, height), (near + _LEAD, height))
            drawing.element(kind, (near + _LEAD, height), (far, height), label)
        drawn[contact.part] = height
    if drawn:
        drawing.line((far, max(drawn.values())), (far, min(drawn.values())))
        drawing.line((far, max(drawn.values())), (far + 0.5, max(drawn.values())))
        drawing.dot((far + 0.5, max(drawn.values())), open_terminal=True)
        drawing.words((far + 0.7, max(drawn.values())), end)
