"""The drawer file: parts on hand as CSV.

Columns ``kind, value, measured, tolerance, quantity, description`` in any order; ``kind`` and
``value`` are needed.  A row is like parts (``quantity``, 1 where it is left out) or, where
``measured`` is filled in, one measured part; ``tolerance`` is then what the measurement leaves
open, 0 where it is left out.
"""

from __future__ import annotations

import csv
import io
from pathlib import Path

from antecurve.errors import FileFormatError, InputError
from antecurve.files.reading import read_text
from antecurve.networks.topology import ElementKind
from antecurve.pick.drawer import Drawer, DrawerEntry
from antecurve.pick.parts import Part
from antecurve.quantities import parse_quantity

__all__ = ["read_drawer"]

_COLUMNS = ("kind", "value", "measured", "tolerance", "quantity", "description")
_NEEDED = ("kind", "value")
_KINDS = {
    "resistor": ElementKind.RESISTOR,
    "r": ElementKind.RESISTOR,
    "capacitor": ElementKind.CAPACITOR,
    "c": ElementKind.CAPACITOR,
}


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
        When the file can't be read or a row can't be used: the message names row and column.
    """
    reader = csv.reader(io.StringIO(read_text(path)), strict=True)
    entries: list[DrawerEntry] = []
    seen: dict[DrawerEntry, int] = {}
    try:
        header = [cell.strip().lower() for cell in next(reader, [])]
        _check_header(str(path), header)
        for cells in reader:
            if not cells:
                continue
            place = f"{path}, row {reader.line_num}"
            entry = _entry(place, header, cells)
            if entry in seen:
                raise FileFormatError(
                    place,
                    ", ".join(c.strip() for c in cells),
                    f"it repeats row {seen[entry]}; put like parts in one row with their "
                    "quantity, and give measured parts a description of their own",
                )
            seen[entry] = reader.line_num
            entries.append(entry)
    except csv.Error as error:
        raise FileFormatError(
            f"{path}, row {reader.line_num}", str(error), "it must be CSV with commas"
        ) from None
    if not entries:
        raise FileFormatError(str(path), "no rows", "it must have a header and a row for each part")
    return Drawer(tuple(entries), Path(path).name)


def _check_header(path: str, header: list[str]) -> None:
    for name in header:
        if name not in _COLUMNS:
            raise FileFormatError(f"{path}, header", name, f"the columns are {', '.join(_COLUMNS)}")
    missing = [name for name in _NEEDED if name not in header]
    if missing or len(set(header)) != len(header):
        raise FileFormatError(
            f"{path}, header",
            ", ".join(header),
            f"it must name each column once, {' and '.join(_NEEDED)} among them",
        )


def _entry(place: str, header: list[str], cells: list[str]) -> DrawerEntry:
    if len(cells) > len(header):
        raise FileFormatError(
            place, ", ".join(cells), f"it has {len(cells)} cells, the header has {len(header)}"
        )
    row = dict.fromkeys(_COLUMNS, "") | {
        name: cell.strip() for name, cell in zip(header, cells, strict=False)
    }
    if not any(row.values()):
        raise FileFormatError(place, "an empty row", "delete it, or fill in kind and value")
    kind = _KINDS.get(row["kind"].lower())
    if kind is None:
        raise FileFormatError(
            f"{place}, column kind", row["kind"], "it must be resistor or capacitor"
        )
    try:
        value = _number(place, row, "value", kind.unit)
        measured = _number(place, row, "measured", kind.unit) if row["measured"] else None
        if row["tolerance"] or measured is None:
            tolerance = parse_quantity(
                row["tolerance"], unit="%", field=f"{place}, column tolerance", minimum=0.0,
                maximum=0.999,
            )  # fmt: skip
        else:
            tolerance = 0.0
    except InputError as error:
        raise FileFormatError(error.field, error.value, error.rule) from None
    quantity = _quantity(place, row["quantity"], measured is not None)
    part = Part(
        value if measured is None else measured,
        tolerance,
        "drawer",
        None if measured is None else value,
        row["description"],
    )
    return DrawerEntry(kind, part, quantity)


def _number(place: str, row: dict[str, str], column: str, unit: str) -> float:
    return parse_quantity(
        row[column], unit=unit, field=f"{place}, column {column}", minimum=0.0, exclusive=True
    )


def _quantity(place: str, text: str, measured: bool) -> int:
    count = int(text) if text.isascii() and text.isdigit() else 0
    if not text:
        count = 1
    if count < 1 or (measured and count != 1):
        rule = "a measured part has a row of its own" if measured else "it must be 1 or more"
        raise FileFormatError(f"{place}, column quantity", text, rule)
    return count
