"""``antecurve design``: the main job."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Optional

import typer

from antecurve.cli.options import AlternativeNumber, AsJson, Force, OutputFolder, refuse_existing
from antecurve.cli.terminal import say

if TYPE_CHECKING:
    from antecurve.job import Job
    from antecurve.pipeline import Design
    from antecurve.switched.request import BoxJob

__all__ = ["design"]


def design(
    job_file: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Argument(metavar="JOB.toml", help="A job file; without it the embedded default."),
    ] = None,
    output: OutputFolder = None,
    force: Force = False,
    alternative: AlternativeNumber = 0,
    plots: Annotated[
        bool, typer.Option("--plots", help="With -o: the plots as PNG and SVG files, too.")
    ] = False,
    whole: Annotated[
        bool,
        typer.Option("--all", help="Print alternatives, parts list and every figure, too."),
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Design a network: pick its parts, and say how good it is.

    With -o the folder gets design.json, parts.csv, response.csv, network.cir, report.html and
    board.svg.  That shows the network on a strip board, to scale.
    Exit code 1 when the design error misses the job's error_limit_db, or when the builds of
    the spread were interrupted.  A network of your own without a limit misses above 1 dB.

    \b
    Example: antecurve design bench.toml -o bench-network
    """
    from antecurve.cli.budget import Budget
    from antecurve.cli.delivery import deliver
    from antecurve.cli.outcome import is_far_from_the_curve, misses_limit, was_interrupted
    from antecurve.cli.progress import design_progress
    from antecurve.cli.surroundings import seconds_since_start
    from antecurve.extras import require_extra
    from antecurve.files.job_drawer import read_job_drawer
    from antecurve.job import Job, default_job
    from antecurve.pipeline import design as do_design

    refuse_existing(output, force=force)
    if plots:
        require_extra("plots")
    job = default_job() if job_file is None else _read(job_file)
    if not isinstance(job, Job):
        from antecurve.cli.box_design import design_several

        if plots:
            from antecurve.errors import InputError

            raise InputError("--plots", "several curves", "plots are of one; leave this out")
        design_several(job, alternative, output=output, force=force, as_json=as_json, whole=whole)
        return
    budget = Budget(job, whole=whole or as_json or output is not None)
    before = seconds_since_start()
    with design_progress() as (searched, drawn):
        designed = do_design(
            job, drawer=read_job_drawer(job), progress=searched, builds_progress=drawn,
            budget_seconds=budget.search_seconds,
        )  # fmt: skip
        if alternative:
            from antecurve.alternative import with_alternative

            designed = with_alternative(designed, number=alternative)
    deliver(
        files=lambda: _files(designed, plots=plots),
        content=lambda: designed,
        show=lambda: _show(designed, whole=whole),
        output=output,
        force=force,
        as_json=as_json,
    )
    budget.tell(designed, before=before)
    interrupted = was_interrupted(designed.analysis.spread)
    if (
        misses_limit(designed.analysis.error.job.centred_db, limit_db=job.target.error_limit_db)
        or is_far_from_the_curve(designed)
        or interrupted
    ):
        raise typer.Exit(1)


def _read(path: Path) -> Job | BoxJob:
    from antecurve.files.box_job_file import read_job_or_box

    return read_job_or_box(path)


def _files(designed: Design, *, plots: bool) -> dict[str, bytes]:
    from antecurve.cli.progress import busy_progress
    from antecurve.cli.surroundings import today
    from antecurve.files.design_folder import design_files
    from antecurve.report.board_drawing import board_files
    from antecurve.report.page import report_page

    with busy_progress("drawing the report"):
        drawn = {"report.html": report_page(designed, date=today()), **board_files(designed)}
        if plots:
            from antecurve.report.plots import plot_files  # which loads all that can be drawn

            drawn |= plot_files(designed)
    return design_files(designed) | drawn


def _show(designed: Design, *, whole: bool) -> None:
    from antecurve.cli.show import show_design

    show_design(designed, whole=whole)
    if not whole:
        say("More: --all prints alternatives, parts list and every figure; -o writes a report.")
