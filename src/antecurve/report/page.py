"""``report.html``: one self-contained page about a design."""

from __future__ import annotations

from typing import Any

from antecurve.analysis.loading import one_change
from antecurve.analysis.ratings import part_stresses
from antecurve.analysis.scope import FaultSheet, ScopeTrace
from antecurve.checked import checked
from antecurve.pipeline import Design, design_parts_list, square_waves
from antecurve.report.bench_panel import bench_panel
from antecurve.report.bench_tables import (
    combination_rows,
    level_lines,
    measure_rows,
    window_lines,
)
from antecurve.report.build_tables import sensitivity_rows
from antecurve.report.cautions import CAUTIONS
from antecurve.report.chart_svg import page_svg
from antecurve.report.charts import error_chart, fault_chart, response_chart, scope_chart
from antecurve.report.descriptions import (
    error_text,
    fault_text,
    response_text,
    schematic_text,
    scope_text,
)
from antecurve.report.formula_rows import formula_numbers, given_numbers
from antecurve.report.schematic import schematic_svg, value_labels
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
from antecurve.texts import unbroken

__all__ = ["page_environment", "report_page"]


def page_environment() -> Any:
    """Make the template environment, which escapes every text not marked as markup.

    Returns
    -------
    jinja2.Environment
        Templates of the package.
    """
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.PackageLoader("antecurve.report"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["unbroken"] = unbroken
    return environment


def _square_waves(trace: ScopeTrace | None, faults: FaultSheet | None) -> dict[str, Any]:
    """Plots and numbers of the square waves, where there are any."""
    from markupsafe import Markup

    if trace is None or faults is None:
        return {"scope_plot": None, "fault_plot": None, "faults": None}
    return {
        "scope_plot": Markup(page_svg(scope_chart(trace))),
        "fault_plot": Markup(page_svg(fault_chart(faults))),
        "faults": measure_rows([(t.playback.name, t.measures) for t in faults.traces]),
    }


def _texts(design: Design, trace: ScopeTrace | None, faults: FaultSheet | None) -> dict[str, str]:
    """The figures in words."""
    texts = {
        "schematic": schematic_text(design.picked, design.job.loading),
        "error": error_text(design.analysis, limit_db=design.job.target.error_limit_db),
        "response": response_text(design.analysis.response),
    }
    if trace is not None and faults is not None:
        texts |= {"scope": scope_text(trace), "faults": fault_text(faults)}
    return texts


def _formulas(design: Design) -> dict[str, Any]:
    """Formulas by heading, each with its worked number where the exact values give one."""
    formulas, exact = page_formulas(design.picked.topology, design.curve), design.exact_network
    if formulas is None:
        return {"formulas": {}, "given": ""}
    loading = design.job.loading
    numbers = {} if exact is None else worked_numbers(formulas.numeric, exact, loading)
    texts = formula_numbers(formulas.numeric, numbers)
    return {
        "formulas": {h: list(zip(r, texts[h], strict=True)) for h, r in formulas.rows.items()},
        "given": given_numbers(formulas.numeric, numbers),
    }


@checked
def report_page(design: Design) -> bytes:
    """Render the report of a design.

    Parameters
    ----------
    design : Design
        A design with its analyses.

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
    stresses = part_stresses(design)
    panel = bench_panel(design, analysis, environment=environment)
    # What is marked as markup is of our own making; its labels hold references and numbers only.
    schematic = schematic_svg(
        design.network, loading=design.job.loading, labels=value_labels(design.picked)
    )
    page: str = environment.get_template("report.html.j2").render(
        title=design.job.title,
        balanced=design.job.network.balanced,
        missed=missed,
        governs=governs,
        tiles=design_tiles(design),
        summary=[line for line in summary_lines(design) if line not in (*governs, missed, curve)],
        curve=curve,
        texts=_texts(design, trace, faults),
        limit_db=limit_db,
        schematic=Markup(schematic),
        error_plot=Markup(page_svg(error_chart(analysis, limit_db=limit_db))),
        response_plot=Markup(page_svg(response_chart(analysis.response))),
        wiring=wiring_rows(design.picked),
        nodes=node_caption(design.picked),
        second=None if design.second is None else wiring_rows(design.second),
        response=response_rows(analysis.response),
        parts=parts_rows(design_parts_list(design)),
        shares=sensitivity_rows(analysis.spread),
        loading=combination_rows(one_change(analysis.loading)),
        shortlist=shortlist_rows(design),
        forms=form_rows(design),
        refused=refused_forms(design),
        level_lines=level_lines(analysis.level),
        window_lines=window_lines(analysis.loading.window),
        stresses=stress_rows(stresses),
        stress_lines=stress_lines(stresses),
        **_square_waves(trace, faults),
        **_formulas(design),
        cautions=CAUTIONS,
        sliders=panel.sliders,
        bench_data=Markup(panel.data),
        script=Markup(panel.script),
        script_hash=panel.script_hash,
    )
    return (page + "\n").encode()
