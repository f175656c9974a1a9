"""Printing results on the terminal: plain text, aligned tables, no colour needed to read them."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING, Any

from antecurve.results import json_text
from antecurve.texts import printable

if TYPE_CHECKING:
    from antecurve.pipeline import Design
    from antecurve.report.text_table import TextTable

__all__ = ["show_design", "show_json", "show_table"]


def show_json(content: object) -> None:
    """Print a result as JSON on stdout.

    Parameters
    ----------
    content : object
        A result, or dicts and lists with results in them.
    """
    print(json_text(content), end="")


def show_table(content: TextTable) -> None:
    """Print a table with aligned columns; wrapped on a narrow terminal, or to ``COLUMNS``.

    Parameters
    ----------
    content : TextTable
        The table; its first column, which names the rows, is neither cut nor wrapped.
    """
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(box=box.SIMPLE, header_style="bold", pad_edge=False)
    names = max(len(row[0]) for row in (content.header, *content.rows))
    for index, name in enumerate(content.header):
        justify: Any = "right" if content.right[index : index + 1] == "r" else "left"
        if index:
            table.add_column(name, justify=justify, overflow="fold")
        else:
            table.add_column(name, justify=justify, no_wrap=True, min_width=names)
    for row in content.rows:
        table.add_row(*(Text(printable(cell)) for cell in row))
    console = Console(file=sys.stdout, highlight=False)
    if not console.is_terminal and "COLUMNS" not in os.environ:
        console = Console(file=sys.stdout, highlight=False, width=1000)
        console = Console(file=sys.stdout, highlight=False, width=console.measure(table).maximum)
    console.print(table)


def show_design(design: Design) -> None:
    """Print a design: what to wire, what to buy, how good it is and what governs.

    Parameters
    ----------
    design : Design
        A design with its analyses.
    """
    from antecurve.pipeline import design_parts_list
    from antecurve.report.summary import summary_lines
    from antecurve.report.tables import (
        form_rows,
        node_caption,
        parts_rows,
        refused_forms,
        shortlist_rows,
        wiring_rows,
    )

    print(printable(design.job.title))
    print()
    print(f"Network {design.picked.topology.form}. Wire each position between its two nodes.")
    print(node_caption(design.picked))
    show_table(wiring_rows(design.picked))
    if design.second is not None:
        print("The other network of the pair, of the same form")
        show_table(wiring_rows(design.second))
    if len(design.forms) > 1:
        print("The forms of the job side by side")
        show_table(form_rows(design))
        for line in refused_forms(design):
            print(line)
    if len(design.shortlist) > 1:
        print("The pick and alternatives (values and trades: design.json, report.html)")
        show_table(shortlist_rows(design, brief=True))
    print("Parts")
    show_table(parts_rows(design_parts_list(design)))
    for line in summary_lines(design):
        print(line)
