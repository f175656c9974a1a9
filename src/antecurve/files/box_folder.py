"""The folder that ``antecurve design`` writes for a box with several curves."""

from __future__ import annotations

from typing import Any

from antecurve.files.design_folder import design_files, netlist_cards, response_csv
from antecurve.files.parts_file import parts_csv
from antecurve.files.table import csv_bytes
from antecurve.results import json_text
from antecurve.switched.box import Box, box_parts_list
from antecurve.switched.box_analysis import BoxAnalysis

__all__ = ["box_content", "box_files", "switch_csv"]

_COLUMNS = ("contact", "position", "ref", "from", "to", "state", "part", "value_si")


def box_content(box: Box, analysis: BoxAnalysis) -> dict[str, Any]:
    """Convert a box and what it will do to plain data.

    Parameters
    ----------
    box : Box
        The box.
    analysis : BoxAnalysis
        What it will do.

    Returns
    -------
    dict
        As ``design.json`` holds it.
    """
    return {**box.to_dict(), "box": analysis.to_dict()}


def box_files(box: Box, analysis: BoxAnalysis) -> dict[str, bytes]:
    """Write the files of a box, without the report.

    Parameters
    ----------
    box : Box
        The box.
    analysis : BoxAnalysis
        What it will do.

    Returns
    -------
    dict of str to bytes
        ``design.json``, one ``parts.csv``, ``switch.csv``, and for each position of the switch
        ``network-NAME.cir`` and ``response-NAME.csv``; ``network.cir`` and ``response.csv`` are
        those of the first.
    """
    files = {
        **design_files(box.designs[0]),
        "design.json": json_text(box_content(box, analysis)).encode(),
        "parts.csv": parts_csv(box_parts_list(box)),
        "switch.csv": switch_csv(box),
    }
    for name, design in zip(box.names, box.designs, strict=True):
        files[f"network-{name}.cir"] = netlist_cards(design.job, design.picked, design.job.title)
        files[f"response-{name}.csv"] = response_csv(design.analysis.response)
    return files


def switch_csv(box: Box) -> bytes:
    """Write the wiring of the switch, contact by contact.

    Parameters
    ----------
    box : Box
        The box.

    Returns
    -------
    bytes
        One row a contact; the value [ohm or F] is empty where nothing is fitted.
    """
    rows = [
        (
            c.contact, c.position, c.ref, *c.nodes, c.state, c.part,
            "" if c.value is None else c.value,
        )
        for c in box.switch.contacts
    ]  # fmt: skip
    return csv_bytes(_COLUMNS, rows)
