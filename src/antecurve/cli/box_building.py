"""What commands print of a whole box: a build of it, and how to bring it back."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path
from typing import TYPE_CHECKING

import typer

from antecurve.cli.terminal import say

if TYPE_CHECKING:
    from antecurve.analysis.meter import MeterAccuracy
    from antecurve.switched.box import Box

__all__ = ["check_box", "trim_whole_box"]


def check_box(box: Box, measured: Path, *, meter: MeterAccuracy, as_json: bool) -> None:
    """Print what every position of a build does.

    Parameters
    ----------
    box : Box
        The box.
    measured : Path
        Measured values, by the references of its parts list.
    meter : MeterAccuracy
        Residual meter uncertainty.
    as_json : bool
        Whether to print JSON.
    """
    from antecurve.cli.outcome import misses_limit
    from antecurve.cli.show import show_json, show_table
    from antecurve.files.measured import read_measured
    from antecurve.report.box_build_tables import built_rows
    from antecurve.switched.box import box_positions
    from antecurve.switched.box_build import build_of_box

    built = build_of_box(box, read_measured(measured, box_positions(box)), meter=meter)
    if as_json:
        show_json([{"position": b.position, **b.built.to_dict()} for b in built])
    else:
        say(box.job.common.title)
        show_table(built_rows(built))
        say("More: --position NAME prints the correction table of one position.")
    worst = max(b.built.error.centred_db for b in built)
    if misses_limit(worst, limit_db=box.job.common.target.error_limit_db):
        raise typer.Exit(1)


def trim_whole_box(
    box: Box, measured: Path, *, meter: MeterAccuracy, soldered: Collection[str],
    most_changes: int, as_json: bool,
) -> None:  # fmt: skip
    """Print what to change so that every position comes back.

    Parameters
    ----------
    box : Box
        The box.
    measured : Path
        Parts already fitted, by the references of its parts list.
    meter : MeterAccuracy
        Residual meter uncertainty.
    soldered : collection of str
        References of parts that are soldered in but were not measured.
    most_changes : int
        Largest number of changes.
    as_json : bool
        Whether to print JSON.
    """
    from antecurve.cli.outcome import misses_limit
    from antecurve.cli.progress import count_progress
    from antecurve.cli.show import show_json, show_table
    from antecurve.files.job_drawer import read_job_drawer
    from antecurve.files.measured import read_measured
    from antecurve.report.box_build_tables import trimmed_lines, trimmed_rows
    from antecurve.switched.box import box_positions
    from antecurve.switched.box_build import trim_box

    known = read_measured(measured, box_positions(box))
    with count_progress("trying changes") as progress:
        trimmed = trim_box(
            box,
            known,
            meter=meter,
            drawer=read_job_drawer(box.job.common),
            soldered=soldered,
            most_changes=most_changes,
            progress=progress,
        )
    if as_json:
        show_json(trimmed)
    else:
        say(*trimmed_lines(trimmed))
        show_table(trimmed_rows(trimmed))
    if misses_limit(max(trimmed.after_db), limit_db=box.job.common.target.error_limit_db):
        raise typer.Exit(1)
