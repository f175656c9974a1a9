"""Printing results on the terminal: plain text, aligned tables, no colour needed to read them."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Any

from antecurve.cli.terminal import say, terminal_width
from antecurve.results import json_text
from antecurve.texts import printable

if TYPE_CHECKING:
    from antecurve.pipeline import Design
    from antecurve.report.text_table import TextTable

__all__ = ["show_design", "show_json", "show_table"]

_ANY_WIDTH = 1000  # characters: no table is so wide
_PIPED_WIDTH = 160  # characters: what is piped is read on wide screens, where tables are whole
_EDGES = 2  # characters that the frame puts beside a table


def show_json(content: object) -> None:
    """Print a result as JSON on stdout.

    Parameters
    ----------
    content : object
        A result, or dicts and lists with results in them.
    """
    print(json_text(content), end="")


def show_table(content: TextTable) -> None:
    """Print a table with aligned columns; on a narrow terminal in blocks, no number parted.

    Parameters
    ----------
    content : TextTable
        The table; its first column names the rows and opens each block.
    """
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    from antecurve.report.table_layout import table_blocks

    for block in table_blocks(content, (terminal_width() or _PIPED_WIDTH) - _EDGES):
        table = Table(box=box.SIMPLE, header_style="bold", pad_edge=False)
        for name, width, side in zip(
            block.table.header, block.widths, block.table.right, strict=True
        ):
            justify: Any = "right" if side == "r" else "left"
            table.add_column(name, justify=justify, width=width, overflow="fold")
        for row in block.table.rows:
            table.add_row(*(Text(_printable_lines(cell)) for cell in row))
        Console(file=sys.stdout, highlight=False, width=_ANY_WIDTH).print(table)


def _printable_lines(cell: str) -> str:
    return "\n".join(printable(line) for line in cell.split("\n"))


def show_design(design: Design, *, whole: bool = True) -> None:
    """Print a design: the conclusion, what to wire, and on request all that is known of it.

    Parameters
    ----------
    design : Design
        A design with its analyses.
    whole : bool, optional
        Whether to print alternatives, parts list and every figure, too.
    """
    from antecurve.report.summary import bench_lines, conclusion_lines, summary_lines
    from antecurve.report.tables import node_caption, wiring_rows

    picked = design.picked
    said = conclusion_lines(design)
    print(printable(design.job.title))
    say(*said)
    print()
    say(
        f"Network {picked.topology.form}. Wire each part between its two nodes.",
        node_caption(picked),
    )
    show_table(wiring_rows(picked))
    if design.second is not None:
        print("The other network of the pair, of the same form")
        show_table(wiring_rows(design.second))
    if whole:
        _show_alternatives(design)
        say(*(line for line in summary_lines(design) if line not in said))
    else:
        say(*bench_lines(design))


def _show_alternatives(design: Design) -> None:
    from antecurve.pipeline import design_parts_list
    from antecurve.report.tables import form_rows, parts_rows, refused_forms, shortlist_rows

    if len(design.forms) > 1:
        print("The forms of the job side by side")
        show_table(form_rows(design))
        say(*refused_forms(design))
    if len(design.shortlist) > 1:
        say("The pick and alternatives (values and trades: design.json, report.html)")
        show_table(shortlist_rows(design, brief=True))
    print("Parts")
    show_table(parts_rows(design_parts_list(design)))
