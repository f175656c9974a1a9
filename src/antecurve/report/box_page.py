"""``report.html`` of a box: one self-contained page with the switch position as a control."""

from __future__ import annotations

from typing import Any

from antecurve.report import box_tables as tables
from antecurve.report.box_board import box_board_section
from antecurve.report.box_label import load_text, source_text, switch_label
from antecurve.report.cautions import CAUTIONS
from antecurve.report.charts import error_chart, response_chart, sparse_chart
from antecurve.report.descriptions import error_text, response_text
from antecurve.report.html_page import html_page
from antecurve.report.page_chart import page_chart
from antecurve.report.summary import curve_line, governing_lines
from antecurve.report.switch_schematic import box_schematic_svg, position_schematic_svg, switch_svg
from antecurve.report.tables import parts_rows, response_rows
from antecurve.report.tiles import box_tiles
from antecurve.switched.box import Box, box_parts_list
from antecurve.switched.box_analysis import BoxAnalysis

__all__ = ["box_page"]


def _panel(box: Box, number: int, limit_db: float | None) -> dict[str, Any]:
    """Schematic, charts and numbers of one position of the switch."""
    from markupsafe import Markup

    name, design = box.names[number - 1], box.designs[number - 1]
    analysis = design.analysis
    return {
        "id": f"position-{number}",
        "name": name,
        "curve": curve_line(design.curve),
        "lines": governing_lines(design),
        # Markup of our own making: its labels hold references, nodes and numbers only.
        "schematic": Markup(position_schematic_svg(box, number)),
        "schematic_text": tables.position_text(box, number),
        "contacts": tables.contact_rows(box, position=name),
        "error": page_chart(
            sparse_chart(error_chart(analysis, limit_db=limit_db)), name=f"chart-error-{number}",
            title=f"Error, {name}", text=error_text(analysis, limit_db=limit_db),
        ),
        "response": page_chart(
            sparse_chart(response_chart(analysis.response)), name=f"chart-level-{number}",
            title=f"Level, {name}", text=response_text(analysis.response),
        ),
        "numbers": response_rows(analysis.response),
    }  # fmt: skip


def box_page(box: Box, analysis: BoxAnalysis, *, date: str = "") -> bytes:
    """Render the report of a box.

    Parameters
    ----------
    box : Box
        The box.
    analysis : BoxAnalysis
        What it will do.
    date : str, optional
        Date in the footer of the printed sheets.

    Returns
    -------
    bytes
        HTML in UTF-8; no request leaves the page.
    """
    from markupsafe import Markup

    loading = box.job.common.loading
    label = switch_label(zip(box.names, box.designs, strict=True))
    limit_db = box.job.common.target.error_limit_db
    return html_page(
        "box.html.j2",
        title=box.job.common.title,
        lines=tables.box_lines(box),
        tiles=box_tiles(box, analysis),
        panels=[_panel(box, number, limit_db) for number, _ in enumerate(box.names, start=1)],
        positions=tables.position_rows(box),
        schematic=Markup(box_schematic_svg(box)),
        schematic_text=tables.network_text(box),
        switch=Markup(switch_svg(box)),
        switch_text=tables.switch_text(box),
        shared=tables.shared_rows(box),
        contacts=tables.contact_rows(box),
        reasons=tables.switch_lines(box),
        reality=tables.contact_effect_rows(analysis),
        passing_lines=tables.passing_lines(analysis),
        spread=tables.common_spread_rows(analysis.spread),
        spread_lines=tables.common_spread_lines(analysis.spread),
        alternatives=tables.alternative_rows(box),
        alternative_lines=tables.alternative_lines(box),
        parts=parts_rows(box_parts_list(box)),
        cautions=CAUTIONS,
        label=label,
        source=source_text(loading),
        load=load_text(loading),
        date=date,
        **box_board_section(box),
    )
