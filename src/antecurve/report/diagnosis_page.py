"""The diagnosis of a unit as a page to be printed, with its repair where there is one."""

from __future__ import annotations

from typing import TYPE_CHECKING

from antecurve.report.cautions import INSIDE_CAUTIONS
from antecurve.report.charts import deviation_chart, repair_chart
from antecurve.report.circuit_schematic import circuit_svg
from antecurve.report.descriptions import deviation_text
from antecurve.report.diagnosis_chart import explanation_chart, explanation_text
from antecurve.report.diagnosis_tables import (
    diagnosis_lines,
    hidden_rows,
    probability_text,
    repair_lines,
    suspect_rows,
    suspect_text,
)
from antecurve.report.html_page import html_page
from antecurve.report.page_chart import page_chart
from antecurve.report.schematic import in_both_widths
from antecurve.report.unit_report import VERDICT_WORDS, band_rows

if TYPE_CHECKING:
    from antecurve.diagnose.repair import Repair
    from antecurve.diagnose.suspect import Diagnosis
    from antecurve.judge.verdict import Verdict

__all__ = ["diagnosis_page"]


def diagnosis_page(
    diagnosis: Diagnosis, verdict: Verdict, *, title: str, repair: Repair | None = None
) -> bytes:
    """Render the diagnosis of a unit.

    Parameters
    ----------
    diagnosis : Diagnosis
        The diagnosis.
    verdict : Verdict
        The verdict on the same captures.
    title : str
        Title of the network's design.
    repair : Repair, optional
        The verdicts before and after a repair.

    Returns
    -------
    bytes
        A self-contained page in HTML, UTF-8.
    """
    from markupsafe import Markup

    suspects = ", ".join(suspect_text(s) for s in diagnosis.suspects) or "none"
    shown = (
        deviation_chart(verdict) if repair is None else repair_chart(repair.before, repair.after)
    )
    verdicts = [("The unit", verdict)]
    if repair is not None:
        verdicts = [("Before the repair", repair.before), ("After the repair", repair.after)]
    return html_page(
        "diagnosis.html.j2",
        title=f"Diagnosis: {diagnosis.circuit.title}",
        network=title,
        lines=diagnosis_lines(diagnosis),
        repaired=[] if repair is None else repair_lines(repair),
        suspects=suspect_rows(diagnosis),
        advice=[(" ".join(s.refs), s.how_to_tell) for s in diagnosis.suspects],
        good=probability_text(diagnosis.good_probability),
        unexplained=probability_text(diagnosis.unexplained_probability),
        hypotheses=diagnosis.hypotheses,
        priors=diagnosis.priors,
        # Markup of our own making: labels hold references, nodes and numbers, and are escaped.
        circuit=Markup(
            in_both_widths(
                *(circuit_svg(diagnosis.circuit, diagnosis, narrow=n) for n in (False, True))
            )
        ),
        circuit_text=f"Schematic of the unit from in to out; suspects marked: {suspects}.",
        explanation=page_chart(
            explanation_chart(diagnosis),
            name="chart-explanation",
            title="What explains the captures",
            text=explanation_text(diagnosis),
        ),
        hidden=hidden_rows(diagnosis),
        hidden_advice=[(h.ref, h.how_to_tell) for h in diagnosis.hidden],
        deviation=page_chart(
            shown,
            name="chart-deviation",
            title="Deviation from flat",
            text=" ".join(f"{name}: {deviation_text(v)}" for name, v in verdicts)
            if repair
            else deviation_text(verdict),
        ),
        verdicts=[
            (name, v.decision.value, VERDICT_WORDS[v.decision.value], band_rows(v))
            for name, v in verdicts
        ],
        cautions=INSIDE_CAUTIONS,
    )
