"""``design.json`` of a box, read back."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from antecurve.checked import checked
from antecurve.files.design_file import design_at, design_content, understood
from antecurve.files.measured import read_measured
from antecurve.networks.topology import Element, ElementKind, Topology
from antecurve.parts.position import PickedNetwork
from antecurve.parts.scatter import part_table
from antecurve.pipeline import Design

if TYPE_CHECKING:
    from antecurve.switched.box import Box

__all__ = ["read_box", "read_design_and_box", "read_measured_at", "read_positions"]


@checked
def read_box(path: Path | str) -> Box | None:
    """Read a box.

    Parameters
    ----------
    path : Path or str
        A ``design.json``.

    Returns
    -------
    Box or None
        The box; ``None`` for a design of one curve.

    Raises
    ------
    FileFormatError
        When the file can't be read, is no JSON, is of another format or lacks something.
    """
    return read_design_and_box(path)[1]


def read_design_and_box(
    path: Path | str, *, position: str | None = None
) -> tuple[Design, Box | None]:
    """Read a design and the box that it is a position of, the file once: it may be a stream.

    Parameters
    ----------
    path : Path or str
        A ``design.json``.
    position : str, optional
        Name of the one position wanted.

    Returns
    -------
    tuple
        The design, of a box that of the first position by default; and the box, ``None`` for a
        design of one curve.

    Raises
    ------
    FileFormatError
        When the file can't be used.
    InputError
        When there is no such position.
    """
    content = design_content(path)
    if not content.get("positions"):
        return design_at(path, content, position), None
    names = understood(path, lambda: [str(entry["position"]) for entry in content["positions"]])
    designs = tuple(design_at(path, content, name) for name in names)
    design = designs[0] if position is None else design_at(path, content, position)
    return design, understood(path, lambda: _box_from(content, names, designs))


def read_measured_at(path: Path | str, design: Design, box: Box | None) -> dict[str, float]:
    """Read measured values of a design's parts, of a box those of the whole box.

    Parameters
    ----------
    path : Path or str
        The file; references are those of the design or, of a box, of its parts list.
    design : Design
        The design, of a box that of one switch position.
    box : Box or None
        The box that it is a position of.

    Returns
    -------
    dict of str to float
        Values [ohm or F] by the references of the design; of a box those that it sees there.

    Raises
    ------
    FileFormatError
        When the file can't be used; see `antecurve.files.measured.read_measured`.
    """
    if box is None:
        return read_measured(path, design.picked)
    from antecurve.switched.box import box_positions
    from antecurve.switched.box_build import values_at_throw

    listed = box_positions(box)
    own = [p for p in design.picked.positions if p.element.ref not in listed.topology.refs]
    positions = (*listed.positions, *own)
    topology = Topology(listed.topology.form, tuple(p.element for p in positions))
    values = read_measured(path, PickedNetwork(topology, positions))
    seen = values | values_at_throw(box, box.names.index(design.position) + 1, values)
    refs = dict.fromkeys((*design.picked.topology.refs, *part_table(design.picked).refs))
    return {ref: seen[ref] for ref in refs if ref in seen}


def read_positions(path: Path | str, position: str | None) -> tuple[tuple[str, Design], ...]:
    """Read the designs of a file: one, or of a box every position's.

    Parameters
    ----------
    path : Path or str
        A ``design.json``.
    position : str or None
        Name of the one position wanted.

    Returns
    -------
    tuple of tuple
        Name of each position, empty for a single design, and its design.

    Raises
    ------
    FileFormatError
        When the file can't be used.
    InputError
        When there is no such position.
    """
    design, box = read_design_and_box(path, position=position)
    if box is None or position is not None:
        return (("", design),)
    return tuple(zip(box.names, box.designs, strict=True))


def _box_from(content: dict[str, Any], names: list[str], designs: tuple[Design, ...]) -> Box:
    # Of a box alone: a design of one curve takes a third of a second less to read.
    from antecurve.switched.added_parts import Addition
    from antecurve.switched.alternatives import Alternative
    from antecurve.switched.box import Box
    from antecurve.switched.request import BoxJob, SwitchPosition, SwitchRequest
    from antecurve.switched.switch import Switch, SwitchContact

    first = designs[0].job
    title = first.title.removesuffix(f", {names[0]}")
    job = BoxJob(
        replace(first, title=title),
        tuple(SwitchPosition(n, d.curve) for n, d in zip(names, designs, strict=True)),
        SwitchRequest(**content["switch_request"]),
    )
    stored = dict(content["switch"])
    contacts = tuple(
        SwitchContact(**{**c, "nodes": (str(c["nodes"][0]), str(c["nodes"][1]))})
        for c in stored.pop("contacts")
    )
    added = tuple(Addition(**entry) for entry in stored.pop("added", ()))
    plainly: dict[str, Any] = {
        key: tuple(value) if isinstance(value, list) else value for key, value in stored.items()
    }
    switch = Switch(**plainly, added=added, contacts=contacts)
    whole = content["whole"]
    elements = tuple(
        Element(str(e["ref"]), ElementKind(e["kind"]), (str(e["nodes"][0]), str(e["nodes"][1])))
        for e in whole
    )
    alternatives = tuple(
        Alternative(**{**entry, "switched": tuple(entry["switched"])})
        for entry in content.get("alternatives", ())
    )
    return Box(job, Topology(switch.form, elements), designs, switch, alternatives)
