"""Charts as plain SVG, the same for the same data."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape

import numpy as np
from numpy.typing import NDArray

from antecurve.report.chart import (
    BLACK,
    GRID,
    PAGE_COLOURS,
    PAPER,
    ROW_GAP,
    TOP,
    WHISKER,
    Band,
    Chart,
    Line,
    Panel,
    round_ticks,
    straight_points,
)

__all__ = ["chart_svg", "described_svg", "page_svg", "svg_text"]

Floats = NDArray[np.float64]

_WIDTH = 720.0  # px: what the page's own charts have as well
_NAME_OF_AXIS = 13.0  # px: as far left as its letters are high
_LEFT, _RIGHT = 70.0, 16.0  # px: numbers and name of an axis fit
_ROW = 20.0  # px: a line of text with its space
_GUTTER = 30.0  # px between columns: numbers at both ends fit
_FONT = 13.0  # px: what the page's own charts have as well
_SAMPLE = 34.0  # px: long enough to show the dashes
_SAMPLE_DOTS, _SAMPLE_DOT = 5, 4.0  # points of a sample, and px of the largest
_CHARACTER = 0.58  # of the font size: width of a character of the widest font named, on average
_CAP, _CAP_SHARE = 4.0, 0.3  # px of half a cap, and its most of the way to the next whisker
_DASHES = {"dashed": ' stroke-dasharray="7 4"', "dotted": ' stroke-dasharray="2 4"'}
_FARTHEST = 1e5  # px; no chart is near as large


def svg_text(
    x: float, y: float, words: str, *, anchor: str = "start", size: float = _FONT, turn: str = ""
) -> str:
    """Write words at a point.

    Parameters
    ----------
    x, y : float
        The point [px].
    words : str
        What is written.
    anchor : str, optional
        Which end of it is at the point: ``start``, ``middle`` or ``end``.
    size : float, optional
        Font size [px].
    turn : str, optional
        The ``transform`` attribute.

    Returns
    -------
    str
        A ``<text>`` element.
    """
    turned = f' transform="{turn}"' if turn else ""
    sized = "" if size == _FONT else f' font-size="{size:g}"'
    start = "" if anchor == "start" else f' text-anchor="{anchor}"'
    return f'<text x="{x:.1f}" y="{y:.1f}"{start}{sized}{turned}>{escape(words)}</text>'


def described_svg(body: str, *, box: str, title: str = "", description: str = "") -> str:
    """Make a whole SVG, with its title and description where it stands by itself.

    Parameters
    ----------
    body : str
        What is drawn.
    box : str
        The ``viewBox``.
    title, description : str, optional
        What a screen reader says of it; left out where the surroundings say it.

    Returns
    -------
    str
        One ``<svg>`` element.
    """
    width, height = box.split()[2:]
    words = f"<title>{escape(title)}</title><desc>{escape(description)}</desc>" if title else ""
    role = ' role="img"' if title else ""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="{box}" width="{width}" '
        f'height="{height}"{role} font-family="DejaVu Sans, Verdana, sans-serif" '
        f'font-size="{_FONT:g}">{words}{body}</svg>'
    )


def chart_svg(chart: Chart, *, title: str = "", description: str = "") -> str:
    """Draw a chart.

    Parameters
    ----------
    chart : Chart
        What is drawn.
    title, description : str, optional
        What a screen reader says of it; left out where the surroundings say it.

    Returns
    -------
    str
        One ``<svg>`` element.
    """
    heading = title or chart.title
    marks = [m for p in chart.panels for m in p.marks if m.label]
    drawn = [f'<rect width="{_WIDTH:g}" height="{chart.height:g}" fill="{PAPER}"/>']
    top = TOP
    if heading:
        drawn.append(svg_text(_LEFT, top + _ROW - 8.0, heading, size=15.0))
        top += 1.3 * _ROW
    legend, rows = _legend(marks, top)
    drawn += legend
    top += _ROW * rows
    columns, count = chart.columns, len(chart.panels)
    above = _ROW if any(p.title for p in chart.panels) else 0.0
    share = (_WIDTH - _LEFT - _RIGHT - _GUTTER * (columns - 1)) / sum(chart.widths)
    left = [_LEFT + share * sum(chart.widths[:k]) + _GUTTER * k for k in range(columns)]
    height = chart.panel_height(top - TOP) - above
    for number, panel in enumerate(chart.panels):
        row, column = divmod(number, columns)
        area = _Area(
            left[column], top + above + row * (height + above + ROW_GAP),
            share * chart.widths[column], height, chart, panel,
        )  # fmt: skip
        drawn += area.drawn(lowest=number + columns >= count, leftmost=column == 0)
    drawn.append(
        svg_text(
            (_LEFT + _WIDTH - _RIGHT) / 2.0, chart.height - 8.0, chart.x_label, anchor="middle"
        )
    )
    if chart.y_label:
        drawn.append(_upright(chart.height / 2.0, chart.y_label))
    body = f'<g fill="{BLACK}">{"".join(drawn)}</g>'
    return described_svg(
        body, box=f"0 0 {_WIDTH:g} {chart.height:g}", title=title, description=description
    )


def page_svg(chart: Chart) -> str:
    """Draw a chart in the colours of the page around it: light, dark, forced or on paper.

    Parameters
    ----------
    chart : Chart
        What is drawn; the page says it in words.

    Returns
    -------
    str
        One ``<svg>`` element whose colours are the variables of the page's style.
    """
    drawn = chart_svg(chart)
    for colour, name in PAGE_COLOURS.items():
        drawn = drawn.replace(f'"{colour}"', f'"var(--{name})"')
    return drawn


def _upright(y: float, words: str) -> str:
    """The name of a vertical axis."""
    x = _NAME_OF_AXIS
    return svg_text(x, y, words, anchor="middle", turn=f"rotate(-90 {x:g} {y:.1f})")


def _legend(marks: Iterable[Line | Band], top: float) -> tuple[list[str], int]:
    """Samples with their names, in as many rows as they need; and how many rows."""
    drawn: list[str] = []
    x, row = _LEFT, 0
    for mark in marks:
        width = _SAMPLE + 8.0 + _CHARACTER * _FONT * len(mark.label)
        if x > _LEFT and x + width > _WIDTH - _RIGHT:
            x, row = _LEFT, row + 1
        y = top + _ROW * row + 7.0
        ends = np.array([x, x + _SAMPLE])
        if isinstance(mark, Band) and mark.pointwise:
            middle = ends.mean(keepdims=True)
            drawn.append(_whiskers(mark, middle, middle * 0.0 + y + 6.0, middle * 0.0 + y - 6.0))
        else:
            drawn.append(_mark(mark, ends, np.array([y, y]), thickness=5.0))
        drawn.append(svg_text(x + _SAMPLE + 6.0, y + 4.5, mark.label))
        x += width + 1.5 * _FONT
    return drawn, row + 1 if drawn else 0


def _mark(mark: Line | Band, x: Floats, y: Floats, *, thickness: float = 0.0) -> str:
    """A line or the outline of a band through points in px."""
    if isinstance(mark, Band):
        if thickness:
            x = np.concatenate([x, x[::-1]])
            y = np.concatenate([y - thickness, y[::-1] + thickness])
        style = f'fill="{mark.colour}" fill-opacity=".2"'
        return f'<polygon points="{_points(x, y)}" {style}/>'
    if mark.pointwise:
        size = mark.width
        if thickness:  # a sample of the legend: as many points as are told apart
            size = min(size, _SAMPLE_DOT)
            x, y = np.linspace(x[0], x[-1], _SAMPLE_DOTS), np.full(_SAMPLE_DOTS, y[0])
        dots = "".join(f"M{a:.1f} {b:.1f}h0" for a, b in zip(x, y, strict=True))
        return (
            f'<path d="{dots}" stroke="{mark.colour}" stroke-width="{size:g}" '
            'stroke-linecap="round"/>'
        )
    return (
        f'<polyline points="{_points(x, y)}" fill="none" stroke="{mark.colour}" '
        f'stroke-width="{mark.width:g}" stroke-linejoin="round"{_DASHES.get(mark.dash, "")}/>'
    )


def _whiskers(mark: Band, x: Floats, low: Floats, high: Floats) -> str:
    """Thin lines with caps from low to high, in px."""
    cap = min(_CAP, _CAP_SHARE * float(np.diff(x).min(initial=np.inf)))
    ends = zip(x, low, high, strict=True)
    drawn = "".join(
        f"M{a:.1f} {b:.1f}V{c:.1f}"
        + "".join(f"M{a - cap:.1f} {end:.1f}H{a + cap:.1f}" for end in (b, c))
        for a, b, c in ends
    )
    return f'<path d="{drawn}" stroke="{mark.colour}" stroke-width="{WHISKER:g}" fill="none"/>'


def _points(x: Floats, y: Floats) -> str:
    """Points in tenths of a px, without those that a straight line passes close by.

    What lies far outside a chart, infinite uncertainties too, is drawn at its farthest.
    """
    y = np.clip(y, -_FARTHEST, _FARTHEST)
    kept = straight_points(x, y)
    tenths = np.rint(10.0 * np.stack([x[kept], y[kept]], axis=1))
    return " ".join(f"{a / 10:g},{b / 10:g}" for a, b in tenths.tolist())


class _Area:
    """The area of a panel [px] with its axes."""

    def __init__(
        self, x: float, y: float, width: float, height: float, chart: Chart, panel: Panel
    ) -> None:
        self._x, self._y, self._width, self._height = x, y, width, height
        self._chart, self._panel = chart, panel
        self._y_range = chart.y_ends(panel)

    def _across(self, x: Floats) -> Floats:
        low, high = self._panel.x_range or self._chart.x_range
        scale = np.log if self._chart.logarithmic else np.asarray
        share = (scale(x) - scale(low)) / (scale(high) - scale(low))
        # What lies beyond is cut by the area's own edge.
        return np.asarray(self._x + self._width * np.clip(share, -1.0, 2.0))

    def _up(self, y: Floats) -> Floats:
        low, high = self._y_range
        return self._y + self._height * (high - np.asarray(y)) / (high - low)

    def drawn(self, *, lowest: bool, leftmost: bool) -> list[str]:
        """Grid, numbers, marks and words."""
        panel = self._panel
        bottom, right = self._y + self._height, self._x + self._width
        parts: list[str] = []
        lines = ""
        for value, text in self._chart.x_ticks(panel).items():
            x = float(self._across(np.array(value)))
            lines += f"M{x:.1f} {self._y:.1f}V{bottom:.1f}"
            if lowest and text:
                parts.append(svg_text(x, bottom + 16.0, text, anchor="middle"))
        for value, text in round_ticks(*self._y_range, max(4, int(self._height / 35.0))).items():
            y = float(self._up(np.array(value)))
            lines += f"M{self._x:.1f} {y:.1f}H{right:.1f}"
            if leftmost:
                parts.append(svg_text(self._x - 6.0, y + 4.5, text, anchor="end"))
        parts.append(f'<path d="{lines}" stroke="{GRID}" stroke-width=".8" fill="none"/>')
        name = f"area-{self._x:.0f}-{self._y:.0f}-{self._height:.0f}"
        parts.append(
            f'<clipPath id="{name}"><rect x="{self._x:.1f}" y="{self._y:.1f}" '
            f'width="{self._width:.1f}" height="{self._height:.1f}"/></clipPath>'
            f'<g clip-path="url(#{name})">{"".join(map(self._mark, panel.marks))}</g>'
        )
        axes = f"M{self._x:.1f} {self._y:.1f}V{bottom:.1f}H{right:.1f}"
        parts.append(f'<path d="{axes}" stroke="{BLACK}" fill="none"/>')
        if panel.title:
            parts.append(svg_text(self._x, self._y - 5.0, panel.title))
        if panel.note:
            parts.append(svg_text(right - 4.0, self._y + 15.0, panel.note, anchor="end", size=11.0))
        if panel.y_label:
            parts.append(_upright((self._y + bottom) / 2.0, panel.y_label))
        return parts

    def _mark(self, mark: Line | Band) -> str:
        x = self._across(mark.x)
        if isinstance(mark, Line):
            return _mark(mark, x, self._up(mark.y))
        if mark.pointwise:
            return _whiskers(mark, x, self._up(mark.low), self._up(mark.high))
        outline = np.concatenate([self._up(mark.high), self._up(mark.low)[::-1]])
        return _mark(mark, np.concatenate([x, x[::-1]]), outline)
