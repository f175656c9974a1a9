"""Symbols of a schematic at points, as SVG and as pixels."""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import TypeAlias

from antecurve.extras import require_extra
from antecurve.networks.topology import ElementKind
from antecurve.report.chart_svg import described_svg, svg_text

__all__ = ["Drawing", "Point", "text_width"]

Point: TypeAlias = tuple[float, float]

_SCALE = 36.0  # px per unit: half an inch in print
_FONT = 15.0  # px
_LINE = 1.4  # px
_HALF_BODY = 0.5  # half the length of a resistor's body: twice its width and a half, IEC 60617
_HALF_WIDTH = 0.22  # of a resistor's body
_PLATE = 0.3  # half the length of a capacitor's plate
_APART = 0.11  # half the distance of the plates
_RADIUS = 0.5  # of a generator
_DOT = 0.07  # of a node: seen, but no part
_ASIDE = 0.35  # from the line of an element to its label
_MARGIN = 0.3  # around everything
_CHARACTER = 0.6  # of the font size: width of a character on average


class Drawing:
    """Lines, dots and words, upward positive, one unit a third of an element's length."""

    def __init__(self) -> None:
        self._paths: list[tuple[list[Point], bool]] = []
        self._circles: list[tuple[Point, float, str]] = []
        self._words: list[tuple[Point, str, str]] = []

    def line(self, *points: Point, closed: bool = False) -> None:
        """Draw a line through points.

        Parameters
        ----------
        *points : tuple of float
            The points, two or more; nothing is drawn from a point to itself.
        closed : bool, optional
            Whether it returns to the first point.
        """
        if len(set(points)) > 1:
            self._paths.append((list(points), closed))

    def words(self, at: Point, words: str, anchor: str = "start") -> None:
        """Write lines of words, centred upon a height.

        Parameters
        ----------
        at : tuple of float
            Where.
        words : str
            The lines.
        anchor : str, optional
            Which end of each line is there: ``start``, ``middle`` or ``end``.
        """
        lines = words.split("\n")
        step = 1.25 * _FONT / _SCALE
        for number, text in enumerate(lines):
            y = at[1] + ((len(lines) - 1) / 2.0 - number) * step - 0.35 * _FONT / _SCALE
            self._words.append(((at[0], y), text, anchor))

    def dot(
        self, at: Point, name: str = "", side: str = "top", *, open_terminal: bool = False
    ) -> None:
        """Draw a node.

        Parameters
        ----------
        at : tuple of float
            Where.
        name : str, optional
            Its name.
        side : str, optional
            On which side that stands: ``top``, ``bottom`` or ``left``.
        open_terminal : bool, optional
            Whether it is drawn as a terminal.
        """
        self._circles.append((at, _DOT, "terminal" if open_terminal else "dot"))
        x, y = at
        if name and side == "left":
            self.words((x - 0.2, y), name, "end")
        elif name:
            self.words((x, y + (_ASIDE if side == "top" else -_ASIDE)), name, "middle")

    def element(self, kind: ElementKind, start: Point, end: Point, label: str) -> None:
        """Draw a resistor or a capacitor between two points.

        Parameters
        ----------
        kind : ElementKind
            Which.
        start, end : tuple of float
            The points, on one line across or one upright.
        label : str
            Lines of text above it, or to the right of an upright one.
        """
        resistor = kind is ElementKind.RESISTOR
        half = _HALF_BODY if resistor else _APART
        width = _HALF_WIDTH if resistor else _PLATE
        at = _along(start, end)
        self.line(start, at(-half, 0.0))
        self.line(at(half, 0.0), end)
        corners = at(-half, -width), at(-half, width), at(half, width), at(half, -width)
        if resistor:
            self.line(*corners, closed=True)
        else:
            self.line(*corners[:2])
            self.line(*corners[2:])
        self._label(at(0.0, 0.0), width, label, upright=start[0] == end[0])

    def generator(self, start: Point, end: Point, label: str) -> None:
        """Draw an alternating voltage between two points.

        Parameters
        ----------
        start, end : tuple of float
            The points.
        label : str
            Text to the left of it, or above it.
        """
        at = _along(start, end)
        self.line(start, at(-_RADIUS, 0.0))
        self.line(at(_RADIUS, 0.0), end)
        x, y = at(0.0, 0.0)
        self._circles.append(((x, y), _RADIUS, "generator"))
        if start[0] == end[0]:
            self.words((x - _RADIUS - 0.15, y), label, "end")
        else:
            self.words((x, y + _RADIUS + _ASIDE), label, "middle")

    def _label(self, middle: Point, width: float, label: str, *, upright: bool) -> None:
        x, y = middle
        if upright:
            self.words((x + width + 0.15, y), label)
        else:
            lines = label.count("\n") + 1
            height = 1.25 * _FONT / _SCALE * lines
            self.words((x, y + width + 0.1 + height / 2.0), label, "middle")

    def _box(self) -> tuple[float, float, float, float]:
        """Left, bottom, right, top of all that is drawn."""
        xs, ys = [], []
        for points, _ in self._paths:
            xs += [x for x, _ in points]
            ys += [y for _, y in points]
        for (x, y), radius, _ in self._circles:
            xs += [x - radius, x + radius]
            ys += [y - radius, y + radius]
        for (x, y), text, anchor in self._words:
            width = text_width(text)
            before = {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor] * width
            xs += [x - before, x - before + width]
            ys += [y - 0.1, y + _FONT / _SCALE]
        return min(xs) - _MARGIN, min(ys) - _MARGIN, max(xs) + _MARGIN, max(ys) + _MARGIN

    def svg(
        self,
        *,
        colour: str = "currentColor",
        ground: str = "",
        title: str = "",
        description: str = "",
    ) -> str:
        """Write the drawing as SVG.

        Parameters
        ----------
        colour : str, optional
            Colour of lines and text; by default that of the surroundings.
        ground : str, optional
            Colour behind them; by default none.
        title, description : str, optional
            What a screen reader says of it; left out where the surroundings say it.

        Returns
        -------
        str
            One ``<svg>`` element.
        """
        low_x, low_y, high_x, high_y = (_SCALE * v for v in self._box())
        width, height = high_x - low_x, high_y - low_y

        def at(point: Point) -> tuple[float, float]:
            return _SCALE * point[0] - low_x, high_y - _SCALE * point[1]

        body = (
            f'<rect width="{width:.0f}" height="{height:.0f}" fill="{ground}"/>' if ground else ""
        )
        lines = ""
        for points, closed in self._paths:
            lines += "M" + "L".join("{:.1f} {:.1f}".format(*at(p)) for p in points)
            lines += "Z" if closed else ""
        for middle, radius, kind in self._circles:
            (x, y), r = at(middle), _SCALE * radius
            if kind == "generator":
                lines += f"M{x - r / 2:.1f} {y:.1f}q{r / 4:.1f} {-r:.1f} {r / 2:.1f} 0"
                lines += f"t{r / 2:.1f} 0"
            full = {"dot": colour, "terminal": ground or "none"}.get(kind, "none")
            body += (
                f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{r:.1f}" fill="{full}" stroke="{colour}"/>'
            )
        body += f'<path d="{lines}" fill="none" stroke="{colour}" stroke-width="{_LINE}"/>'
        body += f'<g fill="{colour}">'
        for point, text, anchor in self._words:
            body += svg_text(*at(point), text, anchor=anchor, size=_FONT)
        box = f"0 0 {width:.0f} {height:.0f}"
        return described_svg(body + "</g>", box=box, title=title, description=description)

    def png(self) -> bytes:
        """Draw the drawing in pixels, black on white.

        Returns
        -------
        bytes
            A PNG of 200 dots per inch.

        Raises
        ------
        MissingExtraError
            When the package that draws figures is missing.
        """
        require_extra("plots")
        import numpy as np
        from matplotlib.figure import Figure
        from matplotlib.patches import Circle

        low_x, low_y, high_x, high_y = self._box()
        inch = _SCALE / 100.0
        figure = Figure(figsize=((high_x - low_x) * inch, (high_y - low_y) * inch))
        axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
        axes.set(xlim=(low_x, high_x), ylim=(low_y, high_y), aspect="equal")
        axes.set_axis_off()
        for points, closed in self._paths:
            axes.plot(*zip(*points, *points[:closed], strict=True), color="black", lw=_LINE)
        for middle, radius, kind in self._circles:
            full = "black" if kind == "dot" else "white"
            axes.add_patch(Circle(middle, radius, facecolor=full, edgecolor="black", zorder=3))
            if kind == "generator":
                x = np.linspace(-0.5, 0.5, 41)
                y = -0.5 * np.sin(2.0 * np.pi * x)
                wave = middle[0] + radius * x, middle[1] + radius * y
                axes.plot(*wave, color="black", lw=_LINE, zorder=4)
        sides = {"start": "left", "middle": "center", "end": "right"}
        for point, text, anchor in self._words:
            axes.text(*point, text, ha=sides[anchor], size=0.72 * _FONT, parse_math=False)
        buffer = io.BytesIO()
        figure.savefig(buffer, format="png", dpi=200, metadata={"Software": None})
        return buffer.getvalue()


def text_width(text: str) -> float:
    """Estimate the width of a text on a drawing.

    Parameters
    ----------
    text : str
        One line or several.

    Returns
    -------
    float
        Width of the longest line, in drawing units.
    """
    return _CHARACTER * _FONT / _SCALE * max(map(len, text.split("\n")))


def _along(start: Point, end: Point) -> Callable[[float, float], Point]:
    """Points by their distance along and to the left of a line, from its middle."""
    (x0, y0), (x1, y1) = start, end
    length = abs(x1 - x0) + abs(y1 - y0)
    dx, dy = (x1 - x0) / length, (y1 - y0) / length

    def at(along: float, across: float) -> Point:
        x, y = (x0 + x1) / 2.0, (y0 + y1) / 2.0
        return x + along * dx - across * dy, y + along * dy + across * dx

    return at
