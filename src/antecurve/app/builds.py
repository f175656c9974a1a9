"""What a page shows of a build: of a network, and of a box with all positions of its switch."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from antecurve.analysis.as_built import as_built
from antecurve.analysis.meter import MeterAccuracy
from antecurve.files.build_content import correction_csv
from antecurve.report import box_tables
from antecurve.report.board_drawing import board_section
from antecurve.report.box_board import box_board_section
from antecurve.report.box_build_tables import built_rows
from antecurve.report.build_tables import UNCERTAINTY_NOTE, as_built_lines, correction_rows
from antecurve.report.schematic import page_schematic, soldered_parts, value_labels
from antecurve.report.switch_schematic import (
    box_schematic_svg,
    position_schematic_svg,
    switch_svg,
)
from antecurve.report.tables import node_caption, wiring_rows
from antecurve.switched.box_build import build_of_box

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from antecurve.app.designs import Chosen, Made
    from antecurve.pipeline import Design
    from antecurve.switched.box import Box

__all__ = ["correction_files", "shown_build"]


def correction_files(made: Made, measured: Mapping[str, float]) -> dict[str, bytes]:
    """Write what to subtract from levels measured through a build.

    Parameters
    ----------
    made : Made
        What was built.
    measured : mapping of str to float
        Measured values of its parts [ohm or F].

    Returns
    -------
    dict of str to bytes
        ``correction.csv``; of a box ``correction-NAME.csv`` for each position.
    """
    if made.box is None:
        return {"correction.csv": _correction(made.designs[0], measured)}
    return {
        f"correction-{b.position}.csv": correction_csv(b.built.correction)
        for b in build_of_box(made.box, measured, meter=MeterAccuracy())
    }


def _correction(design: Design, measured: Mapping[str, float]) -> bytes:
    return correction_csv(as_built(design, measured=measured).correction)


def shown_build(
    chosen: Chosen, measured: Mapping[str, float], fitted: Collection[str]
) -> dict[str, Any]:
    """Collect what a page shows of a build.

    Parameters
    ----------
    chosen : Chosen
        What is built, and the position of its switch that the page shows.
    measured : mapping of str to float
        Measured values of its parts [ohm or F].
    fitted : collection of str
        References of the parts that are soldered in.

    Returns
    -------
    dict of str to object
        Sentences, tables and drawings.
    """
    box = chosen.made.box
    content = (
        _of_design(chosen.design, measured, fitted)
        if box is None
        else _of_box(box, chosen.throw, measured, fitted)
    )
    return {"note": UNCERTAINTY_NOTE} | content


def _of_design(
    design: Design, measured: Mapping[str, float], fitted: Collection[str]
) -> dict[str, Any]:
    from markupsafe import Markup

    built = as_built(design, measured=measured) if measured else None
    schematic = page_schematic(
        design.network, loading=design.job.loading,
        labels=value_labels(design.picked, fitted=fitted), joined=soldered_parts(design.picked),
    )  # fmt: skip
    return {
        "built": None,
        "lines": [] if built is None else as_built_lines(built),
        "correction": None if built is None else correction_rows(built.correction),
        "correction_file": "correction.csv",
        "drawings": [(Markup(schematic), "Schematic of the network")],
        "wirings": [
            (wiring_rows(design.picked),
             "What to wire between which nodes, and what each position is made of"),
        ],
        "nodes": node_caption(design.picked),
        **board_section(design, fitted=fitted),
    }  # fmt: skip


def _of_box(
    box: Box, throw: int, measured: Mapping[str, float], fitted: Collection[str]
) -> dict[str, Any]:
    from markupsafe import Markup

    built = build_of_box(box, measured, meter=MeterAccuracy()) if measured else ()
    switch = switch_svg(box, fitted=fitted)
    return {
        "lines": as_built_lines(built[throw - 1].built) if built else [],
        "built": built_rows(built) if built else None,
        "correction": correction_rows(built[throw - 1].built.correction) if built else None,
        "correction_file": f"correction-{box.names[throw - 1]}.csv",
        # Markup of our own making: their labels hold references, nodes and numbers only.
        "drawings": [
            (Markup(box_schematic_svg(box, fitted=fitted)), box_tables.network_text(box)),
            *([(Markup(switch), box_tables.switch_text(box))] if switch else []),
            (Markup(position_schematic_svg(box, throw, fitted=fitted)),
             box_tables.position_text(box, throw)),
        ],
        "wirings": [
            (box_tables.shared_rows(box), "What stays, between its nodes"),
            *([(box_tables.contact_rows(box), "What to wire to each contact")] if switch else []),
        ],
        "nodes": "",
        **box_board_section(box, fitted=fitted),
    }  # fmt: skip
