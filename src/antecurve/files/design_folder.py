"""The folder that ``antecurve design`` writes."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from antecurve.analysis.response import ResponseTable
from antecurve.checked import checked
from antecurve.files.design_file import design_json
from antecurve.files.netlist import netlist
from antecurve.files.output_folder import write_folder
from antecurve.files.parts_file import parts_csv
from antecurve.files.table import csv_bytes
from antecurve.job import Job
from antecurve.parts.position import PickedNetwork
from antecurve.pipeline import Design, design_parts_list

__all__ = ["design_files", "netlist_cards", "response_csv", "write_design"]

_RESPONSE_COLUMNS = (
    "frequency_hz", "ideal_db", "network_db", "error_db", "phase_deg", "ideal_phase_deg",
    "input_ohm", "output_ohm",
)  # fmt: skip


def response_csv(table: ResponseTable) -> bytes:
    """Write a response table as the content of ``response.csv``.

    Parameters
    ----------
    table : ResponseTable
        The table.

    Returns
    -------
    bytes
        The columns of the file format, numbers with full precision.
    """
    columns = [getattr(table, name).tolist() for name in _RESPONSE_COLUMNS]
    return csv_bytes(_RESPONSE_COLUMNS, zip(*columns, strict=True))


def design_files(design: Design) -> dict[str, bytes]:
    """Write the files of a design, without the report.

    Parameters
    ----------
    design : Design
        A design with its analyses.

    Returns
    -------
    dict of str to bytes
        ``design.json``, ``parts.csv``, ``response.csv``, ``network.cir``; for a stereo pair
        ``network-2.cir``, too.
    """
    job = design.job
    second = {}
    if design.second is not None:
        second["network-2.cir"] = netlist_cards(job, design.second, f"{job.title}, second")
    return {
        **second,
        "design.json": design_json(design),
        "parts.csv": parts_csv(design_parts_list(design)),
        "response.csv": response_csv(design.analysis.response),
        "network.cir": netlist_cards(job, design.picked, job.title),
    }


def netlist_cards(job: Job, picked: PickedNetwork, title: str) -> bytes:
    """Write the netlist of one network.

    Parameters
    ----------
    job : Job
        Source, load and band.
    picked : PickedNetwork
        The network with its parts.
    title : str
        Title for the first comment line.

    Returns
    -------
    bytes
        Content of ``network.cir``.
    """
    conditions = job.conditions
    return netlist(
        picked.network,
        loading=conditions.loading,
        band_hz=conditions.band_hz,
        title=title,
        picked=picked,
    ).encode()


@checked
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
