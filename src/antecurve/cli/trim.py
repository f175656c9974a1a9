"""``antecurve trim``: which remaining positions to change, and to what."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer

from antecurve.cli.options import (
    AsJson,
    DesignFile,
    MeterCapacitance,
    MeterDisplay,
    MeterResistance,
    PositionOrBox,
)
from antecurve.cli.terminal import say

__all__ = ["trim"]


def trim(
    design_file: DesignFile,
    measured: Annotated[
        Path,
        typer.Option(
            metavar="VALUES.csv", help="Parts already fitted, measured: columns ref and value."
        ),
    ],
    position: PositionOrBox = None,
    soldered: Annotated[
        Optional[list[str]],  # noqa: UP045
        typer.Option(
            metavar="REF",
            help="A part that is soldered in but was not measured; may be repeated.",
        ),
    ] = None,
    most_changes: Annotated[
        int, typer.Option(metavar="COUNT", help="Largest number of changes.", min=1)
    ] = 3,
    meter_resistance: MeterResistance = "0.2 %",
    meter_capacitance: MeterCapacitance = "0.5 %",
    meter_display: MeterDisplay = 10_000,
    as_json: AsJson = False,
) -> None:
    """Suggest the fewest changes that correct a build.

    Positions neither measured nor soldered are still open, and their parts may change.  At
    fitted positions parts can be added in series or in parallel, or replaced.  All single
    changes and pairs are searched.  Exit code 1 when even the best proposal misses the job's
    error_limit_db.

    \b
    Example: antecurve trim design.json --measured values.csv
    """
    from antecurve.analysis.trim import trim as bring_back
    from antecurve.cli.box_building import trim_whole_box
    from antecurve.cli.progress import count_progress
    from antecurve.cli.show import show_json, show_table
    from antecurve.files.box_file import read_design_and_box, read_measured_at
    from antecurve.files.job_drawer import read_job_drawer
    from antecurve.files.judging_texts import meter_accuracy
    from antecurve.report import build_tables as tables
    from antecurve.texts import printable

    meter = meter_accuracy(meter_resistance, meter_capacitance, display=meter_display)
    design, box = read_design_and_box(design_file, position=position)
    if box is not None and position is None:
        trim_whole_box(
            box, measured, meter=meter, soldered=soldered or (), most_changes=most_changes,
            as_json=as_json,
        )  # fmt: skip
        return
    known = read_measured_at(measured, design, box)
    drawer = read_job_drawer(design.job)
    with count_progress("trying changes") as progress:
        result = bring_back(
            design.picked,
            design.job,
            measured=known,
            meter=meter,
            drawer=drawer,
            soldered=soldered or (),
            most_changes=most_changes,
            progress=progress,
        )
    if as_json:
        show_json(result.to_dict())
    else:
        if design.position:
            print(f"Position {printable(design.position)}")
        say(*tables.trim_lines(result))
        show_table(tables.trim_rows(result))
        if box is not None:
            shared = ", ".join(box.switch.shared)
            say(f"Every position shares {shared}: trim without --position weighs all positions.")
    limit = design.job.target.error_limit_db
    if limit is not None and result.advised.centred_db > limit:
        typer.echo(
            f"antecurve: even so {result.advised.centred_db:.3f} dB misses the limit of "
            f"{limit:g} dB",
            err=True,
        )
        raise typer.Exit(1)
