"""``antecurve parts``: the parts list of a design."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer

from antecurve.cli.options import AsJson, DesignFile, Force, OutputFile, PositionOrBox
from antecurve.cli.terminal import say

__all__ = ["parts"]


def parts(
    design_file: DesignFile,
    position: PositionOrBox = None,
    sets: Annotated[
        int, typer.Option(metavar="COUNT", help="Number of builds to buy for.", min=1)
    ] = 1,
    spares: Annotated[
        str,
        typer.Option(
            metavar="PERCENT", help="Spare parts, in per cent of those needed; rounded up."
        ),
    ] = "0 %",
    price_file: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(
            "--prices",
            metavar="PRICES.csv",
            help="Price list: kind, value, quantity (from which on), price of one, tolerance "
            "(optional). The parts list then has the cheapest order.",
        ),
    ] = None,
    types: Annotated[
        bool,
        typer.Option("--types", help="Print the types of parts that the advice is taken from."),
    ] = False,
    output: OutputFile = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Print the parts list, or write it as CSV or XLSX.

    \b
    Example: antecurve parts design.json --sets 2 -o order.xlsx
    """
    from antecurve.analysis.part_types import TYPES_SOURCE
    from antecurve.cli.show import show_json, show_table
    from antecurve.files.box_file import read_design_and_box
    from antecurve.files.output_folder import write_file
    from antecurve.files.parts_file import parts_csv, parts_workbook
    from antecurve.files.price_file import read_prices
    from antecurve.files.workbook import suffix_of
    from antecurve.pipeline import design_parts_list, design_stresses
    from antecurve.quantities import parse_percent
    from antecurve.report.stress_tables import drive_lines
    from antecurve.report.tables import order_lines, parts_rows, type_rows
    from antecurve.switched.box import box_parts_list

    design, box = read_design_and_box(design_file, position=position)
    prices = None if price_file is None else read_prices(price_file)
    extra = parse_percent(spares, "--spares")
    if box is None:
        to_buy = design_parts_list(design, sets=sets, spares=extra, prices=prices)
    else:
        to_buy = box_parts_list(box, position=position, sets=sets, spares=extra, prices=prices)
    if output is not None:
        content = parts_workbook(to_buy) if suffix_of(output) == ".xlsx" else parts_csv(to_buy)
        write_file(output, content, force=force)
    if as_json:
        show_json(to_buy.to_frame().to_dict(orient="records"))
    elif types:
        show_table(type_rows())
        say(f"Types, values, ratings and packages: {TYPES_SOURCE}.")
    elif output is None:
        show_table(parts_rows(to_buy))
        say(f"What to look for: {TYPES_SOURCE}.")
        for line in [*order_lines(to_buy), *drive_lines(design_stresses(design))]:
            say(line)
    else:
        say(f"Wrote {output}")
