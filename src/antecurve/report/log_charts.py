"""Charts of a log."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from antecurve.report.chart import BLACK, BLUE, GREEN, ORANGE, Band, Chart, Line, Panel
from antecurve.report.constant_texts import constant_name

if TYPE_CHECKING:
    from antecurve.log.run_chart import RunChart

__all__ = ["run_chart_drawing"]

_MARGIN = 0.5  # of the step from verdict to verdict, so that none lies on an edge
_DOT = 7.0  # px: values stand out from their intervals


def run_chart_drawing(chart: RunChart) -> Chart:
    """Chart a constant from verdict to verdict.

    Parameters
    ----------
    chart : RunChart
        From `antecurve.log.run_chart.run_chart`.

    Returns
    -------
    Chart
        Values with their intervals, mean, control limits and nominal value, in µs or Hz.
    """
    scale, unit = (1e6, "µs") if chart.unit == "s" else (1.0, chart.unit)
    number = np.arange(1.0, len(chart.values) + 1.0)
    ends = np.array([1.0 - _MARGIN, len(number) + _MARGIN])
    values = scale * chart.values
    lows, highs = (
        np.where(np.isfinite(end), scale * end, values) for end in (chart.lows, chart.highs)
    )

    def level(value: float, colour: str, dash: str, label: str) -> Line:
        return Line(x=ends, y=np.full(2, scale * value), colour=colour, dash=dash, label=label,
                    width=1.4)  # fmt: skip

    marks: list[Line | Band] = [
        Band(x=number, low=lows, high=highs, colour=BLUE, label="95 % interval", pointwise=True),
        level(chart.centre, GREEN, "solid", "mean"),
    ]
    if chart.nominal is not None:
        marks.append(level(chart.nominal, BLACK, "dotted", "nominal"))
    if np.isfinite(chart.upper_limit):
        marks += [
            level(chart.lower_limit, ORANGE, "dashed", "control limits"),
            level(chart.upper_limit, ORANGE, "dashed", ""),
        ]
    for inside, colour, label in ((True, BLUE, "value"), (False, ORANGE, "outside the limits")):
        shown = chart.outside != inside
        if shown.any():
            marks.append(
                Line(x=number[shown], y=values[shown], colour=colour, dash="points", width=_DOT,
                     label=label)
            )  # fmt: skip
    last = chart.constants[-1]
    return Chart(
        panels=(Panel(marks=tuple(marks), y_label=f"{constant_name(last)} in {unit}"),),
        x_label="verdicts in the order of their dates",
        x_range=(float(ends[0]), float(ends[1])),
    )
