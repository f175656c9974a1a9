"""``antecurve job``: a commented starter job, or the starter of a unit's circuit."""

from __future__ import annotations

from typing import Annotated

import typer

from antecurve.cli.options import Force, OutputFile

__all__ = ["job"]


def job(
    output: OutputFile = None,
    unit: Annotated[
        bool,
        typer.Option("--unit", help="The circuit of a unit instead, for antecurve diagnose."),
    ] = False,
    force: Force = False,
) -> None:
    """Write a commented starter job, or the circuit of a unit.

    \b
    Example: antecurve job -o bench.toml
    """
    from antecurve.files.output_folder import write_file
    from antecurve.files.starter_job import starter_job
    from antecurve.files.starter_unit import starter_unit

    text = starter_unit() if unit else starter_job()
    if output is None:
        print(text, end="")
        return
    write_file(output, text.encode(), force=force)
    print(f"Wrote {output}")
