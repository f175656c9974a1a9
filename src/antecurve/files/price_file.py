"""Prices of parts: CSV with the columns ``kind, value, quantity, price``, one row a price break."""

from __future__ import annotations

from pathlib import Path

from antecurve.analysis.prices import PriceBreak, Prices
from antecurve.checked import checked
from antecurve.errors import FileFormatError, InputError
from antecurve.files.rows import Row, element_kind, read_rows
from antecurve.quantities import parse_quantity

__all__ = ["read_prices"]


@checked
def read_prices(path: Path | str) -> Prices:
    """Read prices with their quantity breaks.

    Parameters
    ----------
    path : Path or str
        A CSV file in UTF-8: ``quantity`` is the smallest order with that price of one part.  A
        column ``tolerance`` may be there; a row without one is for any tolerance.

    Returns
    -------
    Prices
        One break a row.

    Raises
    ------
    FileFormatError
        When the file can't be read or a row can't be used: the message names line and column.
    """
    rows = read_rows(path, required=("kind", "value", "quantity", "price"), optional=("tolerance",))
    try:
        return Prices(tuple(_price_break(row) for row in rows))
    except FileFormatError:
        raise
    except InputError as error:
        raise FileFormatError(str(path), error.value, error.rule) from None


def _price_break(row: Row) -> PriceBreak:
    kind, cells = element_kind(row), row.cells

    def number(column: str, unit: str, **limits: float | bool) -> float:
        field = f"{row.location}, column {column}"
        return parse_quantity(cells[column], unit=unit, field=field, **limits)  # type: ignore[arg-type]

    try:
        quantity = number("quantity", "", minimum=1.0)
        if quantity != int(quantity):
            raise InputError(
                f"{row.location}, column quantity", cells["quantity"], "it must be a whole number"
            )
        return PriceBreak(
            kind,
            number("value", kind.unit, minimum=0.0, exclusive=True),
            int(quantity),
            number("price", "", minimum=0.0),
            number("tolerance", "%", minimum=0.0, maximum=0.999) if cells["tolerance"] else None,
        )
    except InputError as error:
        raise FileFormatError(error.field, error.value, error.rule) from None
