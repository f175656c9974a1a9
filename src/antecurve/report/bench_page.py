"""The bench sheet as a page to be printed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from antecurve.report.bench_tables import (
    combination_rows,
    delay_rows,
    level_lines,
    measure_rows,
    noise_rows,
    peak_lines,
    plan_rows,
    sheet_lines,
    sheet_rows,
)
from antecurve.report.cautions import CAUTIONS
from antecurve.report.chart_svg import page_svg
from antecurve.report.charts import fault_chart
from antecurve.report.descriptions import fault_text
from antecurve.report.page import page_environment
from antecurve.report.practical_notes import PRACTICAL_NOTES
from antecurve.report.stress_tables import stress_lines, stress_rows
from antecurve.report.text_table import TextTable

if TYPE_CHECKING:
    from antecurve.analysis.bench_plan import BenchPlan

__all__ = ["SheetPart", "bench_page", "sheet_parts"]


@dataclass(frozen=True, slots=True)
class SheetPart:
    """A section of the bench sheet.

    Attributes
    ----------
    heading : str
        Its heading.
    lines : tuple of str
        Sentences.
    table : TextTable or None
        A table.
    """

    heading: str
    lines: tuple[str, ...] = ()
    table: TextTable | None = None


def sheet_parts(plan: BenchPlan) -> tuple[SheetPart, ...]:
    """Draw up the sections of the bench sheet, for the page and the terminal alike.

    Parameters
    ----------
    plan : BenchPlan
        A design on the bench.

    Returns
    -------
    tuple of SheetPart
        In the order of work.
    """
    sheet = plan.sheet
    unit, *proving = sheet_rows(sheet)
    return (
        SheetPart("Levels at the unit's input", tuple(sheet_lines(sheet)), unit),
        *(
            SheetPart(f"The network by itself: {column.receiver.name}", (), table)
            for column, table in zip(sheet.columns[1:], proving, strict=True)
        ),
        SheetPart("Level", tuple(level_lines(plan.level)), plan_rows(plan.plan)),
        SheetPart("Noise", (), noise_rows(plan.noise)),
        SheetPart("Square wave", tuple(peak_lines(plan.peak))),
        SheetPart(
            "One generator for several channels",
            ("The generator's resistance counts once for each network that it feeds.",),
            combination_rows(sheet.both_channels),
        ),
        SheetPart(
            "What the parts have to stand",
            tuple(stress_lines(plan.stresses)),
            stress_rows(plan.stresses),
        ),
        SheetPart("Phase and group delay", (), delay_rows(plan.delay)),
    )


def bench_page(title: str, plan: BenchPlan) -> bytes:
    """Render the bench sheet as a page.

    Parameters
    ----------
    title : str
        Title of the job.
    plan : BenchPlan
        A design on the bench.

    Returns
    -------
    bytes
        HTML in UTF-8; no request leaves the page.
    """
    from markupsafe import Markup

    page: str = (
        page_environment()
        .get_template("bench_sheet.html.j2")
        .render(
            title=title,
            parts=sheet_parts(plan),
            # Markup of our own making: its labels hold names of faults and numbers only.
            faults=Markup(page_svg(fault_chart(plan.faults))),
            fault_text=fault_text(plan.faults),
            fault_numbers=measure_rows([(t.playback.name, t.measures) for t in plan.faults.traces]),
            cautions=CAUTIONS,
            notes=PRACTICAL_NOTES,
        )
    )
    return (page + "\n").encode()
