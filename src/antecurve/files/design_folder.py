"""The folder that ``antecurve design`` writes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from pathlib import Path

from antecurve.analysis.response import ResponseTable, response_table
from antecurve.files.design_file import design_json
from antecurve.files.netlist import netlist
from antecurve.files.output_folder import write_folder
from antecurve.files.parts_file import parts_csv
from antecurve.files.table import csv_bytes
from antecurve.pipeline import Design, design_parts_list

__all__ = ["design_files", "response_csv", "write_design"]


def response_csv(table: ResponseTable) -> bytes:
    """Return a response table as the content of ``response.csv``.

    Parameters
    ----------
    table : ResponseTable
        The table.

    Returns
    -------
    bytes
        One column an attribute, numbers with full precision.
    """
    names = [f.name for f in fields(table)]
    columns = [getattr(table, name).tolist() for name in names]
    return csv_bytes(names, zip(*columns, strict=True))


def design_files(design: Design) -> dict[str, bytes]:
    """Return the files of a design, without the report.

    Parameters
    ----------
    design : Design
        A design with its analyses.

    Returns
    -------
    dict of str to bytes
        ``design.json``, ``parts.csv``, ``response.csv``, ``network.cir``.
    """
    job, network = design.job, design.network
    table = response_table(network, curve=job.curve, loading=job.loading)
    return {
        "design.json": design_json(design),
        "parts.csv": parts_csv(design_parts_list(design)),
        "response.csv": response_csv(table),
        "network.cir": netlist(network, loading=job.loading, title=job.title).encode(),
    }


def write_design(
    design: Design,
    folder: Path | str,
    *,
    force: bool = False,
    more: Mapping[str, bytes] | None = None,
) -> None:
    """Write a design into a folder, complete or not at all.

    Parameters
    ----------
    design : Design
        A design with its analyses.
    folder : Path or str
        The folder to be made.
    force : bool, optional
        Whether an existing folder may be written into.
    more : mapping of str to bytes, optional
        Further files, such as the report.

    Raises
    ------
    OutputExistsError
        When the folder exists and `force` is not set.
    InputError
        When it can't be written.
    """
    write_folder(folder, {**design_files(design), **(more or {})}, force=force)
