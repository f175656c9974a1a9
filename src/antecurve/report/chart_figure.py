"""Charts as figures of matplotlib, for notebooks and files of pixels."""

from __future__ import annotations

from typing import TYPE_CHECKING

from antecurve.extras import require_extra
from antecurve.report.chart import WHISKER, Chart, Line, Panel

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["chart_figure"]

_INCH = 100.0  # px: 7.2 inches across the page
_LINE = 0.72  # points per px: 72 points and 100 px make an inch
_CAP = 3.0  # points: half a cap of a whisker
_DASHES = {"solid": "-", "dashed": "--", "dotted": ":", "points": ""}


def chart_figure(chart: Chart, *, title: str = "") -> Figure:
    """Draw a chart.

    Parameters
    ----------
    chart : Chart
        What is drawn.
    title : str, optional
        Words above it, in place of its own.

    Returns
    -------
    matplotlib.figure.Figure
        Independent of any display.

    Raises
    ------
    MissingExtraError
        When the package that draws figures is missing.
    """
    require_extra("plots")
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.2, chart.height / _INCH), layout="constrained")
    count, columns = len(chart.panels), chart.columns
    shared = chart.y_range is not None
    across = all(panel.x_range is None for panel in chart.panels)
    grid = figure.subplots(
        -(-count // columns), columns, sharex=across, sharey=shared, squeeze=False,
        width_ratios=chart.widths,
    )  # fmt: skip
    for axes, panel in zip(grid.flat, chart.panels, strict=False):
        _draw(axes, chart, panel)
    for number, axes in enumerate(grid.flat):
        if number >= count:
            axes.set_visible(False)
        if number + columns >= count:
            axes.tick_params(labelbottom=True)
            if columns == 1:
                axes.set_xlabel(chart.x_label)
    if columns > 1:
        figure.supxlabel(chart.x_label, fontsize="small")
        figure.supylabel(chart.y_label, fontsize="small")
    if title or chart.title:
        figure.suptitle(title or chart.title, x=0.01, ha="left", fontsize="large")
    return figure


def _draw(axes: Axes, chart: Chart, panel: Panel) -> None:
    axes.spines[["top", "right"]].set_visible(False)
    axes.grid(True, color="#d0d0d0", linewidth=0.6)
    for mark in panel.marks:
        label = mark.label or None
        if isinstance(mark, Line):
            axes.plot(
                mark.x, mark.y, color=mark.colour, ls=_DASHES[mark.dash], lw=_LINE * mark.width,
                marker="o" if mark.pointwise else "", ms=_LINE * mark.width, label=label,
            )  # fmt: skip
        elif mark.pointwise:
            middle, reach = (mark.high + mark.low) / 2.0, (mark.high - mark.low) / 2.0
            axes.errorbar(
                mark.x, middle, yerr=reach, fmt="none", ecolor=mark.colour,
                elinewidth=_LINE * WHISKER, capsize=_CAP, label=label,
            )  # fmt: skip
        else:
            axes.fill_between(
                mark.x, mark.low, mark.high, color=mark.colour, alpha=0.2, lw=0, label=label
            )
    if chart.logarithmic:
        axes.set_xscale("log")
        ticks = chart.x_ticks(panel)
        axes.set_xticks(list(ticks), list(ticks.values()))
        axes.minorticks_off()
    axes.set_xlim(*(panel.x_range or chart.x_range))
    axes.set_ylim(*chart.y_ends(panel))
    axes.set_ylabel(panel.y_label)
    axes.set_title(panel.title, loc="left", fontsize="small")
    if panel.note:
        axes.annotate(
            panel.note, (0.98, 0.95), xycoords="axes fraction", ha="right", va="top",
            fontsize="x-small",
        )  # fmt: skip
    if any(mark.label for mark in panel.marks):
        axes.legend(
            frameon=False, fontsize="small", ncols=3, loc="lower left", bbox_to_anchor=(0.0, 1.0),
            borderaxespad=0.2, handlelength=3.0,
        )  # fmt: skip
