"""Figures of a design as SVG: response, and error with limit and spread band.

Colours are a published colour-blind-safe palette (Color Universal Design, 2008); lines differ in
dash as well, so that a print in black and white can be read.
"""

from __future__ import annotations

import hashlib
import io
import re
from html import escape
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from antecurve.analysis.response import ResponseTable
    from antecurve.pipeline import Analysis

__all__ = [
    "BLUE",
    "FREQUENCY_TICKS",
    "GREEN",
    "ORANGE",
    "described_svg",
    "error_figure",
    "figure_svg",
    "frequency_axis",
    "legend_above",
    "response_figure",
]

BLUE, ORANGE, GREEN, BLACK = "#0072B2", "#D55E00", "#009E73", "#222222"
FREQUENCY_TICKS = {
    20: "20", 50: "50", 100: "100", 200: "200", 500: "500", 1e3: "1k", 2e3: "2k", 5e3: "5k",
    10e3: "10k", 20e3: "20k", 50e3: "50k", 100e3: "100k",
}  # fmt: skip

_REFERENCE = r'(?:url\(#|href="#)([^")]+)'


def new_figure(height: float = 3.4) -> tuple[Figure, Axes]:
    """Make a figure of page width and its axes, independent of any display."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(7.2, height), layout="constrained")
    axes = figure.add_subplot()
    axes.spines[["top", "right"]].set_visible(False)
    axes.grid(True, color="#d0d0d0", linewidth=0.6)
    return figure, axes


def frequency_axis(axes: Axes, low_hz: float, high_hz: float) -> None:
    """Make the horizontal axis logarithmic in frequency, labelled as the trade does.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        The axes.
    low_hz, high_hz : float
        Ends [Hz].
    """
    axes.set_xscale("log")
    axes.set_xlim(low_hz, high_hz)
    ticks = [f for f in FREQUENCY_TICKS if low_hz * 0.999 <= f <= high_hz * 1.001]
    axes.set_xticks(ticks, [FREQUENCY_TICKS[f] for f in ticks])
    axes.minorticks_off()
    axes.set_xlabel("frequency in Hz")


def figure_svg(figure: Figure, *, title: str = "", description: str = "") -> str:
    """Render a figure as one ``<svg>`` element, the same for the same data.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
        The figure.
    title, description : str, optional
        What a screen reader says of it; left out where the surroundings say it.

    Returns
    -------
    str
        SVG with text as text.
    """
    import matplotlib as mpl

    buffer = io.StringIO()
    settings: dict[str, Any] = {"svg.fonttype": "none", "svg.hashsalt": "antecurve"}
    with mpl.rc_context(settings):
        figure.savefig(buffer, format="svg", metadata={"Date": None, "Creator": None})
    text = buffer.getvalue()
    return described_svg(text[text.index("<svg") :], title=title, description=description)


def described_svg(svg: str, *, title: str, description: str) -> str:
    """Give an SVG a title, a description and names of its own; drop unused names.

    Parameters
    ----------
    svg : str
        One ``<svg>`` element.
    title, description : str
        What a screen reader says of it; empty for neither.

    Returns
    -------
    str
        One ``<svg>`` element that can stand beside others on a page.
    """
    used = set(re.findall(_REFERENCE, svg))
    own = hashlib.sha256(svg.encode()).hexdigest()[:8]
    svg = re.sub(
        r' id="([^"]*)"', lambda match: f' id="{match[1]}-{own}"' if match[1] in used else "", svg
    )
    svg = re.sub(_REFERENCE, lambda match: f"{match[0]}-{own}", svg)
    if not title:
        return svg
    start, body = svg.split(">", 1)
    words = f"<title>{escape(title)}</title><desc>{escape(description)}</desc>"
    return f'{start} role="img">{words}{body}'


def legend_above(axes: Axes, *, columns: int = 2, marker_scale: float = 1.0) -> None:
    """Put the legend above the axes, where it hides nothing.

    Parameters
    ----------
    axes : matplotlib.axes.Axes
        The axes.
    columns : int, optional
        Number of columns.
    marker_scale : float, optional
        Size of a marker over its size in the axes, for dots too small to be seen alone.
    """
    axes.legend(
        frameon=False,
        fontsize="small",
        ncols=columns,
        loc="lower left",
        bbox_to_anchor=(0.0, 1.0),
        borderaxespad=0.2,
        handlelength=3.0,
        markerscale=marker_scale,
    )


def response_figure(response: ResponseTable) -> Figure:
    """Draw the level of network and curve over frequency.

    Parameters
    ----------
    response : ResponseTable
        The response of a design.

    Returns
    -------
    matplotlib.figure.Figure
        Level in dB re 1 kHz.
    """
    figure, axes = new_figure()
    frequency = response.frequency_hz
    axes.plot(frequency, response.network_db, color=BLUE, lw=1.8, label="network with parts")
    axes.plot(
        frequency, response.published_db, color=ORANGE, ls="--", label="published time constants"
    )
    frequency_axis(axes, float(frequency[0]), float(frequency[-1]))
    axes.set_ylabel("level in dB re 1 kHz")
    legend_above(axes)
    return figure


def error_figure(analysis: Analysis, *, limit_db: float | None) -> Figure:
    """Draw the error over the band with the limit and the band that builds fall into.

    Parameters
    ----------
    analysis : Analysis
        The analyses of a design.
    limit_db : float or None
        Limit of the error [dB].

    Returns
    -------
    matplotlib.figure.Figure
        Error in dB, 0 at 1 kHz.
    """
    low, high = analysis.error.job.band_hz
    figure, axes = new_figure()
    curves = analysis.spread.curves
    bottom, top = (curves.error_db[curves.percent.index(p)] for p in (2.5, 97.5))
    axes.fill_between(
        curves.frequency_hz, bottom, top, color=BLUE, alpha=0.18, lw=0, label="95 % of builds"
    )
    for edge in (bottom, top):
        axes.plot(curves.frequency_hz, edge, color=BLUE, lw=0.6, alpha=0.6)
    response = analysis.response
    inside = (response.frequency_hz >= low * 0.999) & (response.frequency_hz <= high * 1.001)
    frequency = response.frequency_hz[inside]
    error = response.error_db[inside]
    published = (response.network_db - response.published_db)[inside]
    axes.plot(frequency, error, color=BLUE, lw=1.8, label="nominal, against the job's curve")
    if abs(published - error).max() > 1e-6:
        axes.plot(
            frequency, published, color=ORANGE, ls="--", label="against published time constants"
        )
    if limit_db is not None:
        axes.axhline(limit_db, color=BLACK, ls=":", lw=1.6, label=f"limit ±{limit_db:g} dB")
        axes.axhline(-limit_db, color=BLACK, ls=":", lw=1.6)
    frequency_axis(axes, low, high)
    axes.set_ylabel("error in dB, 0 at 1 kHz")
    legend_above(axes)
    return figure
