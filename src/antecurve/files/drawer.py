"""The drawer file: parts on hand as CSV.

Columns ``kind, value, measured, tolerance, quantity, description`` in any order; ``kind`` and
``value`` are needed.  A row is like parts (``quantity``, 1 where it is left out) or, where
``measured`` is filled in, one measured part; ``tolerance`` is then what the measurement leaves
open, 0 where it is left out.
"""

from __future__ import annotations

from pathlib import Path

from antecurve.checked import checked
from antecurve.errors import FileFormatError, InputError
from antecurve.files.rows import Row, element_kind, read_rows
from antecurve.networks.topology import ElementKind
from antecurve.parts.drawer import Drawer, DrawerEntry
from antecurve.parts.position import Part
from antecurve.quantities import parse_quantity

__all__ = ["read_drawer"]

_NEEDED = ("kind", "value")
_OPTIONAL = ("measured", "tolerance", "quantity", "description")


@checked
def read_drawer(path: Path | str) -> Drawer:
    """Read a drawer file.

    Parameters
    ----------
    path : Path or str
        A CSV file in UTF-8.

    Returns
    -------
    Drawer
        The parts on hand.

    Raises
    ------
    FileFormatError
        When the file can't be read or a row can't be used: the message names line and column.
    """
    entries: list[DrawerEntry] = []
    seen: dict[DrawerEntry, str] = {}
    for row in read_rows(path, required=_NEEDED, optional=_OPTIONAL):
        entry = _entry(row)
        if entry in seen:
            raise FileFormatError(
                row.location,
                ", ".join(row.cells.values()),
                f"it repeats {seen[entry]}; put like parts in one row with their quantity, or "
                "describe measured parts apart",
            )
        seen[entry] = row.location.rpartition(", ")[2]
        entries.append(entry)
    return Drawer(tuple(entries), Path(path).name)


def _entry(row: Row) -> DrawerEntry:
    cells = row.cells
    if not any(cells.values()):
        raise FileFormatError(row.location, "an empty row", "delete it, or fill in kind and value")
    kind = element_kind(row)
    try:
        value = _number(row, "value", kind)
        measured = _number(row, "measured", kind) if cells["measured"] else None
        if cells["tolerance"] or measured is None:
            tolerance = parse_quantity(
                cells["tolerance"], unit="%", field=f"{row.location}, column tolerance",
                minimum=0.0, maximum=0.999,
            )  # fmt: skip
        else:
            tolerance = 0.0
    except InputError as error:
        raise FileFormatError(error.field, error.value, error.rule) from None
    quantity = _quantity(row, measured is not None)
    part = Part(
        value if measured is None else measured,
        tolerance,
        "drawer",
        None if measured is None else value,
        cells["description"],
    )
    return DrawerEntry(kind, part, quantity)


def _number(row: Row, column: str, kind: ElementKind) -> float:
    return parse_quantity(
        row.cells[column],
        unit=kind.unit,
        field=f"{row.location}, column {column}",
        minimum=kind.values.minimum,
        maximum=kind.values.maximum,
    )


def _quantity(row: Row, measured: bool) -> int:
    text = row.cells["quantity"]
    count = int(text) if text.isascii() and text.isdigit() else 0
    if not text:
        count = 1
    if count < 1 or (measured and count != 1):
        rule = "a measured part has a row of its own" if measured else "it must be 1 or more"
        raise FileFormatError(f"{row.location}, column quantity", text, rule)
    return count
