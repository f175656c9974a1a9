"""Figures of square-wave traces: what the oscilloscope shows, and the common faults side by side.

Colours and lines as in `antecurve.report.figures`.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from antecurve.quantities import format_quantity
from antecurve.report.figures import BLUE, GREEN, ORANGE

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from antecurve.analysis.scope import FaultSheet, ScopeTrace
    from antecurve.analysis.waveform import SquareWave

__all__ = ["fault_figure", "scope_figure"]

Floats = NDArray[np.float64]
_COLUMNS = 3
_HEADROOM = 1.6


def _prefixed(largest: float, unit: str) -> tuple[float, str]:
    """A factor and a unit with prefix that make numbers of the size of `largest` readable."""
    for scale, prefix in ((1.0, ""), (1e3, "m"), (1e6, "µ"), (1e9, "n")):
        if largest * scale >= 1.0:
            return scale, prefix + unit
    return 1e12, "p" + unit


def _whole_period(wave: SquareWave, time: Floats, trace: Floats) -> tuple[Floats, Floats]:
    """Close the period, so that the last edge is drawn as well."""
    return np.append(time, 2.0 * wave.half_period_s), np.append(trace, trace[0])


def _plain(axes: Axes) -> None:
    axes.spines[["top", "right"]].set_visible(False)
    axes.grid(True, color="#d0d0d0", linewidth=0.6)


def scope_figure(trace: ScopeTrace) -> Figure:
    """Draw the three traces of a square wave, one above the other.

    Parameters
    ----------
    trace : ScopeTrace
        One period in steady state.

    Returns
    -------
    matplotlib.figure.Figure
        EMF, at the unit's input, after playback; volts over time.
    """
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.6, 5.0), layout="constrained")
    scale, unit = _prefixed(float(trace.time_s[-1]), "s")
    name = trace.playback.name
    panels = (
        ("EMF of the generator", trace.input_v, ORANGE, "--"),
        ("network: at the unit's input", trace.network_v, BLUE, "-"),
        (f"after playback: {name}, unit gain at 1 kHz", trace.playback_v, GREEN, "-"),
    )
    grid = figure.subplots(len(panels), 1, sharex=True)
    for axes, (title, values, colour, dash) in zip(grid, panels, strict=True):
        _plain(axes)
        time, closed = _whole_period(trace.wave, trace.time_s, values)
        volts, volt = _prefixed(float(np.abs(closed).max()), "V")
        axes.plot(time * scale, closed * volts, color=colour, ls=dash, lw=1.4)
        axes.set_title(title, loc="left", fontsize="medium")
        axes.set_ylabel(volt)
        axes.margins(y=0.12)
    grid[-1].set_xlim(0.0, 2.0 * trace.wave.half_period_s * scale)
    grid[-1].set_xlabel(f"time in {unit}")
    return figure


def fault_figure(sheet: FaultSheet) -> Figure:
    """Draw the common faults of playback side by side, ideal playback behind each.

    Parameters
    ----------
    sheet : FaultSheet
        The faults, ideal playback first.

    Returns
    -------
    matplotlib.figure.Figure
        One panel a fault, all to the same scale; what exceeds it says so.
    """
    from matplotlib.figure import Figure

    count = len(sheet.traces)
    rows = math.ceil(count / _COLUMNS)
    figure = Figure(figsize=(7.6, 1.65 * rows + 0.5), layout="constrained")
    grid = figure.subplots(rows, _COLUMNS, sharex=True, sharey=True, squeeze=False).ravel()
    scale, unit = _prefixed(float(sheet.time_s[-1]), "s")
    ideal = sheet.traces[0].playback_v
    limit = _HEADROOM * float(np.abs(ideal).max())
    volts, volt = _prefixed(limit, "V")
    for axes, trace in zip(grid, sheet.traces, strict=False):
        _plain(axes)
        time, reference = _whole_period(sheet.wave, sheet.time_s, ideal)
        _, values = _whole_period(sheet.wave, sheet.time_s, trace.playback_v)
        axes.plot(time * scale, reference * volts, color=ORANGE, ls="--", lw=1.0)
        axes.plot(time * scale, values * volts, color=BLUE, lw=1.4)
        axes.set_title(trace.playback.name, loc="left", fontsize="small")
        peak = trace.measures.peak_v
        if peak > limit:
            axes.annotate(
                f"peak ±{format_quantity(peak, 'V', digits=3)}",
                (0.98, 0.95), xycoords="axes fraction", ha="right", va="top", fontsize="x-small",
            )  # fmt: skip
    for axes in grid[count:]:
        axes.set_visible(False)
    grid[0].set_ylim(-limit * volts, limit * volts)
    grid[0].set_xlim(0.0, float(sheet.time_s[-1] + sheet.time_s[1]) * scale)
    for axes in grid[:count]:
        axes.tick_params(labelsize="x-small")
    figure.supxlabel(f"time in {unit}", fontsize="small")
    figure.supylabel(f"after playback in {volt}; dashed: ideal playback", fontsize="small")
    frequency = format_quantity(sheet.wave.frequency_hz, "Hz")
    amplitude = format_quantity(sheet.wave.amplitude_v, "V", digits=3)
    figure.suptitle(f"Square wave of {frequency}, EMF ±{amplitude}", fontsize="medium")
    return figure
