"""Charts as options of uPlot, the charting library in ``vendor/uplot``: plain data for JSON.

``templates/charts.js`` adds what JSON can't hold: colours of the page, numbers along the axes and
the crosshair.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from antecurve.report.chart import (
    PAGE_COLOURS,
    WHISKER,
    Band,
    Chart,
    Line,
    Panel,
    straight_points,
)

__all__ = ["chart_options"]

Floats = NDArray[np.float64]
_DASHES = {"dashed": [7, 4], "dotted": [2, 4]}  # px, as in the drawings
_STOPS = 200  # of the crosshair where a line is straight: one for every 3 px of a wide screen
_DIGITS = 5  # significant: 0.01 px of a chart that is 1,000 px high
_MOST_PLACES = 15  # after the point: no number of a chart is finer
_WIDTH, _HEIGHT = 720.0, 300.0  # px of a drawing: what is closer than 0.04 px is one point


def chart_options(chart: Chart) -> dict[str, Any]:
    """List what uPlot needs to draw a chart.

    Parameters
    ----------
    chart : Chart
        What is drawn.

    Returns
    -------
    dict
        ``logarithmic``, ``columns``, ``widths``, ``x_label``, ``y_label`` and ``panels``, each with
        title, note, scales, axes, series, bands and data as uPlot names them.  Colours are names of
        the page's variables; ``group`` of a series joins what one entry of the legend switches.
    """
    return {
        "logarithmic": chart.logarithmic,
        "columns": chart.columns,
        "x_label": chart.x_label,
        "y_label": chart.y_label,
        "widths": list(chart.widths),
        "panels": [_panel_options(chart, panel) for panel in chart.panels],
    }


def _panel_options(chart: Chart, panel: Panel) -> dict[str, Any]:
    x = _positions(chart, panel)
    series: list[dict[str, Any]] = [{}]
    bands: list[dict[str, Any]] = []
    data = [x]
    for number, mark in enumerate(panel.marks):
        entry = {"label": mark.label, "key": mark.key, "stroke": PAGE_COLOURS[mark.colour]}
        entry["group"] = mark.label or f"mark {number}"
        if isinstance(mark, Line):
            series.append(entry | {"width": mark.width, "dash": _DASHES.get(mark.dash, [])})
            series[-1]["dots"] = mark.dash == "points"
            data.append(_values(chart, mark, mark.y, x))
            continue
        high = len(series)
        for values in (mark.high, mark.low):
            series.append(entry | {"width": 0, "dash": [], "dots": False})
            data.append(_values(chart, mark, values, x))
        if mark.pointwise:
            series[-1] |= {"width": WHISKER, "whiskers": True}
            continue
        bands.append({"series": [high, high + 1], "fill": PAGE_COLOURS[mark.colour]})
    low, high_y = chart.y_ends(panel)
    first, last = panel.x_range or chart.x_range
    return {
        "title": panel.title,
        "note": panel.note,
        "height": round(chart.panel_height()),
        "scales": {"x": {"min": first, "max": last}, "y": {"min": low, "max": high_y}},
        "axes": [{}, {"label": panel.y_label}],
        "series": series,
        "bands": bands,
        "data": [_rounded(x), *(_rounded(v, high_y - low) for v in data[1:])],
    }


def _rounded(values: Floats, span: float = 0.0) -> list[float | None]:
    """Numbers as short as their digits and the span of an axis allow; none without a value."""
    places = _DIGITS - math.floor(math.log10(span)) if span else _MOST_PLACES
    return [
        round(float(f"{v:.{_DIGITS}g}"), places) + 0.0 if math.isfinite(v) else None
        for v in values.tolist()
    ]


def _positions(chart: Chart, panel: Panel) -> Floats:
    """Where the crosshair stops: points that bend a line, and some between them."""
    first, last = panel.x_range or chart.x_range
    low, high = chart.y_ends(panel)
    stops = [] if chart.logarithmic else [np.linspace(first, last, _STOPS // chart.columns)]
    for mark in panel.marks:
        for y in (mark.y,) if isinstance(mark, Line) else (mark.low, mark.high):
            inside = (mark.x >= first) & (mark.x <= last)
            x = mark.x[inside]
            if chart.logarithmic or mark.pointwise:
                stops.append(x)
            else:
                up = _HEIGHT * (y[inside] - low) / (high - low)
                stops.append(
                    x[straight_points(_WIDTH / chart.columns * (x - first) / (last - first), up)]
                )
    return np.unique(np.concatenate(stops))


def _values(chart: Chart, mark: Line | Band, y: Floats, x: Floats) -> Floats:
    """The values of a mark at other positions; NaN outside its own."""
    if mark.pointwise:
        at = np.searchsorted(mark.x, x).clip(max=len(mark.x) - 1)
        return np.where(mark.x[at] == x, y[at], np.nan)
    scale = np.log if chart.logarithmic else np.asarray
    return np.interp(scale(x), scale(mark.x), y, left=np.nan, right=np.nan)
