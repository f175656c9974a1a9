"""``antecurve design``: the main job."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer

from antecurve.cli.options import AsJson, Force, OutputFolder, refuse_existing
from antecurve.cli.terminal import say

__all__ = ["design"]


def design(
    job_file: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Argument(metavar="[JOB.toml]", help="A job file; without it the embedded default."),
    ] = None,
    output: OutputFolder = None,
    force: Force = False,
    plots: Annotated[
        bool, typer.Option("--plots", help="With -o: the plots as PNG and SVG files, too.")
    ] = False,
    whole: Annotated[
        bool,
        typer.Option("--all", help="Print alternatives, parts list and every figure, too."),
    ] = False,
    as_json: AsJson = False,
) -> None:
    """Pick parts for a network that imposes the job's curve, and say how good it is.

    With -o the folder gets design.json, parts.csv, response.csv, network.cir and report.html.
    Exit code 1 when the nominal error misses the job's error_limit_db, or when the builds of
    the spread were interrupted.

    \b
    Example: antecurve design bench.toml -o bench-network
    """
    from antecurve.cli.outcome import misses_limit, was_interrupted
    from antecurve.cli.progress import busy_progress, design_progress
    from antecurve.cli.show import show_design, show_json
    from antecurve.extras import require_extra
    from antecurve.files.design_folder import write_design
    from antecurve.files.job_drawer import read_job_drawer
    from antecurve.files.job_file import read_job
    from antecurve.job import default_job
    from antecurve.pipeline import design as do_design
    from antecurve.report.page import report_page
    from antecurve.report.plots import plot_files

    refuse_existing(output, force=force)
    if plots:
        require_extra("plots")
    job = default_job() if job_file is None else read_job(job_file)
    with design_progress() as (searched, drawn):
        designed = do_design(
            job, drawer=read_job_drawer(job), progress=searched, builds_progress=drawn
        )
    if output is not None:
        with busy_progress("drawing the report"):
            more = {"report.html": report_page(designed), **(plot_files(designed) if plots else {})}
        write_design(designed, output, force=force, more=more)
    if as_json:
        show_json(designed)
    else:
        show_design(designed, whole=whole)
        if not whole:
            say("More: --all prints alternatives, parts list and every figure; -o writes a report.")
        if output is not None:
            names = ("design.json", "parts.csv", "response.csv", "network.cir", *more)
            say(f"Written to {output}: {' '.join(names)}")
    interrupted = was_interrupted(designed.analysis.spread)
    if (
        misses_limit(designed.analysis.error.job.centred_db, job.target.error_limit_db)
        or interrupted
    ):
        raise typer.Exit(1)
