"""Measured values of parts: CSV with the columns ``ref`` and ``value``."""

from __future__ import annotations

from pathlib import Path

from antecurve.checked import checked
from antecurve.errors import FileFormatError, InputError
from antecurve.files.rows import read_rows
from antecurve.parts.position import PickedNetwork
from antecurve.parts.scatter import part_table
from antecurve.quantities import parse_quantity

__all__ = ["read_measured", "read_samples"]


@checked
def read_measured(path: Path | str, picked: PickedNetwork) -> dict[str, float]:
    """Read one measured value for each of some parts.

    Parameters
    ----------
    path : Path or str
        The file; a reference is that of a position (``C1``) or of one joined part (``C1a``).
    picked : PickedNetwork
        The design that the parts belong to.

    Returns
    -------
    dict of str to float
        Values [ohm or F] by reference.

    Raises
    ------
    FileFormatError
        When the file can't be read, a reference is not known or given twice, or a value can't
        be used; the message names the line.
    """
    readings = _read(path, picked)
    for ref, (lines, values) in readings.items():
        if len(values) > 1:
            raise FileFormatError(lines[1], ref, "each part is measured once; take the mean")
    return {ref: values[0] for ref, (_, values) in readings.items()}


def read_samples(path: Path | str, picked: PickedNetwork) -> dict[str, list[float]]:
    """Read measured values of several parts off the same reel, to draw builds from.

    Parameters
    ----------
    path : Path or str
        The file; one row a measured part, the reference that of the part it is to fill.
    picked : PickedNetwork
        The design.

    Returns
    -------
    dict of str to list of float
        Values [ohm or F] by reference, in the order of the file.

    Raises
    ------
    FileFormatError
        When the file can't be read, a reference is not known, or a value can't be used.
    """
    return {ref: values for ref, (_, values) in _read(path, picked).items()}


def _read(path: Path | str, picked: PickedNetwork) -> dict[str, tuple[list[str], list[float]]]:
    table = part_table(picked)
    units = dict(zip(table.refs, (k.unit for k in table.kinds), strict=True))
    units |= {p.element.ref: p.element.kind.unit for p in picked.positions}
    readings: dict[str, tuple[list[str], list[float]]] = {}
    for row in read_rows(path, required=("ref", "value")):
        ref = row.cells["ref"]
        if ref not in units:
            known = ", ".join(dict.fromkeys([*picked.topology.refs, *table.refs]))
            raise FileFormatError(row.location, ref, f"the design has {known}")
        value = _value(row.cells["value"], units[ref], row.location)
        lines, values = readings.setdefault(ref, ([], []))
        lines.append(row.location)
        values.append(value)
    return readings


def _value(text: str, unit: str, location: str) -> float:
    try:
        return parse_quantity(text, unit=unit, field=location, minimum=0.0, exclusive=True)
    except InputError as error:
        raise FileFormatError(error.field, error.value, error.rule) from None
