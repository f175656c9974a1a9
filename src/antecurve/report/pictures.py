"""Figures of whole results, which their `plot` method draws."""

from __future__ import annotations

from typing import TYPE_CHECKING

from antecurve.pipeline import Design
from antecurve.report.figures import BLUE, error_figure, frequency_axis, legend_above, new_figure

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from antecurve.analysis.spread import SpreadResult
    from antecurve.judge.verdict import Verdict

__all__ = ["design_picture", "spread_picture", "verdict_picture"]


def design_picture(design: Design) -> Figure:
    """Draw the error of a design over frequency.

    Parameters
    ----------
    design : Design
        The design.

    Returns
    -------
    matplotlib.figure.Figure
        Error of the nominal network, with 95 % of the builds and the limit.
    """
    return error_figure(design.analysis, limit_db=design.job.target.error_limit_db)


def spread_picture(result: SpreadResult) -> Figure:
    """Draw the percentiles of the error of builds over frequency.

    Parameters
    ----------
    result : SpreadResult
        What builds do.

    Returns
    -------
    matplotlib.figure.Figure
        One line a percentile, 0 dB at 1 kHz.
    """
    figure, axes = new_figure()
    curves = result.curves
    for percent, error in zip(curves.percent, curves.error_db, strict=True):
        axes.plot(curves.frequency_hz, error, label=f"{percent:g} %")
    frequency_axis(axes, float(curves.frequency_hz[0]), float(curves.frequency_hz[-1]))
    axes.set_ylabel("error in dB, 0 at 1 kHz")
    legend_above(axes, columns=5)
    return figure


def verdict_picture(verdict: Verdict) -> Figure:
    """Draw the deviation of a unit over frequency.

    Parameters
    ----------
    verdict : Verdict
        What was found of the unit.

    Returns
    -------
    matplotlib.figure.Figure
        Deviation from its curve, with the expanded uncertainty about it.
    """
    figure, axes = new_figure()
    unit = verdict.deviation
    low, high = (
        unit.deviation_db - unit.expanded_uncertainty_db,
        unit.deviation_db + unit.expanded_uncertainty_db,
    )
    axes.fill_between(unit.frequency_hz, low, high, color=BLUE, alpha=0.18, lw=0, label="95 %")
    axes.plot(unit.frequency_hz, unit.deviation_db, color=BLUE, lw=1.8, label="deviation")
    frequency_axis(axes, float(unit.frequency_hz[0]), float(unit.frequency_hz[-1]))
    axes.set_ylabel("deviation in dB, 0 at 1 kHz")
    legend_above(axes)
    return figure
