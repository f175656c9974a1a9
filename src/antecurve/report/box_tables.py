"""Tables and sentences of a box with several curves, for the page and the terminal alike."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from antecurve.curves.catalogue import curve_label
from antecurve.curves.construct import OWN_CURVE
from antecurve.networks.topology import ElementKind
from antecurve.quantities import format_quantity
from antecurve.report.curve_tables import microseconds
from antecurve.report.tables import made_of
from antecurve.report.text_table import TextTable, declared, signed_cells, table_from
from antecurve.switched.box import box_positions
from antecurve.texts import capitalised, counted

if TYPE_CHECKING:
    from antecurve.curves.model import Curve
    from antecurve.parts.position import Position
    from antecurve.pipeline import Design
    from antecurve.switched.box import Box
    from antecurve.switched.box_analysis import BoxAnalysis
    from antecurve.switched.common_spread import CommonSpread
    from antecurve.switched.contacts import Passing
    from antecurve.switched.switch import SwitchContact

__all__ = [
    "alternative_lines",
    "alternative_rows",
    "box_lines",
    "common_spread_lines",
    "common_spread_rows",
    "contact_effect_rows",
    "contact_rows",
    "network_text",
    "passing_lines",
    "position_rows",
    "position_text",
    "shared_rows",
    "switch_lines",
    "switch_text",
]

_LEAST_RISE_DB = 0.05  # what is less is shown as 0.0
_COUNTS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")


def _count(number: int, noun: str) -> str:
    figures, things = counted(number, noun).split(maxsplit=1)
    return f"{_COUNTS[number] if number < len(_COUNTS) else figures} {things}"


def box_lines(box: Box) -> list[str]:
    """Conclude in a few sentences: what is switched, how good it is, what is proved.

    Parameters
    ----------
    box : Box
        The box.

    Returns
    -------
    list of str
        Sentences.
    """
    switch, search = box.switch, box.search
    switched = ", ".join(switch.switched) or "nothing"
    worst = max(zip(box.names, box.designs, strict=True), key=lambda item: _error_db(item[1]))
    needed = (
        f"Switched: {switched}. In every position: {', '.join(switch.shared) or 'nothing'}. "
        f"The switch has {_count(switch.poles, 'pole')} and {_count(switch.throws, 'throw')}."
    )
    lines = [
        needed if switch.poles else "One network serves every position: no switch is needed.",
        f"Design error ±{search.objective_db:.3f} dB or less in every position, largest in "
        f"{worst[0]}.",
        f"{capitalised(search.claim)}.",
    ]
    for addition in switch.added:
        unit = "ohm" if addition.ref[0] == "R" else "F"
        lines.append(
            f"Of {addition.ref}, {format_quantity(addition.value, unit)} stays in circuit; throws "
            f"add a part to it in {addition.joined}."
        )
    if switch.joined_poles < switch.poles:
        lines.append(
            "Parts between the same two nodes can go to one contact: "
            f"then {_count(switch.joined_poles, 'pole')} will do."
        )
    return lines


def switch_lines(box: Box) -> list[str]:
    """Say why no smaller switch does.

    Parameters
    ----------
    box : Box
        The box.

    Returns
    -------
    list of str
        Sentences.
    """
    return [f"{capitalised(reason)}." for reason in box.switch.reasons]


def _error_db(design: Design) -> float:
    return design.analysis.error.job.centred_db


def _curve_words(curve: Curve) -> str:
    """The curve by its name, one of the user's own by its time constants."""
    if curve.name != OWN_CURVE:
        return curve_label(curve.name)
    zeros = microseconds(curve.zeros_s, at_origin=curve.zeros_at_origin)
    return f"zeros {zeros}; poles {microseconds(curve.poles_s, at_origin=curve.poles_at_origin)}"


def _poles(design: Design) -> str | None:
    poles = design.curve.ultrasonic_poles_s
    if not poles:
        return None
    return ", ".join(
        format_quantity(1.0 / (2.0 * math.pi * t), "Hz", digits=3, padded=True) for t in poles
    )


def position_rows(box: Box) -> TextTable:
    """Tabulate the positions of the switch.

    Parameters
    ----------
    box : Box
        The box.

    Returns
    -------
    TextTable
        One row a position.
    """
    items = list(zip(box.names, box.designs, strict=True))
    return table_from(
        items,
        declared("position", lambda i: i[0], right=False),
        declared("curve", lambda i: _curve_words(i[1].curve), right=False),
        declared("ultrasonic pole", lambda i: _poles(i[1])),
        declared("error ± dB", lambda i: _error_db(i[1]), "{:.3f}".format),
        declared("95 % of builds ± dB", lambda i: i[1].analysis.spread.centred_db.p95,
                 "{:.3f}".format),
        declared("gain at 1 kHz dB", lambda i: i[1].analysis.level.gain_db_at_1khz,
                 "{:.2f}".format),
        declared("level at 1 kHz", lambda i: format_quantity(
            i[1].analysis.level.output_v, "V", padded=True)),
    )  # fmt: skip


def shared_rows(box: Box) -> TextTable:
    """Tabulate the parts that stay.

    Parameters
    ----------
    box : Box
        The box.

    Returns
    -------
    TextTable
        One row a position of the network.
    """
    fitted: dict[str, Position] = {}
    for design in box.designs:
        for position in design.picked.positions:
            ref = position.element.ref
            for name, piece in box.pieces(position, 1):
                if ref in box.switch.shared or (name == ref and ref in box.switch.separate):
                    fitted.setdefault(ref, piece)
    nodes = {e.ref: e.nodes for e in box.topology.elements}
    for addition in box.switch.added:
        if addition.joined == "series":
            nodes[addition.ref] = (nodes[addition.ref][0], f"{addition.ref}-end")
    return table_from(
        [fitted[ref] for ref in box.topology.refs if ref in fitted],
        declared("reference", "element.ref", right=False),
        declared("from", lambda p: nodes[p.element.ref][0], right=False),
        declared("to", lambda p: nodes[p.element.ref][1], right=False),
        declared("fitted", lambda p: format_quantity(p.value, p.element.kind.unit)),
        declared("made of", made_of, right=False),
    )


def contact_rows(box: Box, *, position: str | None = None) -> TextTable:
    """Tabulate the wiring of the switch, contact by contact.

    Parameters
    ----------
    box : Box
        The box.
    position : str, optional
        Name of the one switch position wanted; all by default.

    Returns
    -------
    TextTable
        One row a contact.
    """
    return table_from(
        [c for c in box.switch.contacts if position in (None, c.position)],
        declared("contact", "contact", right=False),
        declared("in position", "position", right=False),
        declared("wiper at", lambda c: c.nodes[0], right=False),
        declared("fit", lambda c: _fit(box, c), right=False),
        declared("to", lambda c: c.nodes[1] if c.state in ("fitted", "short") else None,
                 right=False),
    )  # fmt: skip


def _fit(box: Box, contact: SwitchContact) -> str:
    """What goes from a contact to its node."""
    if contact.state != "fitted":
        return {"short": "a wire", "open": "nothing", "idle": "nothing (no effect)"}[contact.state]
    throw = box.names.index(contact.position) + 1
    unit = ElementKind(next(e.kind for e in box.topology.elements if e.ref == contact.ref)).unit
    fitted: Any = next(
        p for p in box.position(contact.position).picked.positions if p.element.ref == contact.ref
    )
    name, what = contact.part, made_of(fitted)
    if any(a.ref == contact.ref for a in box.switch.added):
        name, fitted = box.pieces(fitted, throw)[-1]
        what = f"{made_of(fitted)}, added to {contact.ref}"
    elif contact.ref in box.switch.separate and fitted.joined == "single":
        what = format_quantity(fitted.value, unit)
    elif contact.ref in box.switch.separate:
        name, what = "", what.replace(f"{contact.ref}a", f"{contact.part}a")
        what = what.replace(f"{contact.ref}b", f"{contact.part}b")
    others = [c.contact for c in box.switch.contacts if c.part == contact.part and c is not contact]
    same = f", the same part as on {' and '.join(others)}" if others else ""
    return f"{name} {what}{same}".strip()


def alternative_rows(box: Box) -> TextTable:
    """Tabulate other switches for the same curves.

    Parameters
    ----------
    box : Box
        The box.

    Returns
    -------
    TextTable
        One row an alternative, with its best values and with parts.
    """

    return table_from(
        enumerate(box.alternatives, start=1),
        declared("number", lambda n: n[0]),
        declared("alternative", lambda n: n[1].what, right=False),
        declared("poles", lambda n: len(n[1].switched)),
        declared("form", lambda n: n[1].form, right=False),
        declared("switched", lambda n: ", ".join(n[1].switched) or "nothing", right=False),
        declared("error ± dB, best values", lambda n: n[1].centred_db, "{:.3f}".format),
        declared("with parts", lambda n: n[1].picked_db, "{:.3f}".format),
        declared("no parts below", lambda n: n[1].lower_bound_db or None, "{:.3f}".format),
        declared("number of parts", lambda n: n[1].part_count),
    )


def alternative_lines(box: Box) -> list[str]:
    """List the parts of each alternative.

    Parameters
    ----------
    box : Box
        The box.

    Returns
    -------
    list of str
        Sentences.
    """
    lines = [f"The box above has {box_positions(box).part_count} parts."]
    if any(alternative.lower_bound_db for alternative in box.alternatives):
        lines.append(
            "No parts below: with that network, switch and ultrasonic poles no parts have a "
            "smaller error (proved)."
        )
    if box.alternatives_cut_short:
        lines.append(
            "Not all alternatives were looked for; with more time (pick.budget_seconds) there may "
            "be more."
        )
    for alternative in box.alternatives:
        values = [
            f"{ref} {format_quantity(value, 'ohm' if ref[0] == 'R' else 'F')}"
            for ref, value in sorted(alternative.values.items(), key=_by_throw)
        ]
        lines.append(
            f"{capitalised(alternative.what)}: {', '.join(values)}."
            if values
            else f"{capitalised(alternative.what)}: no parts near these values meet the limits."
        )
    return lines


def _by_throw(item: tuple[str, float]) -> tuple[str, int]:
    """Order ``R2_10`` behind ``R2_9``."""
    ref, _, throw = item[0].partition("_")
    return ref, int(throw or 0)


def position_text(box: Box, number: int) -> str:
    """Word the schematic of one position of the switch.

    Parameters
    ----------
    box : Box
        The box.
    number : int
        Number of the throw, from 1.

    Returns
    -------
    str
        What the wipers rest on.
    """
    name = box.names[number - 1]
    touched = [c.contact for c in box.switch.contacts if c.position == name]
    wipers = f", wipers on {', '.join(touched)}" if touched else ""
    return f"Schematic of what is in circuit at {name}{wipers}."


def network_text(box: Box) -> str:
    """Word the schematic of a box.

    Parameters
    ----------
    box : Box
        The box.

    Returns
    -------
    str
        Which positions stay and which the switch changes.
    """
    return (
        f"Schematic of a {box.switch.form} network: {', '.join(box.switch.shared)} stay, "
        f"{', '.join(box.switch.switched) or 'nothing'} switched."
    )


def switch_text(box: Box) -> str:
    """Word the drawing of the switch.

    Parameters
    ----------
    box : Box
        The box.

    Returns
    -------
    str
        Its poles and throws.
    """
    if not box.switch.switched:
        return "One network makes every curve: nothing is switched."
    poles = dict.fromkeys((c.contact[0], c.ref) for c in box.switch.contacts)
    words = ", ".join(f"{letter} switches {ref}" for letter, ref in poles)
    return (
        f"A switch of {_count(box.switch.poles, 'pole')} and "
        f"{_count(box.switch.throws, 'throw')}: {words}."
    )


def contact_effect_rows(analysis: BoxAnalysis) -> TextTable:
    """Tabulate what contacts and a bleed resistor do in every position.

    Parameters
    ----------
    analysis : BoxAnalysis
        What the box will do.

    Returns
    -------
    TextTable
        One row a position.
    """
    bleed = format_quantity(analysis.bleed_ohm, "ohm", digits=2)
    return table_from(
        list(zip(analysis.contacts, analysis.bleed, strict=True)),
        declared("position", lambda i: i[0].position, right=False),
        declared("contacts: level dB", lambda i: i[0].level_db, signed_cells(4)),
        declared("response ± dB", lambda i: i[0].change_db, "{:.4f}".format),
        declared("error then ± dB", lambda i: i[0].centred_db, "{:.3f}".format),
        declared(f"bleed {bleed}: level dB", lambda i: i[1].level_db, signed_cells(3)),
        declared("error then ± dB", lambda i: i[1].centred_db, "{:.3f}".format),
    )


def passing_lines(analysis: BoxAnalysis) -> list[str]:
    """Say what the unit sees while the switch passes from throw to throw.

    Parameters
    ----------
    analysis : BoxAnalysis
        What the box will do.

    Returns
    -------
    list of str
        Sentences, the advice last.
    """
    if not any(moment.poles for moment in analysis.passing):
        return []
    bleed = format_quantity(analysis.bleed_ohm, "ohm", digits=2)
    lines = [_passing_line(moment) for moment in analysis.passing]
    lines.append(
        f"With a bleed resistor of {bleed} across the output: "
        + "; ".join(f"{p.contacts} {_rise(p)}" for p in analysis.bled)
        + "."
    )
    return [*lines, f"Advice: {analysis.advice}."]


def _rise(moment: Passing) -> str:
    """How much louder than either position."""
    if moment.rise_db < _LEAST_RISE_DB:
        return "never louder than both positions"
    return f"up to {moment.rise_db:.1f} dB louder than either position"


def _passing_line(moment: Passing) -> str:
    name = capitalised(moment.contacts)
    if moment.rise_db < _LEAST_RISE_DB:
        return f"{name} contacts: between throws the output is never louder than at rest."
    verb = "open" if moment.contacts.startswith("break") else "bridged"
    return (
        f"{name} contacts: between {moment.between[0]} and {moment.between[1]} the output is "
        f"{_rise(moment)}, {format_quantity(moment.level_v, 'V', digits=3, padded=True)} at "
        f"{format_quantity(moment.frequency_hz, 'Hz', digits=2)}, with {', '.join(moment.poles)} "
        f"{verb}."
    )


def common_spread_rows(spread: CommonSpread) -> TextTable:
    """Tabulate the spread of every position in builds of whole boxes.

    Parameters
    ----------
    spread : CommonSpread
        The spread.

    Returns
    -------
    TextTable
        One row a position.
    """
    return table_from(
        spread.positions,
        declared("position", "position", right=False),
        declared("95 % of boxes ± dB", "p95_db", "{:.3f}".format),
        declared("shared parts alone ± dB", "shared_p95_db", "{:.3f}".format),
        declared("level ± dB", "level_p95_db", "{:.3f}".format),
    )


def common_spread_lines(spread: CommonSpread) -> list[str]:
    """Say what the spread of whole boxes is.

    Parameters
    ----------
    spread : CommonSpread
        The spread.

    Returns
    -------
    list of str
        Sentences.
    """
    lines = [
        f"95 % of {spread.builds:,} boxes are within ±{spread.worst_p95_db:.3f} dB in every "
        "position.",
        f"Level: ±{spread.level_common_p95_db:.2f} dB common to all positions, "
        f"±{spread.level_between_p95_db:.2f} dB between them (95 % of boxes).",
    ]
    if spread.yield_fraction is not None:
        lines.append(
            f"{100.0 * spread.yield_fraction:.3g} % of boxes are within ±{spread.limit_db:g} dB "
            "in every position."
        )
    return lines
