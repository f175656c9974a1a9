"""``antecurve design`` of a job with several curves."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import typer

from antecurve.cli.terminal import say, say_aside

if TYPE_CHECKING:
    from antecurve.switched.box import Box
    from antecurve.switched.box_analysis import BoxAnalysis
    from antecurve.switched.request import BoxJob

__all__ = ["design_several"]

_FEW_BUILDS = 1000  # after an interruption: a tenth of a second


def design_several(
    job: BoxJob,
    alternative: int,
    *,
    output: Path | None,
    force: bool,
    as_json: bool,
    whole: bool,
) -> None:
    """Design a box, write and print it.

    Parameters
    ----------
    job : BoxJob
        The job.
    alternative : int
        Number of the alternative to take, from 1; 0 for the pick.
    output : Path or None
        Folder to write into, if any.
    force : bool
        Whether to write into an existing one.
    as_json : bool
        Whether to print JSON instead of text.
    whole : bool
        Whether to print alternatives and parts list, too.
    """
    from antecurve.cli.box_budget import BoxBudget
    from antecurve.cli.delivery import deliver
    from antecurve.cli.outcome import misses_limit
    from antecurve.cli.progress import design_progress
    from antecurve.files.box_folder import box_content
    from antecurve.files.job_drawer import read_job_drawer
    from antecurve.switched.box import with_box_alternative
    from antecurve.switched.box_analysis import analyse_box, with_builds

    budget = BoxBudget(job, whole=whole or as_json or output is not None)
    with design_progress() as (searched, _):
        box = with_box_alternative(
            job, alternative, drawer=read_job_drawer(job.common), progress=searched,
            budget_seconds=budget.search_seconds,
        )  # fmt: skip
        interrupted = False
        try:
            analysis = analyse_box(box)
        except KeyboardInterrupt:  # what was found is told, with what takes no time
            interrupted = True
            box = with_builds(box, min(_FEW_BUILDS, job.common.spread.builds))
            analysis = analyse_box(box)
    deliver(
        files=lambda: _files(box, analysis),
        content=lambda: box_content(box, analysis),
        show=lambda: _show(box, analysis, whole=whole),
        output=output,
        force=force,
        as_json=as_json,
    )
    budget.tell(box)
    limit_db = job.common.target.error_limit_db
    if interrupted:
        say_aside(f"interrupted: the spread is that of {analysis.spread.builds:,} boxes")
    if misses_limit(box.search.objective_db, limit_db=limit_db) or interrupted:
        raise typer.Exit(1)


def _files(box: Box, analysis: BoxAnalysis) -> dict[str, bytes]:
    from antecurve.cli.progress import busy_progress
    from antecurve.cli.surroundings import today
    from antecurve.files.box_folder import box_files
    from antecurve.report.box_board import box_board_files
    from antecurve.report.box_page import box_page

    with busy_progress("drawing the report"):
        drawn = {"report.html": box_page(box, analysis, date=today()), **box_board_files(box)}
        return {**box_files(box, analysis), **drawn}


def _show(box: Box, analysis: BoxAnalysis, *, whole: bool) -> None:
    from antecurve.cli.show import show_table
    from antecurve.report import box_tables as tables
    from antecurve.report.tables import parts_rows
    from antecurve.switched.box import box_parts_list
    from antecurve.texts import printable

    print(printable(box.job.common.title))
    say(*tables.box_lines(box))
    show_table(tables.position_rows(box))
    print(f"Network {box.switch.form}: what stays, between its nodes")
    show_table(tables.shared_rows(box))
    if box.switch.contacts:
        print("The switch, contact by contact")
        show_table(tables.contact_rows(box))
    say(*tables.switch_lines(box))
    say(*tables.passing_lines(analysis))
    say(*tables.common_spread_lines(analysis.spread))
    if whole:
        print("Contacts")
        show_table(tables.contact_effect_rows(analysis))
        print("Spread of whole boxes")
        show_table(tables.common_spread_rows(analysis.spread))
        print("Alternatives")
        show_table(tables.alternative_rows(box))
        say(*tables.alternative_lines(box))
        print("Parts")
        show_table(parts_rows(box_parts_list(box)))
    else:
        say("More: --all prints alternatives and the parts list; -o writes a folder.")
