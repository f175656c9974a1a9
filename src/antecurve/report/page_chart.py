"""Charts of a page: a drawing for paper, and what makes them interactive on a screen."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

from antecurve.report.chart_options import chart_options
from antecurve.report.chart_svg import page_svg

if TYPE_CHECKING:
    from markupsafe import Markup

    from antecurve.report.chart import Chart

__all__ = ["PageChart", "page_chart"]


@dataclass(frozen=True, slots=True)
class PageChart:
    """A chart of a page, as the macro ``chart`` of ``templates/table.html.j2`` takes it.

    Attributes
    ----------
    name : str
        Name in the page.
    title : str
        What it shows.
    text : str
        Its result in words.
    svg : markupsafe.Markup
        The drawing.
    options : markupsafe.Markup
        Its data and options as JSON, safe inside a script element.
    """

    name: str
    title: str
    text: str
    svg: Markup
    options: Markup


def page_chart(
    chart: Chart, *, name: str, title: str, text: str, live: Chart | None = None
) -> PageChart:
    """Prepare a chart for a page.

    Parameters
    ----------
    chart : Chart
        What is drawn.
    name : str
        Name in the page: letters, digits and hyphens.
    title : str
        What it shows.
    text : str
        Its result in words.
    live : Chart, optional
        What is drawn on a screen, where that is more.

    Returns
    -------
    PageChart
        Drawing and data.
    """
    from markupsafe import Markup

    options = json.dumps(chart_options(live or chart), allow_nan=False, separators=(",", ":"))
    # Markup of our own making: words are escaped in the drawing, and JSON has no "<" left.
    drawing = Markup(page_svg(chart))
    return PageChart(name, title, text, drawing, Markup(options.replace("<", "\\u003c")))
