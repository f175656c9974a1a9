"""Tables laid out within a width: no number and no word is ever parted."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass

from antecurve.report.text_table import TextTable
from antecurve.texts import unbroken

__all__ = ["GAP", "TableBlock", "table_blocks", "wrapped"]

GAP = 3
"""Characters between two columns."""
_READABLE = 20  # characters, three or four words: a text in a narrower column reads badly


@dataclass(frozen=True, slots=True)
class TableBlock:
    """Columns of a table that stand side by side.

    Attributes
    ----------
    table : TextTable
        The columns, the first of the whole table before them; long texts have line breaks.
    widths : tuple of int
        Characters, one a column.
    """

    table: TextTable
    widths: tuple[int, ...]


def wrapped(text: str, width: int) -> str:
    """Wrap a text at its spaces; a number stays with its unit, a long word is not parted.

    Parameters
    ----------
    text : str
        One line.
    width : int
        Characters, at least 1.

    Returns
    -------
    str
        Lines of at most that width, unless a word is longer.

    Examples
    --------
    >>> wrapped("C1a 10 nF + C1b 15 nF in parallel", 12).splitlines()
    ['C1a 10 nF +', 'C1b 15 nF in', 'parallel']
    """
    lines = textwrap.wrap(
        unbroken(text), width, break_long_words=False, break_on_hyphens=False
    ) or [""]
    return "\n".join(lines).replace("\N{NO-BREAK SPACE}", " ")


def _longest_line(text: str) -> int:
    return max(len(line) for line in text.split("\n"))


def _narrowest(content: TextTable, index: int) -> int:
    """The width below which a word, a number or the sense of a text would suffer."""
    header = _longest_line(wrapped(content.header[index], 1))
    cells = [row[index] for row in content.rows]
    longest = max(map(len, cells), default=0)
    if content.right[index : index + 1] == "r" or not index:
        return max(header, longest)
    words = max((_longest_line(wrapped(cell, 1)) for cell in cells), default=0)
    return max(header, words, min(longest, _READABLE))


def _widest(content: TextTable, index: int) -> int:
    return max(len(row[index]) for row in (content.header, *content.rows))


def table_blocks(content: TextTable, width: int) -> list[TableBlock]:
    """Lay out a table: side by side what fits, the other columns in blocks below.

    Parameters
    ----------
    content : TextTable
        The table.  Its first column names the rows and opens each block; a column that is
        attached to the one before it, such as a limit, stays with it.
    width : int
        Characters, at least 1.

    Returns
    -------
    list of TableBlock
        One block where the table fits.  A block is wider than asked for only where its first
        column and one more group are.
    """
    columns = range(1, len(content.header))
    narrowest = [_narrowest(content, i) for i in range(len(content.header))]
    groups: list[list[int]] = []
    for index in columns:
        if groups and content.attached[index : index + 1] == "a":
            groups[-1].append(index)
        else:
            groups.append([index])
    blocks: list[list[int]] = []
    for group in groups:
        joined = [*blocks[-1], *group] if blocks else [0, *group]
        if blocks and sum(narrowest[i] for i in joined) + GAP * (len(joined) - 1) > width:
            blocks.append([0, *group])
        elif blocks:
            blocks[-1] = joined
        else:
            blocks.append(joined)
    return [_block(content, block, narrowest, width) for block in blocks or [[0]]]


def _block(content: TextTable, indices: list[int], narrowest: list[int], width: int) -> TableBlock:
    """The columns of a block, the widest narrowed first until all of them fit."""
    widths = {i: _widest(content, i) for i in indices}
    while sum(widths.values()) + GAP * (len(indices) - 1) > width:
        yielding = [i for i in indices if widths[i] > narrowest[i]]
        if not yielding:
            break
        widths[max(yielding, key=widths.__getitem__)] -= 1

    def picked(row: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(wrapped(row[i], widths[i]) for i in indices)

    table = TextTable(
        picked(content.header),
        tuple(picked(row) for row in content.rows),
        "".join(content.right[i : i + 1] or "l" for i in indices),
    )
    return TableBlock(table, tuple(widths[i] for i in indices))
