"""The bench sheet as a page to be printed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from antecurve.errors import InputError
from antecurve.report.bench_tables import (
    combination_rows,
    delay_rows,
    fault_rows,
    level_lines,
    noise_rows,
    peak_lines,
    plan_rows,
)
from antecurve.report.cautions import CAUTIONS
from antecurve.report.charts import fault_chart
from antecurve.report.descriptions import fault_text, setting_text
from antecurve.report.html_page import html_page
from antecurve.report.page_chart import page_chart
from antecurve.report.practical_notes import PRACTICAL_NOTES
from antecurve.report.sheet_tables import reading_lines, reading_rows, sheet_lines, sheet_rows
from antecurve.report.stress_tables import stress_lines, stress_rows
from antecurve.report.text_table import TextTable

if TYPE_CHECKING:
    from antecurve.analysis.bench_plan import BenchPlan

__all__ = ["UNIT", "SheetPart", "bench_page", "sheet_parts"]

UNIT = ("unit",)
"""The unit's own input as what reads the levels."""


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
    on_request : bool
        Whether the terminal shows it only when everything is asked for.
    """

    heading: str
    lines: tuple[str, ...] = ()
    table: TextTable | None = None
    on_request: bool = False


def sheet_parts(plan: BenchPlan, *, instruments: Sequence[str] = UNIT) -> tuple[SheetPart, ...]:
    """Draw up the sections of the bench sheet, for the page and the terminal alike.

    Parameters
    ----------
    plan : BenchPlan
        A design on the bench.
    instruments : sequence of str, optional
        What reads the levels, a table each: ``unit``, or the name of a receiver of the sheet.

    Returns
    -------
    tuple of SheetPart
        In the order of work.

    Raises
    ------
    InputError
        When the sheet has no such instrument.
    """
    sheet = plan.sheet
    names = [column.receiver.name for column in sheet.columns]
    for name in instruments:
        if name not in names:
            raise InputError("--instrument", name, f"the sheet has {', '.join(names)}, or all")
    headings = ["Levels at the unit's input"]
    headings += [f"The network by itself: {name}" for name in names[1:]]
    levels = [
        SheetPart(heading, (), table)
        for name, heading, table in zip(names, headings, sheet_rows(sheet), strict=True)
        if name in instruments
    ]
    levels[0] = replace(levels[0], lines=tuple(sheet_lines(sheet)))
    return (
        *levels,
        SheetPart("Level", tuple(level_lines(plan.level)), plan_rows(plan.plan), on_request=True),
        SheetPart("Noise", (), noise_rows(plan.noise), on_request=True),
        SheetPart("Square wave", tuple(peak_lines(plan.peak))),
        SheetPart(
            "One generator for several channels",
            ("The generator's resistance counts once for each network that it feeds.",),
            combination_rows(sheet.both_channels),
            on_request=True,
        ),
        SheetPart(
            "Stress on the parts",
            tuple(stress_lines(plan.stresses)),
            stress_rows(plan.stresses),
            on_request=True,
        ),
        SheetPart("Phase and group delay", (), delay_rows(plan.delay), on_request=True),
    )


def bench_page(
    title: str, plan: BenchPlan, *, instruments: Sequence[str] = UNIT, date: str = ""
) -> bytes:
    """Render the bench sheet as a page.

    Parameters
    ----------
    title : str
        Title of the job.
    plan : BenchPlan
        A design on the bench.
    instruments : sequence of str, optional
        What reads the levels, as in `sheet_parts`.
    date : str, optional
        Date in the footer of the printed sheets.

    Returns
    -------
    bytes
        HTML in UTF-8; no request leaves the page.
    """
    names = [column.receiver.name for column in plan.sheet.columns]
    parts = list(sheet_parts(plan, instruments=instruments))
    parts[: len(instruments)] = [
        replace(
            part,
            lines=tuple(reading_lines(plan.sheet)),
            table=reading_rows(plan.sheet, instrument=names.index(name)),
        )
        for part, name in zip(parts, instruments, strict=False)
    ]
    readings, others = parts[: len(instruments)], parts[len(instruments) :]
    return html_page(
        "bench_sheet.html.j2",
        title=f"Bench sheet: {title}{setting_text(plan.faults.set_to)}",
        date=date,
        readings=readings,
        appendix=[part for part in others if part.on_request],
        parts=[part for part in others if not part.on_request],
        faults=page_chart(
            fault_chart(plan.faults), name="chart-faults", title="Common faults of playback",
            text=fault_text(plan.faults),
        ),
        fault_numbers=fault_rows(plan.faults),
        cautions=CAUTIONS,
        notes=PRACTICAL_NOTES,
    )  # fmt: skip
