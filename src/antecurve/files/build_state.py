"""A build in progress, as plain files of its network: what is fitted, and measured values."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from antecurve.errors import InputError
from antecurve.parts.position import PickedNetwork
from antecurve.parts.scatter import part_table
from antecurve.quantities import parse_quantity

__all__ = ["BuildState", "build_files", "measured_values", "pasted_values", "read_build"]

_LONGEST_SERIAL = 200  # characters, as in the log


@dataclass(frozen=True, slots=True)
class BuildState:
    """How far a build is.

    Attributes
    ----------
    serial : str
        Serial number of the network.
    fitted : tuple of str
        References of the parts that are soldered in.
    values : dict of str to str
        Measured values by reference, as typed.
    """

    serial: str = ""
    fitted: tuple[str, ...] = ()
    values: dict[str, str] = field(default_factory=dict)


def read_build(folder: Path) -> BuildState:
    """Read how far the build of a network is.

    Parameters
    ----------
    folder : Path
        Folder of the network.

    Returns
    -------
    BuildState
        Nothing fitted where nothing was written, or what was written can't be read.
    """
    try:
        raw = json.loads((folder / "build.json").read_text("utf-8"))
        fitted = tuple(str(ref) for ref in raw["fitted"])
        serial = str(raw["serial"])
    except (OSError, ValueError, KeyError, TypeError):
        serial, fitted = "", ()
    try:
        text = (folder / "values.csv").read_text("utf-8")
    except (OSError, UnicodeDecodeError):
        text = ""
    return BuildState(serial, fitted, pasted_values(text))


def pasted_values(text: str) -> dict[str, str]:
    """Read references and values from a pasted table.

    Parameters
    ----------
    text : str
        Lines of a reference and a value, with a comma, semicolon, tab or spaces between; a line
        that names the columns is passed over.

    Returns
    -------
    dict of str to str
        Values as typed, by reference.
    """
    values = {}
    for line in text.splitlines():
        cells = line.replace(";", ",").replace("\t", ",").strip().strip(",").split(",", 1)
        if len(cells) == 1:
            cells = line.split(None, 1)
        if len(cells) == 2 and cells[0].strip().lower() != "ref":
            values[cells[0].strip()] = cells[1].strip()
    return values


def measured_values(
    picked: PickedNetwork, typed: Mapping[str, str]
) -> tuple[dict[str, float], dict[str, str]]:
    """Understand measured values as typed.

    Parameters
    ----------
    picked : PickedNetwork
        The network.
    typed : mapping of str to str
        Values by reference of a part, or of a position; empty ones are passed over.

    Returns
    -------
    values : dict of str to float
        Values [ohm or F].
    errors : dict of str to str
        A sentence by reference for what can't be used.
    """
    table = part_table(picked)
    units = dict(zip(table.refs, (kind.unit for kind in table.kinds), strict=True))
    units |= {p.element.ref: p.element.kind.unit for p in picked.positions}
    values: dict[str, float] = {}
    errors: dict[str, str] = {}
    for ref, text in typed.items():
        if not text.strip():
            continue
        try:
            if ref not in units:
                raise InputError(ref, text, f"the design has {', '.join(units)}")
            values[ref] = parse_quantity(
                text, unit=units[ref], field=ref, minimum=0.0, exclusive=True
            )
        except InputError as error:
            errors[ref] = str(error)
    return values, errors


def build_files(state: BuildState) -> dict[str, str]:
    """Write a build as the texts of its files.

    Parameters
    ----------
    state : BuildState
        How far it is.

    Returns
    -------
    dict of str to str
        ``build.json``, and ``values.csv`` where something was measured.

    Raises
    ------
    InputError
        When the serial number is too long.
    """
    if len(state.serial) > _LONGEST_SERIAL:
        raise InputError("serial", state.serial, f"use at most {_LONGEST_SERIAL} characters")
    content = {"serial": state.serial, "fitted": list(state.fitted)}
    files = {"build.json": json.dumps(content, indent=1) + "\n"}
    measured = {ref: text for ref, text in state.values.items() if text.strip()}
    if measured:
        written = io.StringIO()
        writer = csv.writer(written, lineterminator="\n")
        writer.writerow(("ref", "value"))
        writer.writerows(measured.items())
        files["values.csv"] = written.getvalue()
    return files
