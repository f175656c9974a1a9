"""``report.html``: one self-contained page about a design."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from antecurve.analysis.bench_sheet import bench_sheet
from antecurve.analysis.loading import one_change
from antecurve.analysis.scope import FaultSheet, ScopeTrace
from antecurve.checked import checked
from antecurve.pipeline import Design, design_parts_list, design_stresses, square_waves
from antecurve.report.bench_panel import bench_panel
from antecurve.report.bench_tables import (
    combination_rows,
    fault_rows,
    level_lines,
    window_lines,
)
from antecurve.report.board_drawing import board_section
from antecurve.report.box_label import box_label
from antecurve.report.build_tables import sensitivity_rows
from antecurve.report.cautions import CAUTIONS
from antecurve.report.charts import (
    error_chart,
    fault_chart,
    moved_error_chart,
    response_chart,
    scope_chart,
)
from antecurve.report.descriptions import (
    error_text,
    fault_text,
    response_text,
    schematic_text,
    scope_text,
)
from antecurve.report.formula_breaks import breakable
from antecurve.report.formula_rows import formula_numbers, given_numbers
from antecurve.report.html_page import html_page, page_environment
from antecurve.report.page_chart import PageChart, page_chart
from antecurve.report.schematic import page_schematic, soldered_parts, value_labels
from antecurve.report.sheet_tables import reading_lines, reading_rows
from antecurve.report.stored_formulas import page_formulas
from antecurve.report.stress_tables import stress_lines, stress_rows
from antecurve.report.summary import curve_line, governing_lines, missed_limit, summary_lines
from antecurve.report.tables import (
    form_rows,
    node_caption,
    parts_rows,
    refused_forms,
    response_rows,
    shortlist_rows,
    wiring_rows,
)
from antecurve.report.tiles import design_tiles
from antecurve.synthesis.worked_numbers import worked_numbers

if TYPE_CHECKING:
    from antecurve.pipeline import Analysis

__all__ = ["report_page"]


_REACHES_DB = (0.01, 0.015, 0.02, 0.03, 0.05, 0.07, 0.1, 0.15, 0.2, 0.3, 0.5, 0.7, 1.0, 1.5,
               2.0, 3.0, 5.0, 7.0, 10.0, 15.0, 20.0, 30.0, 50.0)  # fmt: skip
"""Ends of a fixed scale of error that give round numbers along it [dB]."""
_SCALES = (0.2, 1.0, 5.0)  # times the scale that holds the limit and the builds: closer and wider
_PER_DECADE = 60  # frequencies of the error that follows the sliders, as the page computes builds


def _square_waves(trace: ScopeTrace | None, faults: FaultSheet | None) -> dict[str, Any]:
    """Charts and numbers of the square waves, where there are any."""
    if trace is None or faults is None:
        return {"scope_plot": None, "fault_plot": None, "faults": None}
    return {
        "scope_plot": page_chart(
            scope_chart(trace), name="chart-scope", title="Square wave, generator to output",
            text=scope_text(trace),
        ),
        "fault_plot": page_chart(
            fault_chart(faults), name="chart-faults", title="Common faults of playback",
            text=fault_text(faults),
        ),
        "faults": fault_rows(faults),
    }  # fmt: skip


def _error_plot(analysis: Analysis, limit_db: float | None) -> tuple[PageChart, list[float]]:
    """The error that follows the sliders, and its fixed scales, the middle one shown first."""
    chart = error_chart(analysis, limit_db=limit_db)
    low, high = analysis.error.job.band_hz
    steps = max(1, math.ceil(_PER_DECADE * math.log10(high / low)))
    largest = max(analysis.error.job.centred_db, analysis.spread.centred_db.p95, limit_db or 0.0)
    reaches = [_round_reach(1.1 * largest * scale) for scale in _SCALES]
    moved = moved_error_chart(
        chart, frequency_hz=np.geomspace(low, high, steps + 1), reach_db=reaches[1]
    )
    text = error_text(analysis, limit_db=limit_db)
    return page_chart(chart, name="chart-error", title="Error", text=text, live=moved), reaches


def _tables(design: Design) -> dict[str, Any]:
    """What the page has in tables, by name."""
    analysis, picked, second = design.analysis, design.picked, design.second
    stresses, sheet = design_stresses(design), bench_sheet(design)
    return {
        "wiring": wiring_rows(picked),
        "nodes": node_caption(picked),
        "second": None if second is None else wiring_rows(second),
        "parts": parts_rows(design_parts_list(design)),
        "verify": reading_rows(sheet),
        "verify_lines": [level_lines(analysis.level)[0], *reading_lines(sheet)],
        "response": response_rows(analysis.response),
        "shares": sensitivity_rows(analysis.spread),
        "loading": combination_rows(one_change(analysis.loading)),
        "shortlist": shortlist_rows(design),
        "forms": form_rows(design),
        "refused": refused_forms(design),
        "stresses": stress_rows(stresses),
        "stress_lines": stress_lines(stresses),
    }


def _round_reach(reach_db: float) -> float:
    return next((r for r in _REACHES_DB if r >= reach_db), _REACHES_DB[-1])


def _formulas(design: Design) -> dict[str, Any]:
    """Formulas by heading, each with its worked number where the exact values give one."""
    formulas, exact = page_formulas(design.picked.topology, design.curve), design.exact_network
    if formulas is None:
        return {"formulas": {}, "given": ""}
    loading = design.job.loading
    numbers = {} if exact is None else worked_numbers(formulas.numeric, exact, loading)
    texts = formula_numbers(formulas.numeric, numbers)
    return {
        "formulas": {
            heading: list(zip(map(breakable, rows), texts[heading], strict=True))
            for heading, rows in formulas.rows.items()
        },
        "given": given_numbers(formulas.numeric, numbers, curve=design.curve),
    }


@checked
def report_page(design: Design, *, date: str = "") -> bytes:
    """Render the report of a design.

    Parameters
    ----------
    design : Design
        A design with its analyses.
    date : str, optional
        Date in the footer of the printed sheets.

    Returns
    -------
    bytes
        HTML in UTF-8; no request leaves the page.
    """
    from markupsafe import Markup

    analysis = design.analysis
    limit_db = design.job.target.error_limit_db
    governs, missed = governing_lines(design), missed_limit(design)
    curve = curve_line(design.job.curve)
    environment = page_environment()
    trace, faults = square_waves(design)
    panel = bench_panel(design, analysis, environment=environment)
    # What is marked as markup is of our own making; its labels hold references and numbers only.
    schematic = page_schematic(
        design.network, loading=design.job.loading, labels=value_labels(design.picked),
        joined=soldered_parts(design.picked),
    )  # fmt: skip
    error_plot, reaches = _error_plot(analysis, limit_db)
    return html_page(
        "report.html.j2",
        title=design.job.title,
        date=date,
        scripts=[panel.script],
        environment=environment,
        balanced=design.job.network.balanced,
        missed=missed,
        governs=governs,
        tiles=design_tiles(design),
        summary=[line for line in summary_lines(design) if line not in (*governs, missed, curve)],
        curve=curve,
        texts={"schematic": schematic_text(design.picked, design.job.loading)},
        schematic=Markup(schematic),
        error_plot=error_plot,
        reaches=reaches,
        response_plot=page_chart(
            response_chart(analysis.response),
            name="chart-level",
            title="Level",
            text=response_text(analysis.response),
        ),
        **_tables(design),
        level_lines=level_lines(analysis.level),
        window_lines=window_lines(analysis.loading.window),
        **_square_waves(trace, faults),
        **(_formulas(design) | board_section(design)),
        label=box_label(design),
        cautions=CAUTIONS,
        sliders=panel.sliders,
        bench_data=Markup(panel.data),
    )
