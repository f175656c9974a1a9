"""The figures of a design as PNG and SVG files."""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import TYPE_CHECKING

from antecurve.pipeline import square_waves
from antecurve.report.descriptions import (
    error_text,
    fault_text,
    response_text,
    schematic_text,
    scope_text,
)
from antecurve.report.figures import described_svg, error_figure, figure_svg, response_figure
from antecurve.report.schematic import schematic_png, schematic_svg, value_labels
from antecurve.report.scope_figures import fault_figure, scope_figure

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from antecurve.analysis.scope import FaultSheet, ScopeTrace
    from antecurve.pipeline import Design

__all__ = ["TitledFigure", "figure_files", "plot_files", "scope_files"]


@dataclass(frozen=True, slots=True)
class TitledFigure:
    """A figure that stands by itself.

    Attributes
    ----------
    figure : matplotlib.figure.Figure
        The figure.
    title : str
        Drawn above it, and the title of the SVG.
    text : str
        What it shows, in words: the description in the SVG.
    """

    figure: Figure
    title: str
    text: str


def figure_files(figures: dict[str, TitledFigure]) -> dict[str, bytes]:
    """Render figures as files.

    Parameters
    ----------
    figures : dict of str to TitledFigure
        Figures by name, without ending.

    Returns
    -------
    dict of str to bytes
        A PNG of 200 dots per inch and an SVG each.
    """
    files: dict[str, bytes] = {}
    for name, titled in figures.items():
        figure = titled.figure
        figure.suptitle(titled.title, x=0.01, ha="left", fontsize="large")
        buffer = io.BytesIO()
        figure.savefig(buffer, format="png", dpi=200, metadata={"Software": None})
        files[f"{name}.png"] = buffer.getvalue()
        svg = figure_svg(figure, title=titled.title, description=titled.text)
        files[f"{name}.svg"] = svg.encode()
    return files


def scope_files(trace: ScopeTrace | None, faults: FaultSheet | None) -> dict[str, bytes]:
    """Render the figures of square waves as files.

    Parameters
    ----------
    trace : ScopeTrace or None
        One period in steady state.
    faults : FaultSheet or None
        The common faults.

    Returns
    -------
    dict of str to bytes
        ``scope`` and ``faults`` as PNG and SVG, of those that are given.
    """
    figures = {}
    if trace is not None:
        figures["scope"] = TitledFigure(
            scope_figure(trace), "Square wave on its way", scope_text(trace)
        )
    if faults is not None:
        figure = fault_figure(faults)
        figures["faults"] = TitledFigure(figure, figure.get_suptitle(), fault_text(faults))
    return figure_files(figures)


def plot_files(design: Design) -> dict[str, bytes]:
    """Render the figures of a design as files.

    Parameters
    ----------
    design : Design
        A design with its analyses.

    Returns
    -------
    dict of str to bytes
        ``error``, ``response``, ``schematic``, and the square waves ``scope`` and ``faults`` where
        the design has them, each as PNG and SVG.
    """
    analysis, limit_db = design.analysis, design.job.target.error_limit_db
    loading = design.job.loading
    schematic = schematic_svg(
        design.network,
        loading=loading,
        labels=value_labels(design.picked),
        colour="black",
        ground="white",
    )
    figures = {
        "error": TitledFigure(
            error_figure(analysis, limit_db=limit_db),
            "Error of the network with its parts",
            error_text(analysis, limit_db=limit_db),
        ),
        "response": TitledFigure(
            response_figure(analysis.response),
            "Level of the network with its parts",
            response_text(analysis.response),
        ),
    }
    described = described_svg(
        schematic,
        title="Schematic with values",
        description=schematic_text(design.picked, loading),
    )
    return {
        **figure_files(figures),
        **scope_files(*square_waves(design)),
        "schematic.svg": described.encode(),
        "schematic.png": schematic_png(
            design.network, loading=loading, labels=value_labels(design.picked)
        ),
    }
