"""The figures of a design as PNG and SVG files."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

from antecurve.report.figures import error_figure, figure_svg, response_figure
from antecurve.report.schematic import schematic_svg, value_labels

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from antecurve.pipeline import Design

__all__ = ["figure_files", "plot_files"]


def figure_files(figures: dict[str, Figure]) -> dict[str, bytes]:
    """Return figures as files.

    Parameters
    ----------
    figures : dict of str to matplotlib.figure.Figure
        Figures by name, without ending.

    Returns
    -------
    dict of str to bytes
        A PNG of 200 dots per inch and an SVG each.
    """
    files: dict[str, bytes] = {}
    for name, figure in figures.items():
        buffer = io.BytesIO()
        figure.savefig(buffer, format="png", dpi=200, metadata={"Software": None})
        files[f"{name}.png"] = buffer.getvalue()
        files[f"{name}.svg"] = figure_svg(figure).encode()
    return files


def plot_files(design: Design) -> dict[str, bytes]:
    """Return the figures of a design as files.

    Parameters
    ----------
    design : Design
        A design with its analyses.

    Returns
    -------
    dict of str to bytes
        ``error``, ``response`` as PNG and SVG, ``schematic`` as SVG.

    Raises
    ------
    ValueError
        When the design carries no analyses.
    """
    analysis = design.analysis
    if analysis is None:
        raise ValueError("the design carries no analyses; call antecurve.analyse first")
    schematic = schematic_svg(
        design.network,
        loading=design.job.loading,
        labels=value_labels(design.picked),
        colour="black",
    )
    return {
        **figure_files(
            {
                "error": error_figure(analysis, limit_db=design.job.target.error_limit_db),
                "response": response_figure(analysis.response),
            }
        ),
        "schematic.svg": schematic.encode(),
    }
