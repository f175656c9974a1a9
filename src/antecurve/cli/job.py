"""``antecurve job``: a commented starter job, or the starter of a unit's circuit."""

from __future__ import annotations

from typing import Annotated, Optional

import typer

from antecurve.cli.options import Force, OutputFile

__all__ = ["job"]


def job(
    output: OutputFile = None,
    unit: Annotated[
        bool,
        typer.Option("--unit", help="Write the circuit of a unit instead, for antecurve diagnose."),
    ] = False,
    arrangement: Annotated[
        Optional[str],  # noqa: UP045
        typer.Option(
            "--arrangement",
            metavar="NAME",
            help="With --unit: passive, passive split, feedback, feedback inverting, valve stages.",
        ),
    ] = None,
    force: Force = False,
) -> None:
    """Write a commented starter job, or the circuit of a unit.

    \b
    Examples:
      antecurve job -o bench.toml
      antecurve job --unit --arrangement "valve stages" -o unit.toml
    """
    from antecurve.errors import InputError
    from antecurve.files.output_folder import write_file
    from antecurve.files.starter_job import starter_job
    from antecurve.files.starter_unit import starter_unit

    if arrangement is not None and not unit:
        raise InputError("--arrangement", arrangement, "it is of a unit's circuit: add --unit")
    text = starter_unit(arrangement or "feedback") if unit else starter_job()
    if output is None:
        print(text, end="")
        return
    write_file(output, text.encode(), force=force)
    print(f"Wrote {output}")
