"""What a page shows of a design, and of a box at one position of its switch."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from antecurve.report import box_tables
from antecurve.report.charts import error_chart, response_chart
from antecurve.report.descriptions import error_text, response_text
from antecurve.report.page_chart import page_chart
from antecurve.report.summary import conclusion_lines, curve_line, governing_lines
from antecurve.report.switch_schematic import position_schematic_svg
from antecurve.report.tables import form_rows, refused_forms, shortlist_rows, wiring_rows
from antecurve.report.tiles import design_tiles

if TYPE_CHECKING:
    from antecurve.app.designs import Made
    from antecurve.pipeline import Design
    from antecurve.report.page_chart import PageChart
    from antecurve.switched.box import Box

__all__ = ["shown_outcome"]


def shown_outcome(made: Made, throw: int) -> dict[str, Any]:
    """Collect what a page shows of what the search came to.

    Parameters
    ----------
    made : Made
        With its analyses.
    throw : int
        Number of the throw shown of a box, from 1.

    Returns
    -------
    dict of str to object
        Figures, sentences, tables and charts.
    """
    design = made.designs[throw - 1]
    content = {"tiles": design_tiles(design), "chart": _error_drawing(design)}
    return content | (_of_design(design) if made.box is None else _of_box(made.box, throw))


def _error_drawing(design: Design) -> PageChart:
    limit_db = design.job.target.error_limit_db
    return page_chart(
        error_chart(design.analysis, limit_db=limit_db), name="chart-error", title="Error",
        text=error_text(design.analysis, limit_db=limit_db),
    )  # fmt: skip


def _of_design(design: Design) -> dict[str, Any]:
    choosable = design.shortlist[1:] if design.second is None else ()
    return {
        "choices": [
            (number, f"{entry.picked.topology.form}, ±{entry.centred_db:.3f} dB")
            for number, entry in enumerate(choosable, start=1)
        ],
        "lines": conclusion_lines(design),
        "wiring": wiring_rows(design.picked),
        "shortlist": shortlist_rows(design),
        "forms": form_rows(design),
        "refused": refused_forms(design),
    }


def _of_box(box: Box, throw: int) -> dict[str, Any]:
    from markupsafe import Markup

    name, design = box.names[throw - 1], box.designs[throw - 1]
    table = response_chart(design.analysis.response)
    return {
        "lines": box_tables.box_lines(box),
        "positions": box_tables.position_rows(box),
        "position": name,
        "curve": curve_line(design.curve),
        "governing": governing_lines(design),
        "contacts": box_tables.contact_rows(box, position=name),
        # Markup of our own making: its labels hold references, nodes and numbers only.
        "schematic": Markup(position_schematic_svg(box, throw)),
        "schematic_text": box_tables.position_text(box, throw),
        "level": page_chart(
            table, name="chart-level", title="Level", text=response_text(design.analysis.response)
        ),
        "shared": box_tables.shared_rows(box),
        "reasons": box_tables.switch_lines(box),
        "choices": [
            (number, f"{a.what}, ±{a.picked_db:.3f} dB")
            for number, a in enumerate(box.alternatives, start=1)
            if a.picked_db is not None
        ],
        "alternatives": box_tables.alternative_rows(box),
        "alternative_lines": box_tables.alternative_lines(box) if box.alternatives else [],
    }
