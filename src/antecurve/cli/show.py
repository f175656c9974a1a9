"""Printing results on the terminal: plain text, aligned tables, no colour needed to read them."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from antecurve.quantities import format_quantity

if TYPE_CHECKING:
    from antecurve.analysis.parts_list import PartsList
    from antecurve.pipeline import Design

__all__ = ["show_design", "show_json", "show_parts", "show_table"]


def show_json(content: object) -> None:
    """Print a result as JSON on stdout.

    Parameters
    ----------
    content : object
        Dicts, lists, numbers and texts.
    """
    json.dump(content, sys.stdout, indent=1, ensure_ascii=False, allow_nan=False)
    print()


def show_table(header: Sequence[str], rows: Sequence[Sequence[str]], *, right: str = "") -> None:
    """Print a table with aligned columns.

    Parameters
    ----------
    header : sequence of str
        Names of the columns.
    rows : sequence of sequence of str
        Cells.
    right : str, optional
        One letter a column, ``r`` for those aligned to the right.
    """
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(box=box.SIMPLE, header_style="bold", pad_edge=False)
    for index, name in enumerate(header):
        justify: Any = "right" if right[index : index + 1] == "r" else "left"
        table.add_column(name, justify=justify, no_wrap=True)
    for row in rows:
        table.add_row(*(Text(cell) for cell in row))
    console = Console(file=sys.stdout, highlight=False)
    needed = console.measure(table).maximum
    if not console.is_terminal or console.width < needed:
        console = Console(file=sys.stdout, highlight=False, width=max(needed, 80))
    console.print(table)


def show_parts(found: PartsList) -> None:
    """Print a parts list.

    Parameters
    ----------
    found : PartsList
        The list.
    """
    copies = f" for {found.sets} copies" if found.sets > 1 else ""
    print(f"Parts{copies}")
    show_table(
        ("quantity", "value", "tolerance", "kind", "positions", "rating", "what to look for"),
        [
            (
                str(line.quantity),
                line.value,
                f"±{line.tolerance * 100:g} %",
                line.kind,
                " ".join(line.refs),
                line.rating,
                line.description,
            )
            for line in found.lines
        ],
        right="rr",
    )


def show_design(design: Design) -> None:
    """Print a design: what to wire, what to buy, how good it is and what governs.

    Parameters
    ----------
    design : Design
        A design with its analyses.
    """
    from antecurve.analysis.summary import summary_lines
    from antecurve.pipeline import design_parts_list

    print(design.job.title)
    print()
    print(f"Network {design.picked.topology.form}: wire each position between its two nodes")
    print("(in: from the generator; out: to the unit; 0: common return)")
    show_table(
        ("position", "from", "to", "exact", "fitted", "made of"),
        [
            (
                p.element.ref,
                *p.element.nodes,
                "-" if p.exact is None else format_quantity(p.exact, p.element.kind.unit),
                format_quantity(p.value, p.element.kind.unit),
                f" {'in ' if len(p.parts) > 1 else ''}".join(_made_of(p)),
            )
            for p in design.picked.positions
        ],
        right="lllrr",
    )
    show_parts(design_parts_list(design))
    for line in summary_lines(design):
        print(line)
