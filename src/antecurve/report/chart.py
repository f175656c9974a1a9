"""What a chart shows, whoever draws it: lines and bands in panels that share their axes.

`antecurve.report.chart_svg` draws charts for pages, `antecurve.report.chart_figure` with
matplotlib.  Colours are a published colour-blind-safe palette (Color Universal Design, 2008);
lines differ in dash as well, so that a print in black and white can be read.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "BLACK",
    "BLUE",
    "FREQUENCY_TICKS",
    "GREEN",
    "GRID",
    "ORANGE",
    "PAGE_COLOURS",
    "PAPER",
    "ROW_GAP",
    "TOP",
    "WHISKER",
    "Band",
    "Chart",
    "Line",
    "Panel",
    "frequency_chart",
    "round_step",
    "straight_points",
]

_LEAST_NUMBERS = 2  # one alone tells no scale

Floats = NDArray[np.float64]

BLUE, ORANGE, GREEN, BLACK = "#0072B2", "#D55E00", "#009E73", "#222222"
GRID, PAPER = "#d0d0d0", "#ffffff"
FREQUENCY_TICKS = {
    20: "20", 50: "", 100: "100", 200: "", 500: "", 1e3: "1k", 2e3: "", 5e3: "",
    10e3: "10k", 20e3: "20k", 50e3: "", 100e3: "100k",
}  # fmt: skip
PAGE_COLOURS = {
    BLUE: "network", ORANGE: "ideal", GREEN: "record", BLACK: "ink", GRID: "line", PAPER: "paper",
}  # fmt: skip
"""Variables of ``templates/style.css.j2`` that stand for the colours of a chart."""
_ASIDE = 0.04  # px, each time: less than the rounding of a drawing to tenths in all
_HALVINGS = 6  # of the points where a line is straight
_BOTTOM = 44.0  # px: numbers and name of the horizontal axis fit
TOP, ROW_GAP = 10.0, 12.0  # px above all, and between rows of panels
_WIDE = 0.5  # of the width of the chart: numbers of four digits have room for six of them
WHISKER = 1.2  # px: thinner than lines that have a meaning all along
_LEAST_DB = 0.2  # of an axis over frequency, so that a line flat within hundredths looks flat
_PADDING = 0.06  # of the range of the values above and below it, so that no line lies on an edge


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Line:
    """A line through points, or the points alone.

    Attributes
    ----------
    x, y : numpy.ndarray of float, shape (points,)
        Where it goes, in the units of the axes.
    colour : str
        Colour, ``#rrggbb``.
    label : str
        Name in the legend; empty for none.
    dash : str
        ``solid``, ``dashed``, ``dotted``, or ``points``.
    width : float
        Width, of points the diameter [px of 720 across the page].
    key : str
        Name by which the page redraws it; empty for none.
    """

    x: Floats
    y: Floats
    colour: str
    label: str = ""
    dash: str = "solid"
    width: float = 2.2
    key: str = ""

    @property
    def pointwise(self) -> bool:
        """Whether nothing is drawn between its points."""
        return self.dash == "points"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Band:
    """What lies between two lines, as a tint or as whiskers.

    Attributes
    ----------
    x, low, high : numpy.ndarray of float, shape (points,)
        The lines, in the units of the axes.
    colour : str
        Colour of the tint, ``#rrggbb``.
    label : str
        Name in the legend; empty for none.
    key : str
        Name by which the page redraws it; empty for none.
    pointwise : bool
        Whether each point has a whisker, a thin line with caps, and nothing is drawn between them.
    """

    x: Floats
    low: Floats
    high: Floats
    colour: str
    label: str = ""
    key: str = ""
    pointwise: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Panel:
    """One pair of axes.

    Attributes
    ----------
    marks : tuple of Line or Band
        What is drawn, the last on top.
    title : str
        Words above it.
    y_label : str
        Name of the vertical axis.
    note : str
        Words within its upper right corner.
    x_range : tuple of float or None
        Ends of its horizontal axis where they are not those of the chart.
    """

    marks: tuple[Line | Band, ...]
    title: str = ""
    y_label: str = ""
    note: str = ""
    x_range: tuple[float, float] | None = None

    def y_range(self, *, least: float = 0.0) -> tuple[float, float]:
        """Compute the range of the values, with some space above and below.

        Parameters
        ----------
        least : float, optional
            Least span of the values, so that a line that is flat looks flat.

        Returns
        -------
        tuple of float
            Low and high end of the vertical axis.
        """
        values = [
            v for m in self.marks for v in ((m.y,) if isinstance(m, Line) else (m.low, m.high))
        ]
        low, high = min(float(v.min()) for v in values), max(float(v.max()) for v in values)
        wider = max(0.0, least - (high - low)) / 2.0
        low, high = low - wider, high + wider
        space = _PADDING * (high - low) or 1.0
        return low - space, high + space


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Chart:
    """Panels that share their horizontal axis.

    Attributes
    ----------
    panels : tuple of Panel
        The panels, row by row.
    x_label : str
        Name of the horizontal axis.
    x_range : tuple of float
        Its ends.
    logarithmic : bool
        Whether it is logarithmic in frequency.
    y_range : tuple of float or None
        Ends of the vertical axis of all panels; by default each has its own.
    y_label : str
        Name of the vertical axis of all panels.
    widths : tuple of float
        Shares of the width that the panels beside one another have.
    height : float
        Height [px, of 720 across the page].
    title : str
        Words above all.
    """

    panels: tuple[Panel, ...]
    x_label: str
    x_range: tuple[float, float]
    logarithmic: bool = False
    y_range: tuple[float, float] | None = None
    y_label: str = ""
    widths: tuple[float, ...] = (1.0,)
    height: float = 340.0
    title: str = ""

    @property
    def columns(self) -> int:
        """Panels beside one another."""
        return len(self.widths)

    def y_ends(self, panel: Panel) -> tuple[float, float]:
        """Choose the ends of the vertical axis of a panel.

        Parameters
        ----------
        panel : Panel
            One of the chart's.

        Returns
        -------
        tuple of float
            Those of all panels where the chart has them, else those of its values: over frequency
            they are levels and errors, and the axis spans at least 0.2 dB.
        """
        return self.y_range or panel.y_range(least=_LEAST_DB if self.logarithmic else 0.0)

    def x_ticks(self, panel: Panel) -> dict[float, str]:
        """Choose what is written along the horizontal axis of a panel.

        Parameters
        ----------
        panel : Panel
            One of the chart's.

        Returns
        -------
        dict of float to str
            What to write by where; nothing by lines that help the eye only.
        """
        low, high = panel.x_range or self.x_range
        if self.logarithmic:
            return {f: t for f, t in FREQUENCY_TICKS.items() if low * 0.999 <= f <= high * 1.001}
        share = self.widths[self.panels.index(panel) % self.columns] / sum(self.widths)
        return round_ticks(low, high, 6 if share > _WIDE else 4)

    def panel_height(self, above: float = 0.0) -> float:
        """Share the height out among the rows of panels.

        Parameters
        ----------
        above : float, optional
            What stands above them, such as a legend [px].

        Returns
        -------
        float
            Height of a row [px].
        """
        rows = -(-len(self.panels) // self.columns)
        return (self.height - TOP - above - _BOTTOM - ROW_GAP * (rows - 1)) / rows


def frequency_chart(
    marks: tuple[Line | Band, ...],
    y_label: str,
    band_hz: tuple[float, float],
    *,
    y_range: tuple[float, float] | None = None,
    height: float = 340.0,
) -> Chart:
    """Make a chart of one panel over frequency.

    Parameters
    ----------
    marks : tuple of Line or Band
        What is drawn, over frequency [Hz].
    y_label : str
        Name of the vertical axis.
    band_hz : tuple of float
        Ends of the horizontal axis [Hz].
    y_range : tuple of float, optional
        Ends of the vertical axis; by default those of the marks.
    height : float, optional
        Height [px, of 720 across the page].

    Returns
    -------
    Chart
        The chart.
    """
    return Chart(
        panels=(Panel(marks=marks, y_label=y_label),), x_label="frequency in Hz",
        x_range=(float(band_hz[0]), float(band_hz[1])), logarithmic=True,
        y_range=y_range, height=height,
    )  # fmt: skip


def round_step(span: float, *, count: int) -> float:
    """Choose a step of 1, 2 or 5 times a power of ten.

    Parameters
    ----------
    span : float
        What is to be divided, above 0.
    count : int
        Most steps.

    Returns
    -------
    float
        The smallest such step that divides it into no more.
    """
    power = 10.0 ** math.floor(math.log10(span / count))
    return next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= span / count * (1 - 1e-9))


def round_ticks(low: float, high: float, count: int) -> dict[float, str]:
    """Choose round numbers along an axis.

    Parameters
    ----------
    low, high : float
        Its ends.
    count : int
        Most steps between them.

    Returns
    -------
    dict of float to str
        What to write by where; two or more, of finer steps where so few leave one.
    """
    step = round_step(high - low, count=count)
    numbers = range(math.ceil(low / step - 1e-6), math.floor(high / step + 1e-6) + 1)
    if len(numbers) < _LEAST_NUMBERS:
        return round_ticks(low, high, 2 * count)
    digits = max(0, -math.floor(math.log10(step) + 1e-9))
    return {n * step: f"{n * step:.{digits}f}".replace("-", "\N{MINUS SIGN}") for n in numbers}


def straight_points(x: Floats, y: Floats) -> NDArray[np.intp]:
    """Choose the points that a line needs, without those that a straight one passes close by.

    Parameters
    ----------
    x, y : numpy.ndarray of float, shape (points,)
        The points [px].

    Returns
    -------
    numpy.ndarray of int, shape (points kept,)
        Their places, ascending; the ends are always kept.
    """
    kept = np.arange(len(x))
    for _ in range(_HALVINGS):
        a, b = x[kept], y[kept]
        dx, dy = a[2:] - a[:-2], b[2:] - b[:-2]
        aside = np.abs(dx * (b[1:-1] - b[:-2]) - dy * (a[1:-1] - a[:-2]))
        between = dx * (a[1:-1] - a[:-2]) + dy * (b[1:-1] - b[:-2])
        length = dx * dx + dy * dy
        near = (aside**2 <= _ASIDE**2 * length) & (between >= 0.0) & (between <= length)
        near[1::2] = False
        kept = kept[np.concatenate([[True], ~near, [True]])[: len(kept)]]
    return kept
