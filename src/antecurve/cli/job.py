"""``antecurve job``: a commented starter job."""

from __future__ import annotations

from antecurve.cli.options import Force, OutputFile

__all__ = ["job"]


def job(output: OutputFile = None, force: Force = False) -> None:
    """Write a commented starter job, to stdout or to a file.

    \b
    Example: antecurve job -o bench.toml
    """
    from antecurve.files.output_folder import write_file
    from antecurve.files.starter_job import starter_job

    if output is None:
        print(starter_job(), end="")
        return
    write_file(output, starter_job().encode(), force=force)
    print(f"Wrote {output}")
