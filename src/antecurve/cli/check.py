"""``antecurve check``: a design analysed again, or one copy with measured parts."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Optional

import typer

from antecurve.cli.options import (
    AsJson,
    DesignFile,
    Force,
    MeterCapacitance,
    MeterResistance,
    OutputFolder,
)

__all__ = ["check"]


def check(
    design_file: DesignFile,
    measured: Annotated[
        Optional[Path],  # noqa: UP045
        typer.Option(
            metavar="VALUES.csv", help="Measured values of this copy: columns ref and value."
        ),
    ] = None,
    meter_resistance: MeterResistance = "0.2 %",
    meter_capacitance: MeterCapacitance = "0.5 %",
    resistor_type: Annotated[
        str, typer.Option(help="Technology of the resistors, for drift.")
    ] = "metal film",
    capacitor_type: Annotated[
        str, typer.Option(help="Technology of the capacitors, for drift and losses.")
    ] = "polypropylene",
    output: OutputFolder = None,
    force: Force = False,
    as_json: AsJson = False,
) -> None:
    """Analyse a design again; with measured parts, say what this very copy does.

    The correction table is what to subtract from levels measured through the network.  With -o
    the folder gets correction.csv and response.csv.  Exit code 1 when the error misses the
    job's error_limit_db.

    Example: antecurve check bench-network/design.json --measured values.csv -o copy-1
    """
    from dataclasses import replace

    from antecurve.analysis.as_built import as_built
    from antecurve.analysis.drift import drift
    from antecurve.analysis.losses import loss_effect
    from antecurve.cli.options import meter_accuracy
    from antecurve.cli.show import show_design, show_json, show_table
    from antecurve.errors import OutputExistsError
    from antecurve.files import copies as content
    from antecurve.files.design_file import design_content, read_design
    from antecurve.files.design_folder import response_csv
    from antecurve.files.measured import read_measured
    from antecurve.files.output_folder import write_folder
    from antecurve.pipeline import analyse
    from antecurve.report import copies
    from antecurve.report.tables import wiring_rows

    if output is not None and output.exists() and not force:
        raise OutputExistsError(output)
    design = read_design(design_file)
    job = design.job
    band = job.target.band_hz
    copy = as_built(
        design.picked,
        curve=job.curve,
        loading=job.loading,
        band_hz=band,
        measured={} if measured is None else read_measured(measured, design.picked),
        meter=meter_accuracy(meter_resistance, meter_capacitance),
    )
    design = replace(design, picked=copy.picked)
    design = replace(design, analysis=analyse(design))
    types = {"resistors": resistor_type, "capacitors": capacitor_type}
    warm = drift(
        copy.picked, curve=job.curve, loading=job.loading, band_hz=band, technologies=types
    )
    losses = loss_effect(copy.picked, loading=job.loading, band_hz=band, technologies=types)
    if output is not None:
        assert design.analysis is not None
        files = {
            "correction.csv": content.correction_csv(copy.correction),
            "response.csv": response_csv(design.analysis.response),
        }
        write_folder(output, files, force=force)
    if as_json:
        show_json(
            {
                **design_content(design),
                "as_built": content.as_built_content(copy),
                "drift": content.drift_content(warm),
                "losses": content.loss_content(losses),
            }
        )
    else:
        if measured is None:
            show_design(design)
        else:
            print(job.title)
            show_table(wiring_rows(design.picked))
            for line in copies.as_built_lines(copy):
                print(line)
        print("Subtract from levels measured through the network, 0 dB at 1 kHz:")
        show_table(copies.correction_rows(copy.correction))
        print("Over temperature:")
        show_table(copies.drift_rows(warm))
        print(copies.loss_line(losses))
        if output is not None:
            print(f"Written to {output}: correction.csv response.csv")
    limit = job.target.error_limit_db
    if limit is not None and copy.error.centred_db > limit:
        error = copy.error.centred_db
        typer.echo(f"antecurve: error {error:.3f} dB misses the limit of {limit:g} dB", err=True)
        raise typer.Exit(1)
