"""Tables of texts by columns, for the page and the terminal."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import partial
from operator import attrgetter
from typing import Any, TypeVar

from antecurve.quantities import format_quantity

__all__ = [
    "Column",
    "Declared",
    "TextTable",
    "column",
    "declared",
    "percent",
    "quantity",
    "signed",
    "signed_cells",
    "table_from",
    "table_of",
]

Value = TypeVar("Value")
ABSENT = "-"
"""What stands in a cell without a value."""


@dataclass(frozen=True, slots=True)
class TextTable:
    """A table of texts.

    Attributes
    ----------
    header : tuple of str
        Names of the columns.
    rows : tuple of tuple of str
        Cells.
    right : str
        One letter a column, ``r`` for those aligned to the right.
    attached : str
        One letter a column, ``a`` for those that belong to the column before them.
    """

    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    right: str = ""
    attached: str = field(default="", repr=False)


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a table.

    Attributes
    ----------
    heading : str
        Its name, with the unit where the cells carry none.
    cells : tuple of str
        One text a row.
    right : bool
        Whether it is aligned to the right, as numbers are.
    attached : bool
        Whether it belongs to the column before it, as a limit to its value.
    """

    heading: str
    cells: tuple[str, ...]
    right: bool
    attached: bool = False


def column(
    heading: str,
    values: Iterable[Value | None],
    text: Callable[[Value], str] = str,
    *,
    right: bool = True,
    attached: bool = False,
) -> Column:
    """Write values into the cells of a column.

    Parameters
    ----------
    heading : str
        Name of the column, with the unit where the cells carry none.
    values : iterable
        One value a row; ``None`` becomes a dash.
    text : callable, optional
        Writes a value: `quantity` and `signed_cells` make such functions, and so does
        ``"{:.3f}".format``.
    right : bool, optional
        Whether the column is aligned to the right.
    attached : bool, optional
        Whether it belongs to the column before it.

    Returns
    -------
    Column
        The column.
    """
    cells = tuple(ABSENT if v is None else text(v) for v in values)
    return Column(heading, cells, right, attached)


def table_of(*columns: Column) -> TextTable:
    """Join columns into a table.

    Parameters
    ----------
    *columns : Column
        Columns of equal length.

    Returns
    -------
    TextTable
        The table.

    Raises
    ------
    ValueError
        If the columns differ in length.

    Examples
    --------
    >>> table_of(column("ref", ["R1"], right=False), column("error dB", [0.0126], "{:.3f}".format))
    TextTable(header=('ref', 'error dB'), rows=(('R1', '0.013'),), right='lr')
    """
    return TextTable(
        tuple(c.heading for c in columns),
        tuple(zip(*(c.cells for c in columns), strict=True)),
        "".join("r" if c.right else "l" for c in columns),
        "".join("a" if c.attached else "-" for c in columns),
    )


@dataclass(frozen=True, slots=True)
class Declared:
    """What a column shows of each item of a table.

    Attributes
    ----------
    heading : str
        Name of the column, with the unit where the cells carry none.
    value : callable
        From an item to its value; ``None`` becomes a dash.
    text : callable
        Writes a value, as in `column`.
    right, attached : bool
        As in `Column`.
    """

    heading: str
    value: Callable[[Any], Any]
    text: Callable[[Any], str]
    right: bool
    attached: bool


def declared(
    heading: str,
    value: str | Callable[[Any], Any],
    text: Callable[[Any], str] = str,
    *,
    right: bool = True,
    attached: bool = False,
) -> Declared:
    """Declare a column by what it shows of an item.

    Parameters
    ----------
    heading : str
        Name of the column, with the unit where the cells carry none.
    value : str or callable
        Name of an attribute of the items, dots between several, or a function of an item.
    text, right, attached : optional
        As in `column`.

    Returns
    -------
    Declared
        To be given to `table_from`.
    """
    taken = attrgetter(value) if isinstance(value, str) else value
    return Declared(heading, taken, text, right, attached)


def table_from(items: Iterable[Any], *columns: Declared) -> TextTable:
    """Tabulate items by declared columns.

    Parameters
    ----------
    items : iterable
        One a row, such as the rows of a result.
    *columns : Declared
        The columns.

    Returns
    -------
    TextTable
        The table.

    Examples
    --------
    >>> table_from([1.5, 20j], declared("real", "real"), declared("|x|", abs, "{:.1f}".format))
    TextTable(header=('real', '|x|'), rows=(('1.5', '1.5'), ('0.0', '20.0')), right='rr')
    """
    rows = list(items)
    return table_of(
        *(
            column(c.heading, map(c.value, rows), c.text, right=c.right, attached=c.attached)
            for c in columns
        )
    )


def percent(digits: int) -> Callable[[float], str]:
    """Make the function that writes a column's fractions in percent.

    Parameters
    ----------
    digits : int
        Digits after the point, 0 or more.

    Returns
    -------
    callable
        From a fraction to its text.

    Examples
    --------
    >>> percent(1)(0.0126)
    '1.3 %'
    """
    return lambda value: f"{100 * value:.{digits}f} %"


def signed(value: float, *, digits: int) -> str:
    """Write a number with its sign, and a rounded 0 without one.

    Parameters
    ----------
    value : float
        The number.
    digits : int
        Digits after the point, 0 or more.

    Returns
    -------
    str
        The number.

    Examples
    --------
    >>> signed(0.0126, digits=2), signed(-0.004, digits=2)
    ('+0.01', '0.00')
    """
    text = f"{value:+.{digits}f}"
    return text if float(text) else text[1:]


def signed_cells(digits: int) -> Callable[[float], str]:
    """Make the function that writes a column's numbers as `signed` does.

    Parameters
    ----------
    digits : int
        Digits after the point, 0 or more.

    Returns
    -------
    callable
        From a number to its text.

    Examples
    --------
    >>> signed_cells(2)(0.0126)
    '+0.01'
    """
    return partial(signed, digits=digits)


def quantity(unit: str, *, digits: int = 4, padded: bool = False) -> Callable[[float], str]:
    """Make the function that writes a column's quantities with SI prefix and unit.

    Parameters
    ----------
    unit : str
        The unit, as `antecurve.quantities.format_quantity` takes it.
    digits : int, optional
        Significant digits, at least 1.
    padded : bool, optional
        Whether zeros at the end stay, so that computed values line up.

    Returns
    -------
    callable
        From a value in the SI unit to its text.

    Examples
    --------
    >>> quantity("ohm")(47e3), quantity("F", digits=3)(0.0)
    ('47 kΩ', '0 pF')
    """

    def text(value: float) -> str:
        return format_quantity(float(value), unit, digits=digits, padded=padded)

    return text
