"""The charts of results as PNG and SVG files, and as figures of matplotlib."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from antecurve.errors import InputError
from antecurve.pipeline import square_waves
from antecurve.report.chart import Chart
from antecurve.report.chart_figure import chart_figure
from antecurve.report.chart_svg import chart_svg
from antecurve.report.charts import (
    deviation_chart,
    error_chart,
    fault_chart,
    response_chart,
    scope_chart,
    spread_chart,
)
from antecurve.report.descriptions import (
    error_text,
    fault_text,
    response_text,
    schematic_text,
    scope_text,
)
from antecurve.report.diagnosis_chart import explanation_chart
from antecurve.report.log_charts import run_chart_drawing
from antecurve.report.overlay_charts import (
    octave_chart,
    octave_text,
    overlay_chart,
    overlay_chart_text,
)
from antecurve.report.schematic import drawn_schematic, soldered_parts, value_labels

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from antecurve.analysis.scope import FaultSheet, ScopeTrace
    from antecurve.judge.overlay import Overlay
    from antecurve.pipeline import Design

__all__ = ["overlay_files", "plot_files", "result_figure", "scope_files"]

_CHARTS: dict[str, Callable[[Any], Chart]] = {
    "Design": lambda d: error_chart(d.analysis, limit_db=d.job.target.error_limit_db),
    "Diagnosis": explanation_chart,
    "FaultSheet": fault_chart,
    "Overlay": overlay_chart,
    "ResponseTable": response_chart,
    "RunChart": run_chart_drawing,
    "ScopeTrace": scope_chart,
    "SpreadResult": spread_chart,
    "Verdict": deviation_chart,
}


def result_figure(result: Any) -> Figure:
    """Draw a result, where there is a chart of its kind.

    Parameters
    ----------
    result : Result
        One of those of which there are charts.

    Returns
    -------
    matplotlib.figure.Figure
        The figure.

    Raises
    ------
    InputError
        When there is no chart of results of this kind.
    """
    name = type(result).__name__
    if name not in _CHARTS:
        raise InputError("plot", name, f"there are charts of {', '.join(_CHARTS)}")
    return chart_figure(_CHARTS[name](result))


@dataclass(frozen=True, slots=True)
class TitledChart:
    """A chart that stands by itself.

    Attributes
    ----------
    chart : Chart
        The chart.
    title : str
        Drawn above it, and the title of the SVG.
    text : str
        What it shows, in words: the description in the SVG.
    """

    chart: Chart
    title: str
    text: str


def _files(charts: dict[str, TitledChart]) -> dict[str, bytes]:
    """A PNG of 200 dots per inch and an SVG of each chart."""
    files: dict[str, bytes] = {}
    for name, titled in charts.items():
        buffer = io.BytesIO()
        figure = chart_figure(titled.chart, title=titled.title)
        figure.savefig(buffer, format="png", dpi=200, metadata={"Software": None})
        files[f"{name}.png"] = buffer.getvalue()
        svg = chart_svg(titled.chart, title=titled.title, description=titled.text)
        files[f"{name}.svg"] = svg.encode()
    return files


def scope_files(trace: ScopeTrace | None, faults: FaultSheet | None) -> dict[str, bytes]:
    """Render the charts of square waves as files.

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
    charts = {}
    if trace is not None:
        chart = scope_chart(trace)
        charts["scope"] = TitledChart(chart, "Square wave, generator to output", scope_text(trace))
    if faults is not None:
        chart = fault_chart(faults)
        charts["faults"] = TitledChart(chart, chart.title, fault_text(faults))
    return _files(charts)


def overlay_files(overlay: Overlay, *, mark: str = "") -> dict[str, bytes]:
    """Render the charts of an overlay as files.

    Parameters
    ----------
    overlay : Overlay
        Output and stimulus.
    mark : str, optional
        Added to the names of the files.

    Returns
    -------
    dict of str to bytes
        ``overlay``, the traces, and ``difference``, its level in octaves, as SVG.
    """
    charts = {
        "overlay": (overlay_chart(overlay), "Output and stimulus", overlay_chart_text(overlay)),
        "difference": (octave_chart(overlay), "Difference in octaves", octave_text(overlay)),
    }
    return {
        f"{name}{mark}.svg": chart_svg(chart, title=title, description=text).encode()
        for name, (chart, title, text) in charts.items()
    }


def plot_files(design: Design) -> dict[str, bytes]:
    """Render the charts of a design as files.

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
    schematic = drawn_schematic(
        design.network, loading=loading, labels=value_labels(design.picked),
        joined=soldered_parts(design.picked),
    )  # fmt: skip
    charts = {
        "error": TitledChart(
            error_chart(analysis, limit_db=limit_db),
            "Error of the network with its parts",
            error_text(analysis, limit_db=limit_db),
        ),
        "response": TitledChart(
            response_chart(analysis.response),
            "Level of the network with its parts",
            response_text(analysis.response),
        ),
    }
    return {
        **_files(charts),
        **scope_files(*square_waves(design)),
        "schematic.svg": schematic.svg(
            colour="black",
            ground="white",
            title="Schematic with values",
            description=schematic_text(design.picked, loading),
        ).encode(),
        "schematic.png": schematic.png(),
    }
