"""``design.json`` of a box, read back."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

from antecurve.checked import checked
from antecurve.files.design_file import design_at, design_content, understood
from antecurve.networks.topology import Element, ElementKind, Topology
from antecurve.pipeline import Design
from antecurve.switched.added_parts import Addition
from antecurve.switched.alternatives import Alternative
from antecurve.switched.box import Box
from antecurve.switched.request import BoxJob, SwitchPosition, SwitchRequest
from antecurve.switched.switch import Switch, SwitchContact

__all__ = ["read_box", "read_design_and_box", "read_positions"]


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
        design of one curve and where one position is wanted.

    Raises
    ------
    FileFormatError
        When the file can't be used.
    InputError
        When there is no such position.
    """
    content = design_content(path)
    if position is not None or not content.get("positions"):
        return design_at(path, content, position), None
    names = understood(path, lambda: [str(entry["position"]) for entry in content["positions"]])
    designs = tuple(design_at(path, content, name) for name in names)
    return designs[0], understood(path, lambda: _box_from(content, names, designs))


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
    if box is None:
        return (("", design),)
    return tuple(zip(box.names, box.designs, strict=True))


def _box_from(content: dict[str, Any], names: list[str], designs: tuple[Design, ...]) -> Box:
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
